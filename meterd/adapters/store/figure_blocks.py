"""Figures of a register, a period and 32 days packed into one row: a sixth of the room that rows take.

What pages ask for, starts, energies and flags, is a content of its own (`energies`), whose numbers stand at fixed places: of
a year or of its nights only those that are asked for become numbers. The other columns (`rest`) are differences in planes of
bits. `joined_figures` reads rows and blocks as one, `figure_packing` makes blocks of rows.
"""

import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterd.adapters.store.bit_planes import DamagedBlock, compressed, inflated, planes_of, table_of
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.registers.register_line import Bools, Ints

# What version 12 of the schema adds.
VERSION_12 = """
CREATE TABLE figure_block (id INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel, period TEXT NOT NULL,
 start_ms INTEGER NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL, count INTEGER NOT NULL,
 energies BLOB NOT NULL, rest BLOB NOT NULL);
CREATE UNIQUE INDEX figure_block_stretch ON figure_block (channel, period, start_ms);
"""
TABLE = "figure_block"
HEADER = ("channel", "period", "start_ms", "first_ms", "last_ms", "count")
PERIODS = (Period.INTERVAL, Period.HOUR)  # of the others there are few
STRETCH_MS = 32 * DAY_MS  # a year of a register is twelve blocks
# start_ms, version, energy, flags, anchor_ms, anchor_raw, anchor_plateau, written_ms, reason
Row = tuple[int, int, int | None, int, int | None, int | None, int | None, int, str]
COLUMNS = "start_ms, version, energy, flags, anchor_ms, anchor_raw, anchor_plateau, written_ms, reason"
_MOST_ENERGY = 2**50  # of a figure that is packed: sums of a block fit 64 bits
_LAST_MS = 2**50  # a later time is none
_FORM = 0
# Form, number of figures, the first start, what is between two starts; of the columns energy, start, flags, known the bytes
# of a number and what is added to it.
_BEGIN = struct.Struct("<BIqqBqBqBqBq")
_QUICK = _BEGIN.size  # where the energies begin
_CHECK = struct.Struct("<I")
_REST = struct.Struct("<I7q")  # bytes of the reasons; the first number of each column


def stretch_start(at_ms: int) -> int:
    """The first moment of the stretch of a moment.

    >>> stretch_start(2_764_800_001), stretch_start(-1)
    (2764800000, -2764800000)
    """
    return max(at_ms, -(2**62)) // STRETCH_MS * STRETCH_MS


# -- starts, energies and flags ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Energies:
    """A content of starts, energies and flags: only what is asked for becomes numbers.

    Of each column: how many bytes a number has and what is added to it, in the order energy, start, flags, known.
    """

    content: bytes
    count: int
    first_ms: int
    step_ms: int
    columns: tuple[tuple[int, int], ...]
    others: bytes  # the numbers of all columns but the energies

    @property
    def regular(self) -> bool:
        """Whether each start is as far from the one before."""
        return self.columns[1][0] == 0

    @property
    def last_ms(self) -> int:
        """A moment behind which no figure starts."""
        return self.first_ms + self.step_ms * (self.count - 1) if self.regular else int(self.starts()[-1])

    def starts(self) -> Ints:
        """All starts, in order."""
        regular = self.first_ms + self.step_ms * np.arange(self.count, dtype=np.int64)
        return regular if self.regular else regular + self._other(1, slice(None))

    def places(self, asked: Ints) -> tuple[Ints, Ints]:
        """Which of the starts that are asked for, in order, are here, and where."""
        if not self.regular:
            own = self.starts()
            place = np.minimum(np.searchsorted(own, asked), self.count - 1)
            hit = np.flatnonzero(own[place] == asked)
            return hit, place[hit]
        place, beyond = np.divmod(asked - self.first_ms, self.step_ms)
        hit = np.flatnonzero((beyond == 0) & (place >= 0) & (place < self.count))
        return hit, place[hit]

    def one_energy(self, place: int) -> int:
        """The energy at a place."""
        width, base = self.columns[0]
        begin = _QUICK + place * width
        return base + int.from_bytes(self.content[begin : begin + width], "little")

    def energy(self, places: Ints | slice) -> Ints:
        """Energies at some places; any number where none is known."""
        width, base = self.columns[0]
        return _numbers(self.content, (_QUICK, self.count, width), places) + base

    def flags(self, places: Ints | slice) -> Ints:
        """Flags at some places."""
        return self._other(2, places)

    def known(self, places: Ints | slice) -> Bools:
        """At which of some places there is an energy."""
        known: Bools = self._other(3, places) != 0
        return known

    @property
    def plain(self) -> bool:
        """Whether starts are regular, and each figure has an energy and no flag."""
        return not self.others and self.columns[1:] == ((0, 0), (0, 0), (0, 1))

    @property
    def all_known(self) -> bool:
        """Whether each figure has an energy."""
        return self.columns[3] == (0, 1)

    def _other(self, column: int, places: Ints | slice) -> Ints:
        at = self.count * sum(width for width, _ in self.columns[1:column])
        width, base = self.columns[column]
        return _numbers(self.others, (at, self.count, width), places) + base


