"""A store whose readings are packed again and again, beside one that keeps rows: both must answer every question the same."""

from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

import numpy as np

from meterd.adapters.store.change_feed import OutboxReader, Position
from meterd.adapters.store.digest_comparison import head, verify
from meterd.adapters.store.dump import ArchiveReader
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.month_rows import READINGS, MonthRows
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.reading import REGISTERS, Reading

EVER = 2**49  # a moment behind every reading
START = 20_000 * DAY_MS


def pack(store: SqliteStore, before_ms: int = EVER, most: int = 10**9, steps: int = 10**9) -> int:
    """Digest what waits, and pack what is before a moment; returns how many pieces it took."""
    with store.transaction():
        store.digest_writer.finish()
    store.packer.look_again()
    store.figure_packer.look_again()
    pieces = 0
    while pieces < steps and store.pack_step(before_ms, most):
        pieces += 1
    return pieces


def blocks(store: SqliteStore) -> int:
    """How many blocks there are."""
    return int(store.connection.execute("SELECT COUNT(*) FROM reading_block").fetchone()[0])


def rows(store: SqliteStore) -> int:
    """How many readings stand in rows of their own."""
    return int(store.connection.execute("SELECT COUNT(*) FROM reading").fetchone()[0])


def stored_rows(store: SqliteStore) -> list[tuple[object, ...]]:
    """Every reading with its number, as it was stored."""
    results: list[tuple[object, ...]] = []
    for channel in store.channels():
        own = store.readings.rows(store.channel_number(channel), -(2**62), 2**62)
        results += [(*channel, *row) for row in own]
    return results


def answers(store: SqliteStore, path: Path, moments: Iterable[int]) -> list[object]:
    """What a store says to everything that is asked of readings."""
    results: list[object] = [store.reading_count(), store.readings.first_seq(), store.channels()]
    for channel in store.channels():
        number = store.channel_number(channel)
        results += [
            store.first_ms(channel),
            store.latest(channel),
            store.newest(channel, 3),
            store.newest(channel, 500),
        ]
        results.append(_plain(store.samples(channel, -(2**62), 2**62)))
        if REGISTERS[channel[1]].cumulative:
            results.append(_plain(store.history(channel, -(2**62))))
        for low in moments:
            results += [store.readings_around(channel, low), store.readings_between(channel, low, 2**62, most=2)]
            results.append(store.readings_between(channel, low, low + DAY_MS + 7, most=10_000))
            results.append(_plain(store.samples(channel, low, low + DAY_MS // 2)))
            if REGISTERS[channel[1]].cumulative:
                results += [
                    _plain(store.history(channel, low, low + DAY_MS)),
                    _plain(store.history(channel, low, most=3)),
                ]
            counts = [store.readings.count_before(number, low, seq) for seq in (3, 40, 2**62)]
            results += [*counts, store.readings.count_between(number, low, low + DAY_MS)]
            results.append(store.readings.totals(number, low, low + 3 * DAY_MS))
    results += [_followed(store, seq, most) for seq in (0, 7, 60) for most in (1, 3, 50)]
    return results + _of_readers(path)


def _plain(columns: tuple[np.ndarray, np.ndarray]) -> list[object]:
    return [str(column.dtype) + repr(column.tolist()) for column in columns]


def _followed(store: SqliteStore, seq: int, most: int) -> list[object]:
    """The journal followed in batches from a number to its end."""
    results: list[object] = []
    while batch := store.readings.after(seq, most):
        assert len(batch) <= most
        results += batch
        seq = batch[-1][0]
    return results


def _of_readers(path: Path) -> list[object]:
    """Exports, the archive and a database of lines, from connections of their own."""
    results: list[object] = []
    with closing(ArchiveReader(path)) as reader:
        results.append(reader.span())
        results += [list(reader.readings(channel, -(2**62), 2**62)) for channel in reader.channels]
    spans = dict.fromkeys(Period, (START, START + 3 * DAY_MS))
    with closing(MonthRows(path)) as month:
        results += [month.first_ms(), list(month.rows(READINGS, spans)), month.fingerprint(READINGS, spans)]
    feed, position = OutboxReader(path, "mill"), Position()
    while (batch := feed.next(position, 40)).lines:
        results.append(batch.lines)
        position = batch.position
    results.append(feed.waiting(Position()))
    feed.close()
    return results


def digests(store: SqliteStore) -> tuple[str, list[str]]:
    """The fingerprint of all digests, and what does not agree with its digest."""
    with store.transaction():
        store.digest_writer.finish()
    return head(store.connection), verify(store.connection)


def reading(channel: tuple[str, str], at_ms: int, value: float, delay_ms: int = 40) -> Reading:
    """A reading that came a while after its time."""
    return Reading(*channel, at_ms, value, at_ms + delay_ms, device_time=delay_ms % 2 == 0, old=delay_ms % 3 == 0)
