"""Fingerprints of thousands of rows at once, above all of readings: most rows are readings, and all their columns are numbers.

    h = seed; for each column c: h = (h xor c) * factor, h = h xor (h >> 32); the upper 40 bits of the last product

Every step can be undone, so a change of one column always changes h, and one change in 10^12 is lost with the lower bits.
Readings that version 7 of the schema has digested keep the fingerprint of other rows.
"""

import struct
from collections.abc import Sequence
from hashlib import blake2b
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from meterd.adapters.store.digests import READING, Key, fingerprint
from meterd.adapters.store.reading_blocks import ReadingColumns
from meterd.core.model.periods import DAY_MS
from meterd.core.registers.register_line import Ints

PRINT = 5  # bytes of a fingerprint
COLUMNS, _VALUE = 6, 3  # seq, channel, at_ms, value, received_ms, marks
_SEED, _FACTOR, _LAST = 0x9E3779B97F4A7C15, 0xD6E8FEB86659FD93, 0xC2B2AE3D27D4EB4F
_OF_FLOAT = 0x5555555555555555  # 1.0 has other bits than the whole number that looks like it
Row = tuple[object, ...]


def fingerprints(columns: Sequence[Ints]) -> Ints:
    """Fingerprints of 40 bits of the rows that have these columns."""
    mixed: NDArray[np.uint64] = np.full(len(columns[0]), _SEED, dtype=np.uint64)
    for column in columns:
        mixed ^= column.view(np.uint64)
        mixed *= np.uint64(_FACTOR)
        mixed ^= mixed >> np.uint64(32)
    mixed *= np.uint64(_LAST)
    return (mixed >> np.uint64(24)).astype(np.int64)


def summed_history(
    first_seq: int, channel: int, times: Ints, *, values: Ints, received_ms: int, marks: int
) -> dict[Key, tuple[int, int]]:
    """Number and sum of the fingerprints of readings of one register, by day; they have consecutive numbers."""

    def all_of(value: int) -> Ints:
        return np.full(len(times), value, dtype=np.int64)

    seqs = np.arange(first_seq, first_seq + len(times), dtype=np.int64)
    channels = all_of(channel)
    columns = (seqs, channels, times.astype(np.int64), values.astype(np.int64), all_of(received_ms), all_of(marks))
    return _by_day(channels, times, fingerprints(columns))


def summed_texts(starts: Ints, texts: Sequence[str]) -> dict[int, tuple[int, int]]:
    """Number and sum of the fingerprints of rows that are no readings, by day, of thousands at once.

    As `digests.summed_by_day`; each row is given by its start and its `repr`.
    """
    joined = b"".join([blake2b(text.encode(), digest_size=PRINT).digest() for text in texts])
    parts = np.frombuffer(joined, dtype=np.uint8).reshape(-1, PRINT).astype(np.int64)
    prints = parts @ (1 << np.arange(8 * (PRINT - 1), -1, -8, dtype=np.int64))
    sums = _by_day(np.zeros(len(starts), dtype=np.int64), starts, prints)
    return {day: total for (_, _, day), total in sums.items()}


def summed_readings(rows: Sequence[Row], former: int) -> dict[Key, tuple[int, int]]:
    """Number and sum of the fingerprints of rows, by register and day.

    `former` is the last reading that version 7 has digested.
    """
    columns = _columns(rows)
    prints = fingerprints(columns)
    if former and len(rows):
        for i in np.flatnonzero(columns[0] <= former).tolist():
            prints[i] = fingerprint(rows[i])
    return _by_day(columns[1], columns[2], prints)


def summed_columns(channel: int, readings: ReadingColumns, former: int) -> dict[Key, tuple[int, int]]:
    """As `summed_readings`, of readings of one register in columns."""
    if not len(readings) or former >= readings.seq.min():
        return summed_readings([(seq, channel, *rest) for seq, *rest in readings.rows()], former)
    channels = np.full(len(readings), channel, dtype=np.int64)
    value = np.where(readings.real, readings.value ^ _OF_FLOAT, readings.value)
    columns = (readings.seq, channels, readings.at_ms, value, readings.received_ms, readings.marks)
    return _by_day(channels, readings.at_ms, fingerprints(columns))


def reading_hash(former: int, *row: object) -> int:
    """The fingerprint of one row, for the database."""
    ((_, total),) = summed_readings([row], former).values()
    return total


def _columns(rows: Sequence[Row]) -> list[Ints]:
    values = [row[_VALUE] for row in rows]
    try:
        whole = np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=COLUMNS * len(rows))
    except (TypeError, ValueError, OverflowError):  # not what a reading is made of: changed by somebody else
        return [np.array([_bits(row[j]) for row in rows], dtype=np.int64) for j in range(COLUMNS)]
    table = np.ascontiguousarray(whole.reshape(-1, COLUMNS).T)
    if set(map(type, values)) - {int}:
        table[_VALUE] = [_bits(value) for value in values]
    return list(table)


def _bits(value: object) -> int:
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        (bits,) = struct.unpack(">q", struct.pack(">d", value))
        return int(bits) ^ _OF_FLOAT
    return fingerprint((value,))


def _by_day(channels: Ints, times: Ints, prints: Ints) -> dict[Key, tuple[int, int]]:
    if not len(times):
        return {}
    days = np.where(times >= 0, times // DAY_MS, -(-times // DAY_MS))
    order = np.lexsort((days, channels))
    channels, days = channels[order], days[order]
    new = np.flatnonzero((np.diff(channels) != 0) | (np.diff(days) != 0)) + 1
    first = np.concatenate([[0], new])
    counts = np.diff(np.concatenate([first, [len(times)]])).tolist()
    totals = np.add.reduceat(prints[order], first).tolist()
    keys = zip(channels[first].tolist(), days[first].tolist(), strict=True)
    return {
        (READING, channel, day): (count, total)
        for (channel, day), count, total in zip(keys, counts, totals, strict=True)
    }