def _numbers(data: bytes, where: tuple[int, int, int], places: Ints | slice) -> Ints:
    """Numbers of so many bytes each at some places of a column, the lowest byte first."""
    begin, count, width = where
    if not width:
        size = len(range(*places.indices(count))) if isinstance(places, slice) else len(places)
        return np.zeros(size, dtype=np.int64)
    raw = np.frombuffer(data, np.uint8, count * width, begin).reshape(count, width)[places]
    wide = np.zeros((len(raw), 8), dtype=np.uint8)
    wide[:, :width] = raw
    return wide.view("<i8")[:, 0]


def _column(values: Ints) -> tuple[tuple[int, int], bytes]:
    """How a column is coded, and its numbers."""
    base = int(values.min())
    above = (values - base).view(np.uint64)
    width = (int(above.max()).bit_length() + 7) // 8
    numbers = above.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width].tobytes()
    return (width, base), numbers


def opened(content: object) -> Energies:
    """The starts, energies and flags of a content; DamagedBlock where it is none."""
    if not isinstance(content, bytes) or len(content) < _QUICK + _CHECK.size or content[0] != _FORM:
        raise DamagedBlock("the content of a block is none")
    end = len(content) - _CHECK.size
    if _CHECK.unpack_from(content, end)[0] != zlib.crc32(memoryview(content)[:end]):
        raise DamagedBlock("the content of a block is not what was packed")
    _, count, first, step, width, *rest = _BEGIN.unpack_from(content)
    behind = _QUICK + count * width
    others = inflated(memoryview(content)[behind:end]) if behind < end else b""
    columns = ((width, rest[0]), (rest[1], rest[2]), (rest[3], rest[4]), (rest[5], rest[6]))
    return Energies(content, count, first, step, columns, others)


