"""What follows from changed intervals: longer periods, balances and PV figures, written into the store."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.journal import Failure
from meterd.adapters.store.obsolete_periods import local_starts, withdraw
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.late_readings import place_of
from meterd.core.energy.aggregation import (
    BoardAggregation,
    Contradiction,
    NetPlan,
    Parent,
    PvAggregation,
    board_aggregations,
    children_of,
    contradiction,
    parents,
    pv_aggregation,
    sum_in_columns,
    sum_of_children,
    sum_pv,
)
from meterd.core.energy.rollup import Columns
from meterd.core.engine import State
from meterd.core.errors import described
from meterd.core.model.distinct import distinct
from meterd.core.model.periods import DAY_MS, MADE_OF, Period, bounds
from meterd.core.model.plan import Site
from meterd.core.model.results import BalanceRow, Channel, FigureRow
from meterd.core.model.snapshot import PvNow
from meterd.core.pv.figures import ratio
from meterd.core.registers.clock_offsets import Clocks
from meterd.core.registers.register_line import Ints

CLOSED_TO = "closed_to_ms"
PARTS = "parts changed"
ALL = tuple(Period)
LONG = (Period.WEEK, Period.MONTH, Period.YEAR)
LOOK = DAY_MS // 4  # every period is longer
PART = 2_000  # intervals of a long period that are read at once: of forty points a tenth of a second
COLUMNS = ("energy", "present", "flags")
Wanted = Callable[[Parent], bool]


class Sums:
    """Sums of one store and plan. Its methods belong into a transaction of the store."""

    def __init__(self, store: WriteStore, site: Site, zone: ZoneInfo, clocks: Clocks) -> None:
        self._store, self._site, self._zone = store, site, zone
        self.boards: dict[str, BoardAggregation] = {}
        self._pv: PvAggregation | None = None
        self.take_clocks(clocks)

    def take_clocks(self, clocks: Clocks) -> dict[str, BoardAggregation]:
        """From now on bands hold how far the clocks of meters are off; returns the aggregations of the boards."""
        self.boards, self._pv = board_aggregations(self._site, clocks), pv_aggregation(self._site, clocks)
        return self.boards

    def last_balances(self, state: State) -> dict[str, BalanceRow]:
        """The balance of the last closed interval of every board that has one."""
        closed_to = state.closed_to
        if closed_to is None:
            return {}
        start = closed_to - state.interval_ms
        results = {name: self._store.balances(name, Period.INTERVAL, start, closed_to) for name in self.boards}
        return {name: rows[-1] for name, rows in results.items() if rows}

    def last_contradiction(self, state: State) -> Contradiction | None:
        """Whether the meters of the last closed interval give a consumption below zero."""
        aggregation, closed_to = self._pv, state.closed_to
        if aggregation is None or closed_to is None:
            return None
        start = closed_to - state.interval_ms
        rows = self._store.pv(Period.INTERVAL, start, closed_to)
        if not rows or rows[-1].consumption is None or rows[-1].consumption >= 0:
            return None
        energies = self._store.columns(aggregation.channels, Period.INTERVAL, np.array([start], dtype=np.int64))
        return contradiction(aggregation, rows[-1], energies)

    def roll(
        self,
        state: State,
        changed: Sequence[FigureRow],
        now_ms: int,
        reason: str = PARTS,
        *,
        boards: Sequence[Period] = ALL,
        periods: Sequence[Period] = ALL,
    ) -> None:
        """Sum longer periods, balances and PV figures again wherever an interval changed.

        Balances only of the periods `boards`, figures and PV figures only of `periods`.
        """
        if state.closed_to is None:
            return
        if self._store.fact(CLOSED_TO) != str(state.closed_to):  # a tick without news writes nothing
            self._store.set_fact(CLOSED_TO, str(state.closed_to))
        if not changed:
            return
        starts: dict[Channel, list[int]] = defaultdict(list)
        for row in changed:
            starts[row.channel].append(row.start_ms)
        for own in starts.values():
            own.sort()
        self.sum(state, starts, now_ms, reason, boards=boards, periods=periods)

    def sum(
        self,
        state: State,
        starts: dict[Channel, list[int]],
        now_ms: int,
        reason: str,
        *,
        boards: Sequence[Period] = ALL,
        periods: Sequence[Period] = ALL,
    ) -> None:
        """Sum everything that is made of those intervals, sorted by register."""
        mark = (now_ms, reason)
        for group in self._parents(state, {start for own in starts.values() for start in own}):
            if group[0].period in periods:
                self._figures(state, starts, group, mark)
        self._of_sites(state, starts, mark, lambda parent: parent.period in boards, lambda p: p.period in periods)

    def sum_all(self, state: State, span: tuple[int, int], now_ms: int, *, boards: Sequence[Period] = ALL) -> None:
        """Sum everything that ends in a span of closed intervals, as if every interval had changed: a part of a history.

        Parts that follow each other give each longer period once, when its last interval is there.
        """
        low, high = span
        mark, channels = (now_ms, PARTS), self._store.channels()

        def starts_in(period: Period, low: int, high: int) -> dict[Channel, list[int]]:
            starts = {item: self._store.interval_starts(item, low, high, period) for item in channels}
            return {item: some for item, some in starts.items() if some}

        for parents_ in self._parents(state, range(low, high, state.interval_ms)):
            if group := [parent for parent in parents_ if parent.end_ms <= high]:
                part = MADE_OF[group[0].period]
                parts = starts_in(part, group[0].start_ms, group[-1].end_ms)
                children = children_of(group, part, self._zone, state.interval_ms)
                columns = self._store.columns(tuple(parts), part, children.start_ms)
                for figures in sum_in_columns(parts, group, children, columns):
                    self._store.write_columns(figures, now_ms=now_ms, reason=PARTS)
        self._of_sites(
            state,
            starts_in(Period.INTERVAL, low, high),
            mark,
            lambda parent: parent.period in boards and parent.end_ms <= high,
            lambda parent: parent.end_ms <= high,
        )

    def _of_sites(
        self,
        state: State,
        starts: dict[Channel, list[int]],
        mark: tuple[int, str],
        of_boards: Wanted,
        of_pv: Wanted,
    ) -> None:
        """Balances and PV figures of intervals, and of those longer periods around them that are wanted."""
        for name, aggregation in self.boards.items():
            own = _starts_of(aggregation.plan, starts)
            self._try(state, name, partial(self._balance, state, aggregation, own, mark, of_boards))
        self._try(state, self._site.name, partial(self._pv_figures, state, starts, mark, of_pv))

    def sum_long(
        self, state: State, channel: Channel, span: tuple[int, int], last: bool, mark: tuple[int, str]
    ) -> None:
        """Figures of weeks, months and years of a register, and PV figures, that end in a span, each when it is complete.

        After the `last` span of a correction also those that go on behind it. Balances of boards come by themselves.
        """
        low, high = span
        starts = [*range(low, high, LOOK), high - state.interval_ms]
        for parents_ in self._parents(state, starts):
            group = [parent for parent in parents_ if parent.period in LONG and (last or parent.end_ms <= high)]
            if group:
                self._figures(state, {channel: sorted(starts)}, group, mark)
                if self._pv is not None and channel in self._pv.channels:
                    self._try(state, self._site.name, partial(self._pv_sums, state, group, mark))

    def resum(self, state: State, spans: Sequence[tuple[int, int]], now_ms: int) -> int:
        """Sum local periods around spans again after the rules of the zone have changed; how many figures were set aside."""
        begins, count, store = local_starts(self._zone, state.interval_ms), 0, self._store
        for low, high in spans:
            count += withdraw(store, (low - 367 * DAY_MS, high + DAY_MS), begins)
            last = high + DAY_MS
            for begin in range(low - DAY_MS, last, 31 * DAY_MS):  # of all registers a month at once fits into memory
                end = min(begin + 31 * DAY_MS, last)
                starts = {item: store.interval_starts(item, begin, end) for item in store.channels()}
                self.sum(state, {item: some for item, some in starts.items() if some}, now_ms, "zone rules changed")
        return count

    def _figures(
        self, state: State, starts: dict[Channel, list[int]], group: Sequence[Parent], mark: tuple[int, str]
    ) -> None:
        children = children_of(group, MADE_OF[group[0].period], self._zone, state.interval_ms)
        columns = self._store.columns(tuple(starts), children.period, children.start_ms)
        rows = sum_of_children(starts, group, children, columns)
        self._store.write_figures(rows, now_ms=mark[0], reason=mark[1])

    def _try(self, state: State, subject: str, step: Callable[[], None]) -> None:
        try:
            step()
        except Failure:
            raise
        except Exception as exc:  # an edge of the house style: one board in the step
            state.failed_boards[subject] = described(exc)

    def _parents(self, state: State, changed: Iterable[int]) -> Iterator[list[Parent]]:
        """Longer periods around changed intervals that are over, kind by kind, parts before their sums."""
        assert state.closed_to is not None, "nothing changes before something was closed"
        results = parents(changed, state.closed_to, self._zone, state.interval_ms)
        for _, group in groupby(results, key=lambda parent: parent.period):
            yield list(group)

    def _net(self, plan: NetPlan, starts: Ints) -> Columns:
        imports = self._store.columns(plan.imports, Period.INTERVAL, starts)
        return plan.net(imports, self._store.columns(plan.exports, Period.INTERVAL, starts))

    def _balance(
        self,
        state: State,
        aggregation: BoardAggregation,
        starts: list[int],
        mark: tuple[int, str],
        wanted: Wanted,
    ) -> None:
        if not starts:
            return
        step = state.interval_ms
        begin = np.array(starts, dtype=np.int64)
        kinds = [[parent for parent in group if wanted(parent)] for group in self._parents(state, starts)]
        kinds = [group for group in kinds if group]
        groups = [(group, children_of(group, Period.INTERVAL, self._zone, step)) for group in kinds]
        # read once for all kinds of periods: for a year of forty points that is most of the work
        grid = distinct(np.concatenate([begin, *(children.start_ms for _, children in groups)]))
        net = self._net(aggregation.plan, grid)
        rows = aggregation.interval_rows(begin, begin + step, _rows_at(net, grid, begin))
        self._store.write_balances(rows, now_ms=mark[0], reason=mark[1])
        for group, children in groups:
            own = _rows_at(net, grid, children.start_ms)
            rows = aggregation.period_rows(group, children, children.start_ms + step, own)
            self._store.write_balances(rows, now_ms=mark[0], reason=mark[1])

    def long_parents(self, state: State, spans: Sequence[tuple[int, int]], after: tuple[int, int]) -> list[Parent]:
        """Weeks, months and years around spans that are over, in their order, behind one of them."""
        assert state.closed_to is not None, "spans are of closed intervals"
        results = {
            parent
            for low, high in spans
            for parent in parents(range(low, high, LOOK), state.closed_to, self._zone, state.interval_ms)
            if parent.period in LONG
        }
        return sorted((parent for parent in results if place_of(parent) > after), key=place_of)

    def long_balances(self, state: State, parent: Parent) -> Iterator[list[BalanceRow] | None]:
        """The balance of each board in one long period, read a part at a time: None after each part, at last the rows."""
        step = state.interval_ms
        children = children_of([parent], Period.INTERVAL, self._zone, step)
        rows: list[BalanceRow] = []
        for aggregation in self.boards.values():
            pieces = []
            for low in range(0, len(children.start_ms), PART):
                pieces.append(self._net(aggregation.plan, children.start_ms[low : low + PART]))
                yield None
            net = Columns(*(np.concatenate([getattr(columns, name) for columns in pieces]) for name in COLUMNS))
            rows += aggregation.period_rows([parent], children, children.start_ms + step, net)
            yield None
        yield rows

    def _pv_figures(
        self, state: State, starts: dict[Channel, list[int]], mark: tuple[int, str], wanted: Wanted
    ) -> None:
        aggregation = self._pv
        if aggregation is None:
            return
        mine = sorted(
            {
                s
                for plan in (aggregation.production, aggregation.feeds, aggregation.others)
                for s in _starts_of(plan, starts)
            }
        )
        if not mine:
            return
        step = state.interval_ms
        begin = np.array(mine, dtype=np.int64)
        rows = aggregation.interval_rows(
            begin,
            begin + step,
            self._net(aggregation.production, begin),
            imported=self._store.columns(aggregation.feeds.imports, Period.INTERVAL, begin),
            exported=self._store.columns(aggregation.feeds.exports, Period.INTERVAL, begin),
            others=self._net(aggregation.others, begin),
        )
        self._store.write_pv(rows, now_ms=mark[0], reason=mark[1])
        for group in self._parents(state, mine):
            if own := [parent for parent in group if wanted(parent)]:
                self._pv_sums(state, own, mark)

    def _pv_sums(self, state: State, group: Sequence[Parent], mark: tuple[int, str]) -> None:
        part = MADE_OF[group[0].period]
        expected = children_of(group, part, self._zone, state.interval_ms).expected.tolist()
        rows = [
            sum_pv(parent, self._store.pv(part, parent.start_ms, parent.end_ms), count)
            for parent, count in zip(group, expected, strict=True)
        ]
        self._store.write_pv(rows, now_ms=mark[0], reason=mark[1])

    def pv_day(self, state: State, now_ms: int) -> PvNow | None:
        """PV figures of the local day so far."""
        if self._pv is None:
            return None
        start, _ = bounds(Period.DAY, now_ms, self._zone, state.interval_ms)
        until = min(now_ms, state.closed_to or 0)
        rows = self._store.pv(Period.INTERVAL, start, until)
        if not rows:
            return PvNow(start, start, None, None, None, None, None)
        total = sum_pv(Parent(Period.DAY, start, rows[-1].end_ms), rows, (until - start) // state.interval_ms)
        return PvNow(
            start,
            total.end_ms,
            total.production,
            export_mwh=total.grid_export,
            self_use_mwh=total.self_use,
            self_consumption=ratio(total.self_use, total.production),
            self_sufficiency=ratio(total.self_use, total.consumed),
            estimated=total.estimated,
            import_mwh=total.grid_import,
            consumption_mwh=total.consumed,
        )


def _rows_at(columns: Columns, grid: Ints, starts: Ints) -> Columns:
    """The rows of some starts, each of which is in the grid."""
    place = np.searchsorted(grid, starts)
    return Columns(columns.energy[place], columns.present[place], columns.flags[place])


def _starts_of(plan: NetPlan, starts: dict[Channel, list[int]]) -> list[int]:
    """Changed intervals of any register of a plan, sorted."""
    return sorted({s for channel in (*plan.imports, *plan.exports) for s in starts.get(channel, ())})
