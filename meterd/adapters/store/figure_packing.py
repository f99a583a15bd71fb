"""Packs figures of days that are long over into blocks, in pieces; makes rows again of those that are to be changed.

One transaction holds some registers and stretches: a figure is a row or in a block, never both and never neither, whenever
the process is killed. Not packed are figures of a table whose digests are still being made, those of which a time-series
database has not been seen to hold the last change, and the newest interval of each register that has an anchor, which every
start looks for.
"""

import sqlite3
from collections.abc import Iterator, Set
from contextlib import contextmanager, suppress

import numpy as np

from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.block_packing import NEVER
from meterd.adapters.store.change_feed import Outbox
from meterd.adapters.store.digest_writer import DigestWriter
from meterd.adapters.store.digests import FIGURE, MOVING_FIGURES
from meterd.adapters.store.figure_blocks import (
    COLUMNS,
    PERIODS,
    STRETCH_MS,
    TABLE,
    Row,
    Stretch,
    header_of,
    is_packable,
    joined,
    packed,
    same,
    stretch_of,
    stretch_start,
    unpacked,
)
from meterd.adapters.store.joined_figures import OF_SPAN, span_of
from meterd.adapters.store.reading_blocks import day_start
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period, text

_SPAN = "channel = ? AND period = ? AND start_ms >= ? AND start_ms < ?"
_INSERT = (
    f"INSERT INTO {TABLE} (channel, period, start_ms, first_ms, last_ms, count, energies, rest)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)
_BACK = f"INSERT INTO {FIGURE} (channel, period, {COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
Series = tuple[int, str]  # channel, period


class FigurePacker:
    """The part of a store that writes blocks of figures. Its methods belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection, digests: DigestWriter, outbox: Outbox) -> None:
        self._db, self._digests, self._outbox = connection, digests, outbox
        self._moving = False  # whether figures go from one table into the other, and their digests stay
        self._packed_to: dict[Series, int] = {}  # behind the last figure that is in a block, or later
        self._waiting: dict[Series, int] = {}  # of each series that may have something to pack, its next stretch
        self._unproven: dict[Series, int] = {}
        self._looked_to = NEVER

    def begin(self) -> None:
        """This connection writes from now on."""
        self._db.create_function(MOVING_FIGURES, 0, lambda: self._moving)
        self.take_numbers()

    def take_numbers(self) -> None:
        """Look how far each register is packed, under the number that it has now."""
        ask = f"SELECT last_ms FROM {TABLE} WHERE channel = ? AND period = ? ORDER BY start_ms DESC LIMIT 1"
        series = self._db.execute(f"SELECT DISTINCT channel, period FROM {TABLE}").fetchall()
        self._packed_to = {key: int(self._db.execute(ask, key).fetchone()[0]) + 1 for key in series}
        self.look_again()

    def look_again(self) -> None:
        """Begin anew; what a transaction that was not kept had packed is packed again."""
        self._looked_to = NEVER

    # -- what is in a block --------------------------------------------------------------------------------------------

    def standing(self, series: Series, first_ms: int, last_ms: int) -> list[Row]:
        """The figures of a series in blocks that start from a moment to another one."""
        blocks = self._reaching(series, first_ms, last_ms)
        return [row for _, stretch in blocks for row in stretch.between(first_ms, last_ms + 1).rows()]

    def holds(self, series: Series, first_ms: int, last_ms: int) -> bool:
        """Whether a block of a series may have a figure that starts from a moment to another one."""
        if first_ms >= self._packed_to.get(series, NEVER):
            return False
        ask = f"SELECT 1 FROM {TABLE} WHERE channel = ? AND {OF_SPAN}"
        key = (series[0], *span_of(series[1], first_ms, last_ms + 1))
        return self._db.execute(ask, key).fetchone() is not None

    def _reaching(self, series: Series, first_ms: int, last_ms: int) -> Iterator[tuple[int, Stretch]]:
        """Blocks that reach into a span, by number; damaged ones stay what they are."""
        if first_ms >= self._packed_to.get(series, NEVER):
            return
        ask = f"SELECT id, energies, rest FROM {TABLE} WHERE channel = ? AND {OF_SPAN} ORDER BY start_ms"
        key = (series[0], *span_of(series[1], first_ms, last_ms + 1))
        for number, *contents in self._db.execute(ask, key).fetchall():
            with suppress(DamagedBlock):
                yield number, unpacked(*contents)

    # -- packing -------------------------------------------------------------------------------------------------------

    def has_work(self, before_ms: int) -> bool:
        """Whether a register may have figures to pack of days before a moment. Each day is looked at once."""
        if day_start(before_ms) > self._looked_to and self._digests.is_complete(FIGURE):
            self._looked_to = day_start(before_ms)
            self._unproven = self._outbox.unproven_figures()
            self._waiting = {}
            for (channel,) in self._db.execute("SELECT id FROM channel").fetchall():
                for period in PERIODS:
                    self._go_on((channel, str(period)), NEVER)
        return bool(self._waiting)

    def _go_on(self, series: Series, from_ms: int) -> None:
        ask = f"SELECT MIN(start_ms) FROM {FIGURE} WHERE {_SPAN}"
        (first,) = self._db.execute(ask, (*series, from_ms, self._end(series))).fetchone()
        if first is None:
            self._waiting.pop(series, None)
        else:
            self._waiting[series] = stretch_start(first)

    def _end(self, series: Series) -> int:
        """Up to where a series may be packed."""
        return min(self._looked_to, day_start(self._unproven.get(series, self._looked_to)))

    def step(self, most: int) -> None:
        """Pack about so many figures of what `has_work` has found, register by register: its rows stand together."""
        count = 0
        while self._waiting and count < most:
            series, start = next(iter(self._waiting.items()))
            count += 1 + self._pack(series, start)
            self._go_on(series, start + STRETCH_MS)

    def _pack(self, series: Series, start: int) -> int:
        """Pack what may be packed of a stretch; returns how many figures were looked at."""
        span = (*series, start, min(start + STRETCH_MS, self._end(series)))
        try:
            rows: list[Row] = self._db.execute(f"SELECT {COLUMNS} FROM {FIGURE} WHERE {_SPAN}", span).fetchall()
        except sqlite3.DatabaseError:  # a text that is none any more, or a damaged page: these stay what they are
            return 1
        newest = self._newest_anchored(series)
        going = [row for row in rows if row[0] != newest and is_packable(row)]
        if not going:
            return len(rows)
        stretch = stretch_of(going)
        ask = f"SELECT id, energies, rest FROM {TABLE} WHERE channel = ? AND period = ? AND start_ms = ?"
        for number, *contents in self._db.execute(ask, span[:3]).fetchall():
            try:
                stretch = joined([unpacked(*contents), stretch])
            except DamagedBlock:
                return len(rows)  # who restores a backup finds the others as they came
            self._db.execute(f"DELETE FROM {TABLE} WHERE id = ?", (number,))
        self._insert(series, stretch)
        with self._moved():
            if len(going) == len(rows):
                gone = self._db.execute(f"DELETE FROM {FIGURE} WHERE {_SPAN}", span).rowcount
            else:
                key = "channel = ? AND period = ? AND start_ms = ?"
                starts = [(*series, row[0]) for row in going]
                gone = self._db.executemany(f"DELETE FROM {FIGURE} WHERE {key}", starts).rowcount
        if gone != len(going):
            raise StoreError(f"figures of {text(start)} cannot be packed: {len(going)} rows were read, {gone} deleted")
        return len(stretch)

    def _newest_anchored(self, series: Series) -> int | None:
        if series[1] != Period.INTERVAL:
            return None
        row = self._db.execute(
            f"SELECT start_ms FROM {FIGURE} WHERE channel = ? AND period = ? AND anchor_ms IS NOT NULL"
            " ORDER BY start_ms DESC LIMIT 1",
            series,
        ).fetchone()
        return None if row is None else int(row[0])

    def _insert(self, series: Series, stretch: Stretch) -> None:
        contents = packed(stretch)
        if not same(unpacked(*contents), stretch):  # rather too much room than a figure that is another one
            raise StoreError(f"figures of {text(int(stretch.start_ms[0]))} do not come back from their block")
        self._db.execute(_INSERT, (*header_of(*series, stretch), *contents))
        end = int(stretch.start_ms[-1]) + 1
        self._packed_to[series] = max(self._packed_to.get(series, NEVER), end)

    @contextmanager
    def _moved(self) -> Iterator[None]:
        """Rows that are deleted inside stay figures: the triggers of the digests leave them alone."""
        self._moving = True
        try:
            yield
        finally:
            self._moving = False

    # -- and back ------------------------------------------------------------------------------------------------------

    def take_out(self, series: Series, starts: Set[int]) -> None:
        """Make rows of those figures among these that are in blocks: they are about to be changed."""
        if not starts or min(starts) >= self._packed_to.get(series, NEVER):
            return
        wanted = np.array(sorted(starts), dtype=np.int64)
        for number, stretch in self._reaching(series, int(wanted[0]), int(wanted[-1])):
            going = np.isin(stretch.start_ms, wanted)
            if going.any():
                self._db.execute(f"DELETE FROM {TABLE} WHERE id = ?", (number,))
                self._db.executemany(_BACK, ((*series, *row) for row in stretch.where(going).rows()))
                if not going.all():
                    self._insert(series, stretch.where(~going))

    def take_apart(self, channel: int) -> None:
        """Make rows of all blocks of a register; damaged ones stay what they are."""
        for period in PERIODS:
            series = (channel, str(period))
            for number, stretch in self._reaching(series, NEVER, -NEVER):
                self._db.execute(f"DELETE FROM {TABLE} WHERE id = ?", (number,))
                self._db.executemany(_BACK, ((*series, *row) for row in stretch.rows()))
