"""Readings of a register and a UTC day packed into one row: a tenth of the room that rows and their index take.

    differences of seq, at_ms (twice) and value; received_ms - at_ms, marks  ->  the sign as the last bit
    ->  bits of equal significance together  ->  zlib

All arithmetic is modulo 2^64, so whatever a column holds comes back exactly. `joined_readings` reads rows and blocks as one,
`block_packing` makes blocks of rows.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from meterd.adapters.store.bit_planes import DamagedBlock, compressed, inflated, planes_of, table_of
from meterd.core.model.periods import DAY_MS
from meterd.core.registers.register_line import Ints

# What version 11 of the schema adds. The numbers of the readings of a block lie between those of readings of other registers.
VERSION_11 = """
CREATE TABLE reading_block (first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, channel INTEGER NOT NULL REFERENCES channel,
 start_ms INTEGER NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL, count INTEGER NOT NULL, content BLOB NOT NULL);
CREATE UNIQUE INDEX reading_block_day ON reading_block (channel, start_ms);
CREATE INDEX reading_block_last ON reading_block (last_seq);
"""
TABLE = "reading_block"
HEADER = ("first_seq", "last_seq", "channel", "start_ms", "first_ms", "last_ms", "count")
# The first byte of a content says how values are coded.
WHOLE, THOUSANDTHS, BITS = 0, 1, 2
_FORMS = {bytes([form]) for form in (WHOLE, THOUSANDTHS, BITS)}
_BEGIN = struct.Struct("<I3q")  # number of readings; the first seq, at_ms and value
_FLOAT_BITS = 53  # whole numbers below 2^53 are exact as floats
Row = tuple[int, int, int | float, int, int]  # seq, at_ms, value, received_ms, marks


@dataclass(frozen=True, slots=True, eq=False)
class ReadingColumns:
    """Readings of one register in columns. Where `real`, `value` holds the bits of a float."""

    seq: Ints
    at_ms: Ints
    value: Ints
    received_ms: Ints
    marks: Ints
    real: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.seq)

    @property
    def floats(self) -> NDArray[np.float64]:
        """All values as floats."""
        return np.where(self.real, self.value.view(np.float64), self.value.astype(np.float64))

    def values(self) -> list[int | float]:
        """All values as the database gives them."""
        if not self.real.any():
            whole: list[int | float] = self.value.tolist()
            return whole
        bits = self.value.view(np.float64).tolist()
        return [b if r else v for b, r, v in zip(bits, self.real.tolist(), self.value.tolist(), strict=True)]

    def rows(self) -> list[Row]:
        """The readings as rows: seq, at_ms, value, received_ms, marks."""
        columns = (
            self.seq.tolist(),
            self.at_ms.tolist(),
            self.values(),
            self.received_ms.tolist(),
            self.marks.tolist(),
        )
        return list(zip(*columns, strict=True))

    def where(self, mask: NDArray[np.bool_] | Ints | slice) -> "ReadingColumns":
        """Some of them, or all in another order."""
        seq, at_ms, value, received_ms, marks = (column[mask] for column in self.numbers())
        return ReadingColumns(seq, at_ms, value, received_ms, marks, self.real[mask])

    def between(self, from_ms: int, until_ms: int) -> "ReadingColumns":
        """Those in [from, until); they are in order of time."""
        low, high = np.searchsorted(self.at_ms, np.clip([from_ms, until_ms], -(2**62), 2**62))
        return self if (low, high) == (0, len(self)) else self.where(slice(int(low), int(high)))

    def numbers(self) -> tuple[Ints, Ints, Ints, Ints, Ints]:
        """All columns but `real`."""
        return self.seq, self.at_ms, self.value, self.received_ms, self.marks


def columns_of_rows(rows: Sequence[Row]) -> ReadingColumns:
    """The columns of rows whose values are all whole numbers of 64 bits or floats."""
    if set(map(type, chain.from_iterable(rows))) == {int}:
        table = np.fromiter(chain.from_iterable(rows), np.int64, 5 * len(rows)).reshape(-1, 5).T.copy()
        none = np.zeros(len(rows), dtype=np.bool_)
        return ReadingColumns(table[0], table[1], table[2], table[3], table[4], none)
    seq, at_ms, values, received, marks = zip(*rows, strict=True) if rows else ((),) * 5
    real = np.fromiter((isinstance(value, float) for value in values), np.bool_, len(rows))
    if real.any():
        floats = np.fromiter((v if r else 0.0 for v, r in zip(values, real, strict=True)), np.float64, len(rows))
        whole = np.fromiter((0 if r else v for v, r in zip(values, real, strict=True)), np.int64, len(rows))
        value = np.where(real, floats.view(np.int64), whole)
    else:
        value = np.array(values, dtype=np.int64)
    seqs, times, receipts, bits = (np.array(column, dtype=np.int64) for column in (seq, at_ms, received, marks))
    return ReadingColumns(seqs, times, value, receipts, bits, real)


def joined(parts: Sequence[ReadingColumns]) -> ReadingColumns:
    """Several one behind the other."""
    each = zip(*(part.numbers() for part in parts), strict=True)
    seq, at_ms, value, received_ms, marks = (np.concatenate(columns) for columns in each)
    return ReadingColumns(seq, at_ms, value, received_ms, marks, np.concatenate([part.real for part in parts]))


def same(some: ReadingColumns, others: ReadingColumns) -> bool:
    """Whether both hold the same readings in the same order, to the last bit."""
    columns = zip((*some.numbers(), some.real), (*others.numbers(), others.real), strict=True)
    return all(np.array_equal(one_side, other_side) for one_side, other_side in columns)


def in_order(columns: ReadingColumns) -> ReadingColumns:
    """Sorted by time and value. Whole numbers and floats of one moment are compared by the database's rule."""
    if not columns.real.any():
        return columns.where(np.lexsort((columns.value, columns.at_ms)))
    values, times = columns.values(), columns.at_ms.tolist()
    order = sorted(range(len(columns)), key=lambda i: (times[i], values[i]))
    return columns.where(np.array(order, dtype=np.int64))


