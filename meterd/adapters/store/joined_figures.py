"""Figures as one, whether they stand in rows of their own or in blocks of closed days.

Both are read at one moment of the store: between two statements a figure may go from the rows into a block. A block that is
damaged is left out, and the digests of its days tell.
"""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from heapq import merge
from itertools import chain
from operator import itemgetter

import numpy as np

from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.figure_blocks import (
    COLUMNS,
    PERIODS,
    TABLE,
    Energies,
    Row,
    Stretch,
    opened,
    stretch_start,
    unpacked,
)
from meterd.adapters.store.figure_rows import columns_of
from meterd.adapters.store.joined_readings import has_blocks, one_moment
from meterd.core.energy.completeness import StoredEnergies
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import Period
from meterd.core.model.results import Anchor, KnownSum, Largest
from meterd.core.registers.register_line import Ints

_WHERE = "channel = ? AND period = ? AND start_ms >= ? AND start_ms < ?"
# bounded by the start of the stretch, which has an index: other blocks are not looked at
OF_SPAN = "period = ? AND start_ms >= ? AND start_ms < ? AND last_ms >= ? AND first_ms < ?"
_KNOWN = f"FROM figure WHERE {_WHERE} AND energy IS NOT NULL"
_START = itemgetter(0)
_FEW = 8  # starts of a block that are quicker looked up one after the other


@dataclass(frozen=True, slots=True)
class Known:
    """Figures of a block in a span that have an energy: starts, energies, flags."""

    start_ms: Ints
    energy: Ints
    flags: Ints


def span_of(period: str, from_ms: int, until_ms: int) -> tuple[object, ...]:
    """What `OF_SPAN` asks for."""
    return str(period), stretch_start(from_ms), until_ms, from_ms, until_ms


