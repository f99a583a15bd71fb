"""From figures to rows of the stored figures: which parents to sum again, balances of boards, PV figures of the site.

The same functions serve one closed quarter hour of the daemon and a replayed year: columns in, rows out.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.board_balance import (
    Balance,
    BoardTerms,
    Term,
    balance,
    band_of,
    board_terms,
    interval_inputs,
    period_balance,
    term_of,
)
from meterd.core.energy.rollup import Columns, roll_up
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import MADE_OF, Period, bounds, starts
from meterd.core.model.plan import Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import BalanceRow, Channel, FigureRow, PvRow
from meterd.core.pv.figures import pv_figures
from meterd.core.registers.clock_offsets import Clocks
from meterd.core.registers.figure_columns import FigureColumns
from meterd.core.registers.register_line import Bools, Flag, Ints


@dataclass(frozen=True, slots=True)
class Parent:
    """A longer period that must be summed again."""

    period: Period
    start_ms: int
    end_ms: int


def parents(changed: Iterable[int], closed_to: int, zone: ZoneInfo, interval_ms: int) -> list[Parent]:
    """The longer periods around changed intervals that are over, parts before their sums."""
    intervals = sorted(set(changed))
    return [
        Parent(period, low, end)
        for period in MADE_OF
        for low, end in _around(intervals, period, closed_to, zone=zone, interval_ms=interval_ms)
    ]


def _around(
    intervals: Sequence[int], period: Period, closed_to: int, *, zone: ZoneInfo, interval_ms: int
) -> Iterator[tuple[int, int]]:
    end = -(2**62)
    for start in intervals:
        if start >= end:
            low, end = bounds(period, start, zone, interval_ms)
            if end <= closed_to:
                yield low, end


@dataclass(frozen=True, slots=True)
class Children:
    """What some parents of one kind are summed from: starts of all parts in order, and the row where each sum begins."""

    period: Period
    start_ms: Ints
    first: Ints

    @property
    def expected(self) -> Ints:
        """Number of parts of each parent by the calendar."""
        return np.diff(np.append(self.first, len(self.start_ms)))


def children_of(group: Sequence[Parent], part: Period, zone: ZoneInfo, interval_ms: int) -> Children:
    """The parts of a kind in parents of one kind, which stand in order."""
    results = [starts(part, parent.start_ms, parent.end_ms, zone, interval_ms) for parent in group]
    first = np.cumsum([0, *map(len, results)])[:-1]
    return Children(part, np.array([start for item in results for start in item], dtype=np.int64), first)


def sum_of_children(
    changed: Mapping[Channel, Sequence[int]], group: Sequence[Parent], children: Children, columns: Columns
) -> list[FigureRow]:
    """The figures of parents of one kind from the columns of their parts (every part a row, missing ones included).

    `changed` holds the sorted starts of changed intervals by register, in the order of the columns: a parent without
    a change of a register gives no figure of it.
    """
    affected = _affected(changed, group)
    rolled = roll_up(columns, children.first, children.expected)
    energy, present, flags = rolled.energy.tolist(), rolled.present.tolist(), rolled.flags.tolist()
    return [
        FigureRow(channel, parent.period, parent.start_ms, energy[i][j] if present[i][j] else None, flags[i][j])
        for i, parent in enumerate(group)
        for j, channel in enumerate(changed)
        if affected[j][i]
    ]


def sum_in_columns(
    changed: Mapping[Channel, Sequence[int]], group: Sequence[Parent], children: Children, columns: Columns
) -> Iterator[FigureColumns]:
    """As `sum_of_children`, register by register in columns: for a part of a long history."""
    starts = np.array([parent.start_ms for parent in group], dtype=np.int64)
    rolled = roll_up(columns, children.first, children.expected)
    for j, (channel, rows) in enumerate(zip(changed, _affected(changed, group), strict=True)):
        energy, present, flags = rolled.energy[rows, j], rolled.present[rows, j], rolled.flags[rows, j]
        yield FigureColumns(channel, group[0].period, starts[rows], energy, present, flags.astype(np.int64))


def _affected(changed: Mapping[Channel, Sequence[int]], group: Sequence[Parent]) -> list[Bools]:
    low, high = np.array([p.start_ms for p in group]), np.array([p.end_ms for p in group])
    return [np.searchsorted(own, low) < np.searchsorted(own, high) for own in map(np.asarray, changed.values())]


@dataclass(frozen=True, slots=True)
class NetPlan:
    """Which registers make the energy of points along their arrow: import less export where it is read."""

    points: tuple[str, ...]
    imports: tuple[Channel, ...]
    exports: tuple[Channel, ...]
    has_export: tuple[bool, ...]

    def net(self, imports: Columns, exports: Columns) -> Columns:
        """Import less export, [T, n]. Where both are read, the flags of a missing one say which register lacks."""
        both = np.flatnonzero(self.has_export)
        if not len(both):
            return imports
        energy, present, flags = imports.energy.copy("K"), imports.present.copy("K"), imports.flags.copy("K")
        bought, sold = present[:, both], exports.present[:, both]
        energy[:, both] -= exports.energy[:, both]
        present[:, both] = known = bought & sold
        lacks = np.where(bought, 0, Flag.NO_IMPORT) | np.where(sold, 0, Flag.NO_EXPORT)
        flags[:, both] = np.where(known, flags[:, both] | exports.flags[:, both], lacks).astype(np.uint8)
        return Columns(energy, present, flags)


def net_plan(site: Site, points: Sequence[str]) -> NetPlan:
    """The registers of those points, in their order."""
    read = {(row.point, row.register) for row in site.inputs}
    return NetPlan(
        tuple(points),
        tuple((p, IMPORT) for p in points),
        tuple((p, EXPORT) for p in points),
        tuple((p, EXPORT) in read for p in points),
    )


@dataclass(frozen=True, slots=True)
class BoardAggregation:
    """All that is needed to keep the balance of one board."""

    terms: BoardTerms
    plan: NetPlan

    def interval_rows(self, start_ms: Ints, end_ms: Ints, net: Columns) -> list[BalanceRow]:
        """Balances of intervals with their reconciled flows, a row each."""
        result = balance(self.terms.terms, start_ms, end_ms, net.energy, net.present, flags=net.flags)
        estimated = (net.flags != 0).any(axis=1) if net.flags.shape[1] else np.zeros(len(start_ms), dtype=np.bool_)
        return self._rows(Period.INTERVAL, start_ms, end_ms, result=result, estimated=estimated)

    def period_row(self, parent: Parent, start_ms: Ints, end_ms: Ints, net: Columns) -> BalanceRow:
        """The balance of a longer period from all its intervals."""
        children = Children(Period.INTERVAL, start_ms, np.zeros(1, dtype=np.int64))
        return self.period_rows([parent], children, end_ms, net)[0]

    def period_rows(self, group: Sequence[Parent], children: Children, end_ms: Ints, net: Columns) -> list[BalanceRow]:
        """Balances of longer periods of one kind from all their intervals."""
        result = period_balance(
            self.terms.terms, children.start_ms, end_ms, net.energy, net.present, first=children.first, flags=net.flags
        )
        rolled = roll_up(net, children.first, children.expected)
        return self._rows(
            group[0].period,
            np.array([parent.start_ms for parent in group]),
            np.array([parent.end_ms for parent in group]),
            result=result,
            estimated=(rolled.flags != 0).any(axis=1),
        )

    def _rows(
        self, period: Period, start_ms: Ints, end_ms: Ints, *, result: Balance, estimated: Bools
    ) -> list[BalanceRow]:
        terms, rows = self.terms, []
        of_interval = period is Period.INTERVAL
        columns = (start_ms, end_ms, result.feed, result.outgoing, result.residual, result.band)
        present = (result.feed_present, result.outgoing_present, result.computable, estimated)
        numbers = zip(*(column.tolist() for column in (*columns, *present)), strict=True)
        for i, (start, end, feed, outgoing, residual, band, fed, gone, known, guessed) in enumerate(numbers):
            flows = zip(result.points, result.reconciled[i].tolist(), strict=True) if known and of_interval else ()
            rows.append(
                BalanceRow(
                    board=terms.board,
                    period=period,
                    start_ms=start,
                    end_ms=end,
                    feed=feed if fed else None,
                    outgoing=outgoing if gone else None,
                    residual=residual if known else None,
                    band=band if known else None,
                    verdict=result.word(i),
                    estimated=guessed and known,
                    missing=result.missing_points(i),
                    uncovered=terms.uncovered,
                    covered=terms.covered,
                    of=terms.of,
                    reconciled=tuple(flows),
                )
            )
        return rows


def board_aggregations(site: Site, clocks: Clocks | None = None) -> dict[str, BoardAggregation]:
    """One aggregation for each board of the plan; with `clocks`, what was measured of those of its meters."""
    aggregations = {}
    for board in site.boards:
        terms = board_terms(site, board, clocks)
        aggregations[board.name] = BoardAggregation(terms, net_plan(site, [t.point for t in terms.terms]))
    return aggregations


@dataclass(frozen=True, slots=True)
class PvAggregation:
    """The registers of the PV figures of the site: production, the connection, and other sources."""

    production: NetPlan
    feeds: NetPlan
    others: NetPlan
    terms: tuple[Term, ...]  # of the consumption: all points of these plans, in their order

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Every register that enters."""
        plans = (self.production, self.feeds, self.others)
        return tuple(channel for plan in plans for channel in (*plan.imports, *plan.exports))

    def interval_rows(
        self,
        start_ms: Ints,
        end_ms: Ints,
        production: Columns,
        *,
        imported: Columns,
        exported: Columns,
        others: Columns,
    ) -> list[PvRow]:
        """PV figures of intervals; export is that of the feeds' export registers, never a net of the intervals."""
        rows = len(start_ms)
        present = np.ones(rows, dtype=np.bool_)
        estimated = np.zeros(rows, dtype=np.bool_)
        exported = Columns(exported.energy, exported.present | ~np.array(self.feeds.has_export), exported.flags)
        for columns in (production, imported, exported, others):
            present &= columns.present.all(axis=1)
            estimated |= (columns.flags != 0).any(axis=1)
        figures = pv_figures(
            production.energy.sum(axis=1),
            exported.energy.sum(axis=1),
            imported.energy.sum(axis=1),
            others.energy.sum(axis=1),
            present,
        )
        return [
            PvRow(
                Period.INTERVAL,
                int(start_ms[i]),
                int(end_ms[i]),
                production=int(figures.production[i]),
                grid_import=int(imported.energy[i].sum()),
                grid_export=int(figures.export[i]),
                self_use=int(figures.self_use[i]),
                consumption=int(figures.consumption[i]),
                estimated=bool(estimated[i]),
            )
            if present[i]
            else PvRow(
                Period.INTERVAL,
                int(start_ms[i]),
                int(end_ms[i]),
                production=None,
                grid_import=None,
                grid_export=None,
                self_use=None,
                consumption=None,
                estimated=False,
            )
            for i in range(rows)
        ]


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A consumption of an interval below zero, by more than its meters explain; energies in mWh."""

    start_ms: int
    end_ms: int
    consumption: int
    band: int
    points: tuple[str, ...]


def contradiction(aggregation: PvAggregation, row: PvRow, energies: Columns) -> Contradiction | None:
    """Whether the meters of an interval contradict each other. `energies` is one row of the aggregation's `channels`.

    In an estimated interval only the shape is wrong. The band is that of all that was counted, in and out apart: a net
    would hide what the meters have measured.
    """
    if row.consumption is None or row.consumption >= 0 or row.estimated:
        return None
    counted = dict(zip(aggregation.channels, np.abs(energies.energy[0]).tolist(), strict=True))
    gross = [[counted[term.point, IMPORT] + counted[term.point, EXPORT] for term in aggregation.terms]]
    span = np.array([row.start_ms]), np.array([row.end_ms])
    band = int(
        band_of(aggregation.terms, interval_inputs(aggregation.terms, *span, np.array(gross, dtype=np.int64)))[0]
    )
    if row.consumption >= -band:
        return None
    return Contradiction(
        row.start_ms, row.end_ms, row.consumption, band, tuple(term.point for term in aggregation.terms)
    )


def pv_aggregation(site: Site, clocks: Clocks | None = None) -> PvAggregation | None:
    """The PV aggregation of a site; None without a live PV point or without a feed."""
    live = [point for point in site.points if point.counts]
    sources = [p.name for p in live if p.role is Role.PV]
    feeds = [p.name for p in connection_feeds(site)]
    others = [p.name for p in live if p.role in (Role.BACKUP, Role.STORAGE)]
    if not sources or not feeds:
        return None
    boards = {board.name: board for board in site.boards}
    points = [site.point(name) for name in (*sources, *feeds, *others)]
    terms = tuple(term_of(site, p, boards[p.board], 1, clocks) for p in points)
    return PvAggregation(net_plan(site, sources), net_plan(site, feeds), net_plan(site, others), terms)


def sum_pv(parent: Parent, rows: Sequence[PvRow], expected: int) -> PvRow:
    """PV figures of a longer period from those of its parts; missing with any missing part."""
    whole = len(rows) == expected and all(row.production is not None for row in rows)

    def add(name: str) -> int | None:
        return sum(getattr(row, name) for row in rows) if whole else None

    return PvRow(
        parent.period,
        parent.start_ms,
        parent.end_ms,
        production=add("production"),
        grid_import=add("grid_import"),
        grid_export=add("grid_export"),
        self_use=add("self_use"),
        consumption=add("consumption"),
        estimated=whole and any(row.estimated for row in rows),
    )