def day_start(at_ms: int) -> int:
    """The first moment of the UTC day of a moment.

    >>> day_start(86_400_001), day_start(-1)
    (86400000, -86400000)
    """
    return at_ms // DAY_MS * DAY_MS


# -- one content -------------------------------------------------------------------------------------------------------


def packed(columns: ReadingColumns) -> bytes:
    """The content of a block."""
    form, value = _coded(columns)
    begin = _BEGIN.pack(len(columns), int(columns.seq[0]), int(columns.at_ms[0]), int(value[0]))
    table = np.zeros((5 if form == WHOLE else 6, len(columns)), dtype=np.int64)
    for place, column in enumerate((columns.seq, columns.at_ms, value)):
        table[place, 1:] = column[1:] - column[:-1]
    table[1, 1:] = table[1, 1:] - table[1, :-1]
    table[3], table[4] = columns.received_ms - columns.at_ms, columns.marks
    if form != WHOLE:
        table[5] = columns.real
    return bytes([form]) + compressed(begin + planes_of(table))


def unpacked(content: object) -> ReadingColumns:
    """The readings of a content; DamagedBlock where it is none."""
    form, firsts, table = _opened(content)
    at_ms, value, is_real = _measured(form, firsts, table)
    return ReadingColumns(table[0].cumsum() + firsts[0], at_ms, value, table[3] + at_ms, table[4], is_real)


def unpacked_values(content: object) -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Only times, values and which of them are floats."""
    return _measured(*_opened(content))


def _opened(content: object) -> tuple[int, list[int], Ints]:
    """The form, the first seq, at_ms and value, and the columns as they are coded."""
    if not isinstance(content, bytes) or content[:1] not in _FORMS:
        raise DamagedBlock("the content of a block is none")
    form, data = content[0], inflated(memoryview(content)[1:])
    try:
        count, *firsts = _BEGIN.unpack_from(data)
    except struct.error as exc:
        raise DamagedBlock(f"the content of a block cannot be read: {exc}") from exc
    return form, firsts, table_of(data, _BEGIN.size, 5 if form == WHOLE else 6, count)


def _measured(form: int, firsts: Sequence[int], table: Ints) -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Times, values, and which of them are floats."""
    at_ms, value = table[1].cumsum().cumsum() + firsts[1], table[2].cumsum() + firsts[2]
    is_real = table[5] != 0 if form != WHOLE else np.zeros(len(at_ms), dtype=np.bool_)
    if form == THOUSANDTHS:
        value = np.where(is_real, (value / 1000).view(np.int64), value // 1000)
    return at_ms, value, is_real


def _coded(columns: ReadingColumns) -> tuple[int, Ints]:
    """How values are coded, and the whole numbers that stand for them: decimal ones as thousandths where that is exact."""
    if not columns.real.any():
        return WHOLE, columns.value
    floats = columns.floats
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = np.rint(floats * 1000)
        fits = bool(np.all(np.abs(scaled) < 2.0**_FLOAT_BITS))  # also of what is not finite
    if fits:
        whole = scaled.astype(np.int64)
        back = np.where(columns.real, (whole / 1000).view(np.int64), whole // 1000)
        if np.array_equal(back, columns.value):
            return THOUSANDTHS, whole
    return BITS, columns.value


# -- rows of the table -------------------------------------------------------------------------------------------------


def block_row(channel: int, columns: ReadingColumns) -> tuple[object, ...]:
    """The row of a block of readings of one day, sorted by time and value."""
    return (*header_of(channel, columns), packed(columns))


def header_of(channel: object, columns: ReadingColumns) -> tuple[object, ...]:
    """What the row of a block says of its content: `HEADER`."""
    first_ms, last_ms = int(columns.at_ms[0]), int(columns.at_ms[-1])
    seqs = int(columns.seq.min()), int(columns.seq.max())
    return (*seqs, channel, day_start(first_ms), first_ms, last_ms, len(columns))