# -- all columns -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Figures of one register and period in the order of their starts, in columns.

    `table` has a row for each of: start, energy (0 where it is missing), flags, known, version, which parts of the anchor are
    missing (bits 1, 2, 4), anchor_ms, anchor_raw, anchor_plateau (where one is missing, as before), written_ms, reason.
    """

    table: Ints
    reasons: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.start_ms)

    @property
    def start_ms(self) -> Ints:
        """The starts."""
        starts: Ints = self.table[0]
        return starts

    @property
    def written_ms(self) -> Ints:
        """When each was written."""
        written: Ints = self.table[-2]
        return written

    def rows(self) -> list[Row]:
        """The figures as rows: `COLUMNS`."""
        start, energy, flags, known, version, lacking, *anchor, written, reason = self.table
        parts = [_masked(column, lacking & (1 << bit) == 0) for bit, column in enumerate(anchor)]
        columns = (
            start.tolist(),
            version.tolist(),
            _masked(energy, known != 0),
            flags.tolist(),
            *parts,
            written.tolist(),
        )
        return list(zip(*columns, [self.reasons[number] for number in reason.tolist()], strict=True))

    def where(self, mask: Bools | slice) -> "Stretch":
        """Some of them."""
        return Stretch(self.table[:, mask], self.reasons)

    def between(self, from_ms: int, until_ms: int) -> "Stretch":
        """Those that start in [from, until)."""
        low, high = np.searchsorted(self.start_ms, np.clip([from_ms, until_ms], -(2**62), 2**62))
        return self if (low, high) == (0, len(self)) else self.where(slice(int(low), int(high)))


def _masked(column: Ints, known: Bools) -> list[int | None]:
    values: list[int | None] = column.tolist()
    for place in np.flatnonzero(~known).tolist():
        values[place] = None
    return values


def is_packable(row: Sequence[object]) -> bool:
    """Whether a row of `COLUMNS` can be in a block, as every figure can that was not changed by somebody else."""
    start, version, energy, flags, *anchor, written, reason = row
    whole = all(type(item) is int for item in (start, version, flags, written)) and type(reason) is str
    known = [item for item in (energy, *anchor) if item is not None]
    if not whole or not all(type(item) is int for item in known):
        return False
    return abs(start) < _LAST_MS and (energy is None or abs(energy) < _MOST_ENERGY)  # type: ignore[arg-type]


def stretch_of(rows: Sequence[Row]) -> Stretch:
    """Columns of packable rows, in the order of their starts."""
    ordered = sorted(rows)
    start, version, energy, flags, *anchor, written, reason = zip(*ordered, strict=True)
    reasons = tuple(dict.fromkeys(reason))
    number = {text: place for place, text in enumerate(reasons)}
    lacking, columns = np.zeros(len(ordered), dtype=np.int64), []
    for bit, column in enumerate(anchor):
        values, missing = _filled(column)
        columns.append(values)
        lacking |= missing.astype(np.int64) << bit
    known = np.array([item is not None for item in energy], dtype=np.int64)
    energies = [item or 0 for item in energy]
    table = [start, energies, flags, known, version, lacking, *columns, written, [number[text] for text in reason]]
    return Stretch(np.array([np.array(column, dtype=np.int64) for column in table]), reasons)


def _filled(column: Sequence[int | None]) -> tuple[Ints, Bools]:
    """A column with the value before wherever one is missing, and where that is."""
    missing = np.array([item is None for item in column], dtype=np.bool_)
    values = np.array([item or 0 for item in column], dtype=np.int64)
    last = np.maximum.accumulate(np.where(missing, 0, np.arange(len(column))))
    return values[last], missing


def joined(parts: Sequence[Stretch]) -> Stretch:
    """Several as one, in the order of their starts."""
    reasons = tuple(dict.fromkeys(text for part in parts for text in part.reasons))
    tables = [part.table.copy() for part in parts]
    for part, table in zip(parts, tables, strict=True):
        table[-1] = np.array([reasons.index(text) for text in part.reasons])[table[-1]]
    table = np.concatenate(tables, axis=1)
    return Stretch(table[:, np.argsort(table[0])], reasons)


def same(some: Stretch, others: Stretch) -> bool:
    """Whether both hold the same figures."""
    return some.reasons == others.reasons and np.array_equal(some.table, others.table)


def packed(stretch: Stretch) -> tuple[bytes, bytes]:
    """The contents of a block: energies, rest."""
    start, energy, flags, known = stretch.table[:4]
    step = int(np.diff(start).min()) if len(stretch) > 1 else STRETCH_MS
    regular = start[0] + step * np.arange(len(stretch), dtype=np.int64)
    least = int(energy[known != 0].min(initial=_MOST_ENERGY)) if known.any() else 0
    coded = [_column(column) for column in (np.where(known != 0, energy, least), start - regular, flags, known)]
    begin = _BEGIN.pack(_FORM, len(stretch), int(start[0]), step, *(item for head, _ in coded for item in head))
    others = b"".join(numbers for _, numbers in coded[1:])
    quick = begin + coded[0][1] + (compressed(others) if others else b"")
    return quick + _CHECK.pack(zlib.crc32(quick)), _packed_rest(stretch)


def _packed_rest(stretch: Stretch) -> bytes:
    version, lacking, anchor, raw, plateau, written, reason = stretch.table[4:]
    table = np.array([version, lacking, anchor - stretch.start_ms, raw, plateau - anchor, written, reason])
    reasons = json.dumps(stretch.reasons).encode()
    begin = _REST.pack(len(reasons), *table[:, 0].tolist()) + reasons
    table[:, 1:] = table[:, 1:] - table[:, :-1]
    table[:, 0] = 0
    return bytes([_FORM]) + compressed(begin + planes_of(table))


def unpacked(energies: object, rest: object) -> Stretch:
    """The figures of a block; DamagedBlock where it is none."""
    quick = opened(energies)
    if not isinstance(rest, bytes) or rest[:1] != bytes([_FORM]):
        raise DamagedBlock("the content of a block is none")
    data = inflated(memoryview(rest)[1:])
    try:
        length, *firsts = _REST.unpack_from(data)
        reasons = json.loads(data[_REST.size : _REST.size + length])
    except (struct.error, ValueError) as exc:
        raise DamagedBlock(f"the content of a block cannot be read: {exc}") from exc
    table = table_of(data, _REST.size + length, 7, quick.count).cumsum(axis=1) + np.array(firsts)[:, None]
    version, lacking, anchor, raw, plateau, written, reason = table
    listed = isinstance(reasons, list) and set(map(type, reasons)) == {str}
    if not listed or reason.min() < 0 or reason.max() >= len(reasons):
        raise DamagedBlock("the content of a block names a reason that it has not")
    start, every, known = quick.starts(), slice(None), quick.known(slice(None))
    energy, anchor = np.where(known, quick.energy(every), 0), anchor + start
    columns = (
        start,
        energy,
        quick.flags(every),
        known,
        version,
        lacking,
        anchor,
        raw,
        plateau + anchor,
        written,
        reason,
    )
    return Stretch(np.array(columns, dtype=np.int64), tuple(reasons))


# -- rows of the table -------------------------------------------------------------------------------------------------


def header_of(channel: object, period: object, stretch: Stretch) -> tuple[object, ...]:
    """What the row of a block says of its contents: `HEADER`."""
    first, last = int(stretch.start_ms[0]), int(stretch.start_ms[-1])
    return (channel, period, stretch_start(first), first, last, len(stretch))
