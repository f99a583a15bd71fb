"""The stored figures as they would be with a correction: read from a store, with the intervals of one register replaced.

Whatever can be worked out from a store can be worked out from this one, by the same functions that write the stored
figures.
"""

from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.recompute import first_affected, recomputed_figures, refuse_final, vanished
from meterd.core.energy.aggregation import (
    BoardAggregation,
    NetPlan,
    Parent,
    board_aggregations,
    children_of,
    pv_aggregation,
    sum_pv,
)
from meterd.core.energy.rollup import Columns, roll_up
from meterd.core.engine import begin
from meterd.core.errors import ConfigError
from meterd.core.model.periods import MADE_OF, Period, bounds, floor
from meterd.core.model.plan import Site
from meterd.core.model.results import BalanceRow, Channel, FigureRow, PvRow
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in
from meterd.core.registers.corrections import FIGURES_FROM, Correction
from meterd.core.registers.register_line import Ints


class WhatIfStore(SqliteStore):
    """A reading store in which closed figures of one register are others."""

    site: Site
    channel: Channel
    _rows: dict[int, FigureRow]

    @classmethod
    def of(
        cls, path: Path, site: Site, channel: Channel, span: tuple[int, int], corrections: Sequence[Correction]
    ) -> "WhatIfStore":
        """The stored figures with these corrections instead of those stored, as far as closed figures of the span go.

        ConfigError where figures cannot be recalculated, StoreError if there is no store.
        """
        store = cls.reader(path)
        assert isinstance(store, cls), "a reader is of the class it was asked of"
        store.site, store.channel, store._rows = site, channel, {}
        try:
            store._recompute(span, corrections)
        except BaseException:
            store.close()
            raise
        return store

    def _recompute(self, span: tuple[int, int], corrections: Sequence[Correction]) -> None:
        closed_to = int(self.fact("closed_to_ms") or 0)
        state = begin(self.site, ZoneInfo(self.site.zone), closed_to, corrections)
        if self.channel not in state.trackers:
            raise ConfigError(f"the plan reads no register {self.channel[1]} of {self.channel[0]} that counts energy")
        refuse_final(self, span[0])
        low, high = floor(span[0], state.interval_ms), min(-floor(-span[1], state.interval_ms), closed_to)
        first = first_affected(self, state, self.channel, span[0])  # a corrected reading reaches back to the one before
        first = low if first is None else min(low, max(first, int(self.fact(FIGURES_FROM) or first)))
        if low < high:
            rows = recomputed_figures(self, state, self.channel, first, high)[0]
            rows += vanished(self, self.channel, low, rows, high)
            self._rows = {row.start_ms: row for row in rows}

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures, with the what-if figures of the register; sums of longer periods follow."""
        columns = super().columns(channels, period, starts)
        if self.channel in channels:
            j = list(channels).index(self.channel)
            for i, start in enumerate(starts.tolist()):
                energy, flags = self._figure(period, start, columns, (i, j))
                columns.energy[i, j], columns.present[i, j], columns.flags[i, j] = (
                    energy or 0,
                    energy is not None,
                    flags,
                )
        return columns

    def _figure(self, period: Period, start: int, columns: Columns, at: tuple[int, int]) -> tuple[int | None, int]:
        known = int(columns.energy[at]) if columns.present[at] else None
        if period is Period.INTERVAL:
            row = self._rows.get(start)
            return (known, int(columns.flags[at])) if row is None else (row.energy, row.flags)
        if known is None:
            return None, 0
        high = bounds(period, start, self._zone, self._step)[1]
        grid = np.arange(start, high, self._step, dtype=np.int64)
        whole = roll_up(
            self.columns([self.channel], Period.INTERVAL, grid), np.zeros(1, np.int64), np.array([len(grid)])
        )
        return (int(whole.energy[0, 0]) if whole.present[0, 0] else None), int(whole.flags[0, 0])

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Newest balances, recalculated where the register is one of the board."""
        rows = super().balances(board, period, from_ms, until_ms)
        aggregation = board_aggregations(self.site, clocks_in(self.fact(METER_CLOCKS))).get(board)
        if (
            aggregation is None
            or not rows
            or self.channel not in (*aggregation.plan.imports, *aggregation.plan.exports)
        ):
            return rows
        if period is Period.INTERVAL:
            begin_ms = np.array([row.start_ms for row in rows], dtype=np.int64)
            return aggregation.interval_rows(begin_ms, begin_ms + self._step, self._net(aggregation.plan, begin_ms))
        return [self._balance(aggregation, Parent(period, row.start_ms, row.end_ms)) for row in rows]

    def _balance(self, aggregation: BoardAggregation, parent: Parent) -> BalanceRow:
        grid = children_of([parent], Period.INTERVAL, self._zone, self._step).start_ms
        return aggregation.period_row(parent, grid, grid + self._step, self._net(aggregation.plan, grid))

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """Newest PV figures, recalculated where the register is one of theirs."""
        rows = super().pv(period, from_ms, until_ms)
        aggregation = pv_aggregation(self.site)
        if aggregation is None or not rows or self.channel not in aggregation.channels:
            return rows
        if period is not Period.INTERVAL:
            return [self._pv_sum(Parent(period, row.start_ms, row.end_ms)) for row in rows]
        begin_ms = np.array([row.start_ms for row in rows], dtype=np.int64)
        return aggregation.interval_rows(
            begin_ms,
            begin_ms + self._step,
            self._net(aggregation.production, begin_ms),
            imported=self.columns(aggregation.feeds.imports, Period.INTERVAL, begin_ms),
            exported=self.columns(aggregation.feeds.exports, Period.INTERVAL, begin_ms),
            others=self._net(aggregation.others, begin_ms),
        )

    def _pv_sum(self, parent: Parent) -> PvRow:
        part = MADE_OF[parent.period]
        expected = int(children_of([parent], part, self._zone, self._step).expected[0])
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
