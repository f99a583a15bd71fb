"""From figures to rows of the books: which parents to sum again, balances of boards, PV figures of the site.

The same functions serve one closed quarter hour of the daemon and a replayed year: columns in, rows out.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.balance import Balance, BoardTerms, balance, board_terms, period_balance
from meterd.figure import BalanceRow, Channel, FigureRow, PvRow
from meterd.interval import MADE_OF, Period, bounds, starts
from meterd.knots import Bools, Ints
from meterd.meter_clock import Clocks
from meterd.reading import EXPORT, IMPORT
from meterd.rollup import Columns, roll_up
from meterd.site import Role, Site
from meterd.surplus import pv_figures


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
        for low, end in _around(intervals, period, closed_to, zone, interval_ms)
    ]


def _around(
    intervals: Sequence[int], period: Period, closed_to: int, zone: ZoneInfo, interval_ms: int
) -> Iterator[tuple[int, int]]:
    end = -(2**62)
    for start in intervals:
        if start >= end:
            low, end = bounds(period, start, zone, interval_ms)
            if end <= closed_to:
                yield low, end


@dataclass(frozen=True, slots=True)
class Parts:
    """What some parents of one kind are summed from: starts of all parts in order, and the row where each sum begins."""

    period: Period
    start_ms: Ints
    first: Ints

    @property
    def expected(self) -> Ints:
        """Number of parts of each parent by the calendar."""
        return np.diff(np.append(self.first, len(self.start_ms)))


def parts_of(group: Sequence[Parent], part: Period, zone: ZoneInfo, interval_ms: int) -> Parts:
    """The parts of a kind in parents of one kind, which stand in order."""
    found = [starts(part, parent.start_ms, parent.end_ms, zone, interval_ms) for parent in group]
    first = np.cumsum([0, *map(len, found)])[:-1]
    return Parts(part, np.array([start for one in found for start in one], dtype=np.int64), first)


def sum_of_parts(
    changed: Mapping[Channel, Sequence[int]], group: Sequence[Parent], parts: Parts, columns: Columns
) -> list[FigureRow]:
    """The figures of parents of one kind from the columns of their parts (every part a row, missing ones included).

    `changed` holds the sorted starts of changed intervals by register, in the order of the columns: a parent without
    a change of a register gives no figure of it.
    """
    low, high = np.array([p.start_ms for p in group]), np.array([p.end_ms for p in group])
    touched = [np.searchsorted(own, low) < np.searchsorted(own, high) for own in map(np.asarray, changed.values())]
    rolled = roll_up(columns, parts.first, parts.expected)
    energy, present, flags = rolled.energy.tolist(), rolled.present.tolist(), rolled.flags.tolist()
    return [
        FigureRow(channel, parent.period, parent.start_ms, energy[i][j] if present[i][j] else None, flags[i][j])
        for i, parent in enumerate(group)
        for j, channel in enumerate(changed)
        if touched[j][i]
    ]


@dataclass(frozen=True, slots=True)
class NetPlan:
    """Which registers make the energy of points along their arrow: import less export where it is read."""

    points: tuple[str, ...]
    imports: tuple[Channel, ...]
    exports: tuple[Channel, ...]
    has_export: tuple[bool, ...]

    def net(self, imports: Columns, exports: Columns) -> Columns:
        """Import less export, [T, n]."""
        counted: Bools = np.array(self.has_export, dtype=np.bool_)
        return Columns(
            imports.energy - np.where(counted, exports.energy, 0),
            imports.present & (exports.present | ~counted),
            imports.flags | np.where(counted, exports.flags, 0).astype(np.uint8),
        )


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
class BoardBook:
    """All that is needed to keep the balance of one board."""

    terms: BoardTerms
    plan: NetPlan

    def interval_rows(self, start_ms: Ints, end_ms: Ints, net: Columns) -> list[BalanceRow]:
        """Balances of intervals with their reconciled flows, a row each."""
        result = balance(self.terms.terms, start_ms, end_ms, net.energy, net.present)
        estimated = (net.flags != 0).any(axis=1) if net.flags.shape[1] else np.zeros(len(start_ms), dtype=np.bool_)
        return self._rows(Period.INTERVAL, start_ms, end_ms, result, estimated)

    def period_row(self, parent: Parent, start_ms: Ints, end_ms: Ints, net: Columns) -> BalanceRow:
        """The balance of a longer period from all its intervals."""
        parts = Parts(Period.INTERVAL, start_ms, np.zeros(1, dtype=np.int64))
        return self.period_rows([parent], parts, end_ms, net)[0]

    def period_rows(self, group: Sequence[Parent], parts: Parts, end_ms: Ints, net: Columns) -> list[BalanceRow]:
        """Balances of longer periods of one kind from all their intervals."""
        result = period_balance(self.terms.terms, parts.start_ms, end_ms, net.energy, net.present, first=parts.first)
        rolled = roll_up(net, parts.first, parts.expected)
        return self._rows(
            group[0].period,
            np.array([parent.start_ms for parent in group]),
            np.array([parent.end_ms for parent in group]),
            result,
            (rolled.flags != 0).any(axis=1),
        )

    def _rows(
        self, period: Period, start_ms: Ints, end_ms: Ints, result: Balance, estimated: Bools
    ) -> list[BalanceRow]:
        terms, rows = self.terms, []
        for i in range(len(start_ms)):
            known = bool(result.computable[i])
            flows = zip(result.points, result.reconciled[i].tolist(), strict=True)
            rows.append(
                BalanceRow(
                    board=terms.board,
                    period=period,
                    start_ms=int(start_ms[i]),
                    end_ms=int(end_ms[i]),
                    feed=int(result.feed[i]) if result.feed_present[i] else None,
                    outgoing=int(result.outgoing[i]) if result.outgoing_present[i] else None,
                    residual=int(result.residual[i]) if known else None,
                    band=int(result.band[i]) if known else None,
                    verdict=result.word(i),
                    estimated=bool(estimated[i]) and known,
                    missing=result.missing_points(i),
                    uncovered=terms.uncovered,
                    covered=terms.covered,
                    of=terms.of,
                    reconciled=tuple(flows) if known and period is Period.INTERVAL else (),
                )
            )
        return rows


def board_books(site: Site, clocks: Clocks | None = None) -> dict[str, BoardBook]:
    """One book for each board of the plan; with `clocks`, what was measured of those of its meters."""
    books = {}
    for board in site.boards:
        terms = board_terms(site, board, clocks)
        books[board.name] = BoardBook(terms, net_plan(site, [t.point for t in terms.terms]))
    return books


@dataclass(frozen=True, slots=True)
class PvBook:
    """The registers of the PV figures of the site: production, the connection, and other sources."""

    production: NetPlan
    feeds: NetPlan
    others: NetPlan

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Every register that enters."""
        plans = (self.production, self.feeds, self.others)
        return tuple(channel for plan in plans for channel in (*plan.imports, *plan.exports))

    def interval_rows(
        self, start_ms: Ints, end_ms: Ints, production: Columns, imported: Columns, exported: Columns, others: Columns
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
                int(figures.production[i]),
                int(imported.energy[i].sum()),
                int(figures.export[i]),
                int(figures.self_use[i]),
                int(figures.consumption[i]),
                bool(estimated[i]),
            )
            if present[i]
            else PvRow(Period.INTERVAL, int(start_ms[i]), int(end_ms[i]), None, None, None, None, None, False)
            for i in range(rows)
        ]


def pv_book(site: Site) -> PvBook | None:
    """The PV book of a site; None without a live PV point or without a feed."""
    live = [point for point in site.points if point.counts]
    sources = [p.name for p in live if p.role is Role.PV]
    feeds = [p.name for p in live if p.role is Role.FEED]
    others = [p.name for p in live if p.role in (Role.BACKUP, Role.STORAGE)]
    if not sources or not feeds:
        return None
    return PvBook(net_plan(site, sources), net_plan(site, feeds), net_plan(site, others))


def sum_pv(parent: Parent, rows: Sequence[PvRow], expected: int) -> PvRow:
    """PV figures of a longer period from those of its parts; missing with any missing part."""
    whole = len(rows) == expected and all(row.production is not None for row in rows)

    def add(name: str) -> int | None:
        return sum(getattr(row, name) for row in rows) if whole else None

    return PvRow(
        parent.period,
        parent.start_ms,
        parent.end_ms,
        add("production"),
        add("grid_import"),
        add("grid_export"),
        add("self_use"),
        add("consumption"),
        whole and any(row.estimated for row in rows),
    )
