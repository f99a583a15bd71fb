"""The books as they would be with a correction: read from a store, with the intervals of one register replaced.

Whatever can be worked out from a store can be worked out from this one, by the same functions that write the books.
"""

from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.app.remaking import first_touched, made_again, refuse_final, vanished
from meterd.books import BoardBook, NetPlan, Parent, board_books, parts_of, pv_book, sum_pv
from meterd.correction import FIGURES_FROM, Correction
from meterd.errors import ConfigError
from meterd.figure import BalanceRow, Channel, FigureRow, PvRow
from meterd.interval import MADE_OF, Period, bounds, floor
from meterd.knots import Ints
from meterd.meter_clock import KEPT, clocks_in
from meterd.pipeline import begin
from meterd.rollup import Columns, roll_up
from meterd.site import Site
from meterd.store.sqlite import SqliteStore


class SupposedStore(SqliteStore):
    """A reading store in which closed figures of one register are others."""

    site: Site
    channel: Channel
    _rows: dict[int, FigureRow]

    @classmethod
    def of(
        cls, path: Path, site: Site, channel: Channel, span: tuple[int, int], corrections: Sequence[Correction]
    ) -> "SupposedStore":
        """The books with these corrections instead of those kept, as far as closed figures of the span go.

        ConfigError where figures cannot be made again, StoreError if there is no store.
        """
        store = cls.reader(path)
        assert isinstance(store, cls), "a reader is of the class it was asked of"
        store.site, store.channel, store._rows = site, channel, {}
        try:
            store._suppose(span, corrections)
        except BaseException:
            store.close()
            raise
        return store

    def _suppose(self, span: tuple[int, int], corrections: Sequence[Correction]) -> None:
        closed_to = int(self.fact("closed_to_ms") or 0)
        state = begin(self.site, ZoneInfo(self.site.zone), closed_to, corrections)
        if self.channel not in state.trackers:
            raise ConfigError(f"the plan reads no register {self.channel[1]} of {self.channel[0]} that counts energy")
        refuse_final(self, span[0])
        low, high = floor(span[0], state.interval_ms), min(-floor(-span[1], state.interval_ms), closed_to)
        first = first_touched(self, state, self.channel, span[0])  # a corrected reading reaches back to the one before
        first = min(low, max(first, int(self.fact(FIGURES_FROM) or first)))
        if low < high:
            rows = made_again(self, state, self.channel, first, high)
            rows += vanished(self, self.channel, low, rows, high)
            self._rows = {row.start_ms: row for row in rows}

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures, with those supposed of the register; sums of longer periods follow."""
        found = super().columns(channels, period, starts)
        if self.channel in channels:
            j = list(channels).index(self.channel)
            for i, start in enumerate(starts.tolist()):
                energy, flags = self._one(period, start, found, (i, j))
                found.energy[i, j], found.present[i, j], found.flags[i, j] = energy or 0, energy is not None, flags
        return found

    def _one(self, period: Period, start: int, found: Columns, at: tuple[int, int]) -> tuple[int | None, int]:
        known = int(found.energy[at]) if found.present[at] else None
        if period is Period.INTERVAL:
            row = self._rows.get(start)
            return (known, int(found.flags[at])) if row is None else (row.energy, row.flags)
        if known is None:
            return None, 0
        high = bounds(period, start, self._zone, self._step)[1]
        grid = np.arange(start, high, self._step, dtype=np.int64)
        whole = roll_up(
            self.columns([self.channel], Period.INTERVAL, grid), np.zeros(1, np.int64), np.array([len(grid)])
        )
        return (int(whole.energy[0, 0]) if whole.present[0, 0] else None), int(whole.flags[0, 0])

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Newest balances, made again where the register is one of the board."""
        rows = super().balances(board, period, from_ms, until_ms)
        book = board_books(self.site, clocks_in(self.fact(KEPT))).get(board)
        if book is None or not rows or self.channel not in (*book.plan.imports, *book.plan.exports):
            return rows
        if period is Period.INTERVAL:
            begin_ms = np.array([row.start_ms for row in rows], dtype=np.int64)
            return book.interval_rows(begin_ms, begin_ms + self._step, self._net(book.plan, begin_ms))
        return [self._balance(book, Parent(period, row.start_ms, row.end_ms)) for row in rows]

    def _balance(self, book: BoardBook, parent: Parent) -> BalanceRow:
        grid = parts_of([parent], Period.INTERVAL, self._zone, self._step).start_ms
        return book.period_row(parent, grid, grid + self._step, self._net(book.plan, grid))

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """Newest PV figures, made again where the register is one of theirs."""
        rows = super().pv(period, from_ms, until_ms)
        book = pv_book(self.site)
        if book is None or not rows or self.channel not in book.channels:
            return rows
        if period is not Period.INTERVAL:
            return [self._pv_sum(Parent(period, row.start_ms, row.end_ms)) for row in rows]
        begin_ms = np.array([row.start_ms for row in rows], dtype=np.int64)
        return book.interval_rows(
            begin_ms,
            begin_ms + self._step,
            self._net(book.production, begin_ms),
            self.columns(book.feeds.imports, Period.INTERVAL, begin_ms),
            self.columns(book.feeds.exports, Period.INTERVAL, begin_ms),
            self._net(book.others, begin_ms),
        )

    def _pv_sum(self, parent: Parent) -> PvRow:
        part = MADE_OF[parent.period]
        expected = int(parts_of([parent], part, self._zone, self._step).expected[0])
        return sum_pv(parent, self.pv(part, parent.start_ms, parent.end_ms), expected)

    def _net(self, plan: NetPlan, starts: Ints) -> Columns:
        imports = self.columns(plan.imports, Period.INTERVAL, starts)
        return plan.net(imports, self.columns(plan.exports, Period.INTERVAL, starts))

    @property
    def _zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    @property
    def _step(self) -> int:
        return self.site.interval_s * 1000