class JoinedFigures:
    """The figures that one connection sees. `channel` is the number of a register; spans are half-open."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._with_blocks = False

    def has_blocks(self) -> bool:
        """Whether the store has the table of blocks: one of an earlier version gets it when a process opens it to write."""
        if not self._with_blocks:  # asked each time: a writer may add them meanwhile
            self._with_blocks = has_blocks(self._db, TABLE)
        return self._with_blocks

    # -- whole rows ----------------------------------------------------------------------------------------------------

    def rows(self, channel: int, period: str, from_ms: int, until_ms: int) -> list[Row]:
        """The figures of a register and period in the order of their starts: `COLUMNS`."""
        with one_moment(self._db):
            return list(self.in_turn(channel, period, from_ms, until_ms))

    def in_turn(self, channel: int, period: str, from_ms: int, until_ms: int) -> Iterator[Row]:
        """The same one after the other: for whoever reads one moment of a store."""
        ask = f"SELECT {COLUMNS} FROM figure WHERE {_WHERE} ORDER BY start_ms"
        own: Iterator[Row] = self._db.execute(ask, (channel, str(period), from_ms, until_ms))
        blocks = chain.from_iterable(part.rows() for part in self.stretches(channel, period, from_ms, until_ms))
        first = next(blocks, None)
        return own if first is None else merge(own, chain((first,), blocks), key=_START)

    def stretches(self, channel: int, period: str, from_ms: int, until_ms: int) -> Iterator[Stretch]:
        """What blocks hold of a span."""
        ask = f"SELECT energies, rest FROM {TABLE} WHERE channel = ? AND {OF_SPAN} ORDER BY start_ms"
        for contents in self._blocks(ask, (channel, *span_of(period, from_ms, until_ms)), period):
            with suppress(DamagedBlock):
                yield unpacked(*contents).between(from_ms, until_ms)

    def _blocks(self, ask: str, values: Sequence[object], period: str) -> Iterator[Sequence[object]]:
        if period in PERIODS and self.has_blocks():
            yield from self._db.execute(ask, values)

    # -- starts and anchors --------------------------------------------------------------------------------------------

    def starts(self, channel: int, period: str, from_ms: int, until_ms: int) -> list[int]:
        """Starts of the figures of a register in a span, in order."""
        with one_moment(self._db):
            (own,) = self._db.execute(  # one text: a row of its own for each start was a twentieth of an import
                f"SELECT group_concat(start_ms) FROM figure WHERE {_WHERE}", (channel, str(period), from_ms, until_ms)
            ).fetchone()
            parts = [] if own is None else [np.fromstring(own, np.int64, sep=",")]
            for _, block in self._energies([channel], period, from_ms, until_ms):
                starts = block.starts()
                parts.append(starts[(starts >= from_ms) & (starts < until_ms)])
        results: list[int] = np.sort(np.concatenate(parts)).tolist() if parts else []
        return results

    def ends(self, channel: int, period: str) -> tuple[int, int] | None:
        """Starts of the first and of the last figure of a register."""
        return self._ends("WHERE id = :channel", {"channel": channel, "period": str(period)})

    def span(self, period: str) -> tuple[int, int] | None:
        """Starts of the first and of the last figure of a period."""
        return self._ends("", {"period": str(period)})

    def _ends(self, which: str, values: Mapping[str, object]) -> tuple[int, int] | None:
        # register by register by the key: of a year of 80 registers one look at all rows takes half a second
        where = "WHERE channel = channel.id AND period = :period"
        tables = [("figure", "start_ms", "start_ms")]
        with one_moment(self._db):
            if self.has_blocks():
                tables.append((TABLE, "first_ms", "last_ms"))
            parts = [
                f"SELECT (SELECT {low} FROM {table} {where} ORDER BY start_ms LIMIT 1) AS low,"
                f" (SELECT {high} FROM {table} {where} ORDER BY start_ms DESC LIMIT 1) AS high FROM channel {which}"
                for table, low, high in tables
            ]
            low, high = self._db.execute(
                f"SELECT MIN(low), MAX(high) FROM ({' UNION ALL '.join(parts)})", values
            ).fetchone()
        return None if low is None else (int(low), int(high))

    def written_by(self, period: str, at_ms: int) -> list[int]:
        """Starts of figures in blocks that were written by a moment, the first and the last of them among these."""
        results: list[int] = []
        ask = f"SELECT id FROM {TABLE} WHERE channel = ? AND period = ? ORDER BY start_ms"
        for (channel,) in self._db.execute("SELECT id FROM channel").fetchall():
            for order in ("ASC", "DESC"):  # from both ends, until a block has one
                numbers = list(chain.from_iterable(self._blocks(f"{ask} {order}", (channel, str(period)), period)))
                found = (self._written(number, at_ms) for number in numbers)
                results += next((starts for starts in found if starts), [])
        return results

    def _written(self, number: object, at_ms: int) -> list[int]:
        contents = self._db.execute(f"SELECT energies, rest FROM {TABLE} WHERE id = ?", (number,)).fetchone()
        with suppress(DamagedBlock):
            stretch = unpacked(*contents)
            starts: list[int] = stretch.start_ms[stretch.written_ms <= at_ms].tolist()
            return starts
        return []

    def anchor(self, channel: int, at_ms: int) -> tuple[int, Anchor] | None:
        """The newest interval that starts at or before a moment and has an anchor: its start and the anchor."""
        with one_moment(self._db):
            row = self._db.execute(
                "SELECT start_ms, anchor_ms, anchor_raw, anchor_plateau FROM figure WHERE channel = ? AND period = ?"
                " AND start_ms <= ? AND anchor_ms IS NOT NULL ORDER BY start_ms DESC LIMIT 1",
                (channel, Period.INTERVAL, at_ms),
            ).fetchone()
            after = -(2**62) if row is None else int(row[0])
            ask = (
                f"SELECT energies, rest FROM {TABLE} WHERE channel = ? AND period = ? AND start_ms <= ? AND last_ms > ?"
                " ORDER BY start_ms DESC"
            )
            for contents in self._blocks(ask, (channel, Period.INTERVAL, at_ms, after), Period.INTERVAL):
                with suppress(DamagedBlock):
                    part = unpacked(*contents).between(after + 1, at_ms + 1)
                    anchored = [item for item in part.rows() if item[4] is not None]
                    if anchored:
                        start, _, _, _, *anchor, _, _ = anchored[-1]
                        row = (start, *anchor)
                        break
        return None if row is None else (int(row[0]), Anchor(int(row[1]), int(row[2]), int(row[3])))

    def anchors(self, channel: int, from_ms: int, until_ms: int) -> dict[int, Anchor]:
        """Anchors of the intervals of a register that start in a span, by start."""
        rows = self.rows(channel, Period.INTERVAL, from_ms, until_ms)
        return {start: Anchor(at, raw, stood) for start, _, _, _, at, raw, stood, _, _ in rows if at is not None}  # type: ignore[arg-type]

    # -- energies ------------------------------------------------------------------------------------------------------

    def columns(self, numbers: Sequence[int], period: Period, starts: Ints) -> Columns:
        """Newest figures in mWh of T periods by n registers, -1 for one that the store has not; missing where there is none."""
        if period not in PERIODS or not len(starts):
            return columns_of(self._db, numbers, period, starts)
        places: dict[int, list[int]] = {}
        for place, number in enumerate(numbers):
            places.setdefault(number, []).append(place)
        known, asked = [number for number in places if number >= 0], (starts, _step_of(starts))
        with one_moment(self._db):
            columns = columns_of(self._db, numbers, period, starts)
            for number, block in self._energies(known, period, int(starts[0]), int(starts[-1]) + 1):
                for place in places[number]:
                    _fill(columns, place, asked, block)
        return columns

    def _energies(
        self, channels: Sequence[int], period: str, from_ms: int, until_ms: int
    ) -> Iterator[tuple[int, Energies]]:
        """The contents of blocks that reach into a span, each with the number of its register."""
        which = ", ".join(map(str, channels))
        ask = f"SELECT channel, energies FROM {TABLE} WHERE channel IN ({which}) AND {OF_SPAN}"
        for channel, content in self._blocks(ask, span_of(period, from_ms, until_ms), period):
            with suppress(DamagedBlock):
                yield int(str(channel)), opened(content)

    def _known(self, channel: int, from_ms: int, until_ms: int) -> Iterator[Known]:
        """What blocks hold of the intervals of a register in a span that have an energy."""
        for _, block in self._energies([channel], Period.INTERVAL, from_ms, until_ms):
            starts, every = block.starts(), slice(None)
            there = (starts >= from_ms) & (starts < until_ms) & block.known(every)
            if there.any():
                yield Known(starts[there], block.energy(every)[there], block.flags(every)[there])

    def known_sum(self, channel: int, from_ms: int, until_ms: int) -> KnownSum:
        """The intervals of a register in a span that are known, added up."""
        key = (channel, Period.INTERVAL, from_ms, until_ms)
        with one_moment(self._db):
            first, known, energy = self._db.execute(
                f"SELECT MIN(start_ms), COUNT(*), SUM(energy) {_KNOWN}", key
            ).fetchone()
            parts = list(self._known(channel, from_ms, until_ms))
        firsts = [int(part.start_ms[0]) for part in parts] + ([] if first is None else [int(first)])
        known += sum(len(part.energy) for part in parts)
        return KnownSum(
            min(firsts, default=None), int(known), int(energy or 0) + sum(int(p.energy.sum()) for p in parts)
        )

    def largest(self, channel: int, from_ms: int, until_ms: int) -> Largest | None:
        """The largest interval of a register in a span, the first of equals; None where none is known."""
        key = (channel, Period.INTERVAL, from_ms, until_ms)
        peaks: list[tuple[int, int]] = []  # what is larger, and of equals the first, is larger here
        with one_moment(self._db):
            # twice over the rows takes a fifth of the time that sorting them takes
            energy, known = self._db.execute(f"SELECT MAX(energy), COUNT(*) {_KNOWN}", key).fetchone()
            if energy is not None:
                first = f"SELECT start_ms {_KNOWN} AND energy = ? ORDER BY start_ms LIMIT 1"
                peaks.append((int(energy), -int(self._db.execute(first, (*key, energy)).fetchone()[0])))
            for part in self._known(channel, from_ms, until_ms):
                place, known = int(part.energy.argmax()), known + len(part.energy)
                peaks.append((int(part.energy[place]), -int(part.start_ms[place])))
        return Largest(-max(peaks)[1], max(peaks)[0], int(known)) if peaks else None

    def stored_energies(self, channel: int, from_ms: int, until_ms: int) -> StoredEnergies:
        """How many intervals of a register are known and estimated in a span, and their energies."""
        with one_moment(self._db):
            row = self._db.execute(
                f"SELECT COUNT(*), SUM(flags <> 0), SUM(energy), SUM(energy * (flags <> 0)) {_KNOWN}",
                (channel, Period.INTERVAL, from_ms, until_ms),
            ).fetchone()
            results = [int(value or 0) for value in row]
            for part in self._known(channel, from_ms, until_ms):
                estimated = part.flags != 0
                more = (len(estimated), estimated.sum(), part.energy.sum(), part.energy[estimated].sum())
                results = [value + int(item) for value, item in zip(results, more, strict=True)]
        return StoredEnergies(*results)

    def count(self) -> int:
        """How many figures there are."""
        ask = "SELECT (SELECT COUNT(*) FROM figure)"
        with one_moment(self._db):
            if self.has_blocks():
                ask += f" + (SELECT COALESCE(SUM(count), 0) FROM {TABLE})"
            return int(self._db.execute(ask).fetchone()[0])


def _step_of(starts: Ints) -> int:
    """What is between the starts, where that is always the same; else 0."""
    steps = np.diff(starts)
    return int(steps[0]) if len(steps) and (steps == steps[0]).all() else 0


def _fill(columns: Columns, column: int, asked: tuple[Ints, int], block: Energies) -> None:
    """Put what a block has of the starts that are asked for into their places; with them what is between two of them."""
    starts, step = asked
    low, high = int(starts.searchsorted(block.first_ms)), int(starts.searchsorted(block.last_ms, "right"))
    if low < high and block.plain:
        place, beyond = divmod(int(starts[low]) - block.first_ms, block.step_ms)
        if step == block.step_ms:  # all of them, or none
            if not beyond:
                columns.energy[low:high, column] = block.energy(slice(place, place + high - low))
                columns.present[low:high, column] = True
            return
        if high - low <= _FEW:
            for row in range(low, high):
                place, beyond = divmod(int(starts[row]) - block.first_ms, block.step_ms)
                if not beyond:
                    columns.energy[row, column], columns.present[row, column] = block.one_energy(place), True
            return
    hit, places = block.places(starts[low:high])
    if not block.all_known:
        known = block.known(places)
        hit, places = hit[known], places[known]
    rows = hit + low
    columns.energy[rows, column], columns.present[rows, column] = block.energy(places), True
    columns.flags[rows, column] = block.flags(places)
