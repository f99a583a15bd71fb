"""Rows of the stored figures for a report: one moment of the store, also while the daemon writes on."""

from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np

from meterd import __version__
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.dump import ArchiveReader, Row
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.forecast_history import forecast_scores
from meterd.app.operations.pv_accounting import points_of_tenants, share_rows
from meterd.app.operations.pv_performance import read_performance
from meterd.app.operations.question import moment
from meterd.core.energy.aggregation import Parent, board_aggregations, sum_pv
from meterd.core.energy.cost import PeriodAccount
from meterd.core.energy.rollup import Columns
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.errors import ConfigError
from meterd.core.model.finding import FindingRow
from meterd.core.model.periods import DAY_MS, Period, bounds, starts
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import BalanceRow, Channel, PvRow
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in
from meterd.core.registers.corrections import Correction
from meterd.core.reports.comparison import PeriodFigures, compared_with, period_figures
from meterd.core.reports.content import Change, ReportData, Revision, Span
from meterd.core.reports.cost import period_cost
from meterd.core.reports.figures import Intervals
from meterd.core.savings.savings import planned_savings

WITH_CORRECTIONS = 5  # schema of the store; an older one has no corrections, and only its daemon brings it up to date
_PARTS = {Period.MONTH: Period.DAY, Period.YEAR: Period.MONTH}


def period_of(text: str, period: Period, site: Site) -> tuple[int, int]:
    """Begin and end of a local month or year as a person writes it."""
    length = {Period.MONTH: 7, Period.YEAR: 4}[period]
    if len(text) != length:
        right = "2026-03" if period is Period.MONTH else "2026"
        raise ConfigError(f"cannot read --{period} {text!r}; write {right}")
    zone = ZoneInfo(site.zone)
    return bounds(period, moment(text, zone, f"--{period}"), zone, site.interval_s * 1000)


def gather(plan: Plan, path: Path, period: Period, text: str) -> ReportData:
    """Everything of one month or year. ConfigError if the store has no figure of it."""
    low, high = period_of(text, period, plan.site)
    with open_to_read(path) as store, closing(ArchiveReader(path)) as archive:
        stored = store.span(Period.INTERVAL)
        if stored is None or stored[0] >= high or stored[1] < low:
            raise ConfigError(f"the store {path} has no figures of {text}; `meterd energy` shows what it has")
        known = _known_until(plan.site, (max(low, stored[0]), high), stored[1] + plan.site.interval_s * 1000)
        begun = _begun(plan.site, store, (low, known), stored[0])
        return _ReportReader(plan, store, archive, Span(period, low, high, known, begun)).report_data()


def _known_until(site: Site, span: tuple[int, int], kept_ms: int) -> int:
    """Up to when the report goes: a period that is not over goes to the end of its last whole day.

    The newest intervals are no good end: some points have them already and others not yet.
    """
    low, high = span
    if kept_ms >= high:
        return high
    day = bounds(Period.DAY, kept_ms, ZoneInfo(site.zone), site.interval_s * 1000)[0]
    return day if day > low else kept_ms


def _begun(site: Site, store: StoredFigures, span: tuple[int, int], first_ms: int) -> int | None:
    """Where the history begins, if that is in the span: its first interval in which any meter of each board is known.

    Meters begin within minutes of each other: until the last of them has, nothing can be added up.
    """
    low, high = span
    if first_ms <= low:
        return None
    step = site.interval_s * 1000
    grid = np.arange(first_ms, min(high, first_ms + DAY_MS), step, dtype=np.int64)
    read = sorted(
        {
            (meter_input.point, meter_input.register)
            for meter_input in site.inputs
            if meter_input.register in (IMPORT, EXPORT)
        }
    )
    present = store.columns(read, Period.INTERVAL, grid).present
    began = [int(np.argmax(present[:, j])) for j in range(len(read)) if present[:, j].any()]
    return int(grid[max(began, default=0)])


class _ReportReader:
    """Reads one report's rows. Lives as long as both readers are open."""

    def __init__(self, plan: Plan, store: ReadStore, archive: ArchiveReader, span: Span) -> None:
        self._plan, self._site, self._span = plan, plan.site, span
        self._store, self._archive = store, archive
        self._zone, self._step = ZoneInfo(plan.site.zone), plan.site.interval_s * 1000
        self._grid = np.arange(span.since_ms, span.known_ms, self._step, dtype=np.int64)
        self._changed: Counter[str] = Counter()
        self._newest: dict[str, int] = {}

    def report_data(self) -> ReportData:
        """All rows."""
        span, intervals = self._span, self._intervals()
        verdicts = {
            board.name: Counter(str(row[6]) for row in self._rows(board.name, Period.INTERVAL))
            for board in self._site.boards
        }
        part = _PARTS[span.period]
        first = bounds(part, span.since_ms, self._zone, self._step)[0]  # the history may begin in the middle of one
        parts = starts(part, first, span.known_ms, self._zone, self._step)
        begins = [max(start, span.since_ms) for start in parts]
        return ReportData(
            span=span,
            begins=tuple(begins),
            intervals=intervals,
            balances=tuple(self._balances(intervals)),
            verdicts=verdicts,
            pv=self._pv(),
            shares=tuple(share_rows(self._store, self._site, span.from_ms, span.known_ms)),
            findings=tuple(self._findings()),
            found_ms=self._found_ms(),
            performance=read_performance(self._store, self._site, span.from_ms, span.known_ms),
            forecasts=forecast_scores(self._store, self._site, span.from_ms, span.known_ms),
            corrections=self._corrections(),
            changes=tuple(Change(r, n, self._newest[r]) for r, n in sorted(self._changed.items())),
            cost=period_cost(self._account, points_of_tenants(self._site)),
            compared=tuple(self._compared()),
            savings=planned_savings(self._store, self._site, (span.from_ms, span.known_ms)),
            revision=Revision(self._plan.fingerprint, __version__, self._archive.schema),
        )

    @cached_property
    def _account(self) -> PeriodAccount:
        """The period up to where the report goes; the months before it may set its demand."""
        stored = self._store.span(Period.INTERVAL)
        assert stored is not None, "asked before the report is made"
        history = (stored[0], self._span.known_ms)
        return PeriodAccount(self._store, self._site, self._span.period, self._span.from_ms, history)

    def _compared(self) -> Iterator[PeriodFigures]:
        """The period and the earlier ones, if it is whole and one of them is."""
        for account in (self._account, *compared_with(self._account)):
            rows = self._store.pv(account.period, account.start_ms, account.start_ms + 1)
            figures = period_figures(account, rows[0] if rows else None)
            if figures is not None:
                yield figures
            elif account is self._account:
                return

    def _findings(self) -> Iterator[FindingRow]:
        """Every life of every finding."""
        for row in self._store.finding_tables.all():
            yield row
            if row.number > 1:
                yield from self._store.finding_tables.former(row.finding.id)

    def _found_ms(self) -> dict[tuple[str, int], int]:
        """When each of them was noted first: what happened long ago may have been found today."""
        noted: dict[tuple[str, int], int] = {}
        for row in self._store.finding_tables.all():
            for note in self._store.finding_tables.notes(row.finding.id):
                key = (row.finding.id, note.number)
                noted[key] = min(noted.get(key, note.at_ms), note.at_ms)
        return noted

    def _corrections(self) -> tuple[Correction, ...]:
        if self._archive.schema < WITH_CORRECTIONS:
            return ()
        return tuple(self._store.corrections.all())

    # -- energies ------------------------------------------------------------------------------------------------------

    def _intervals(self) -> Intervals:
        wanted = self._channels()
        shape = (len(self._grid), len(wanted))
        columns = Columns(np.zeros(shape, np.int64), np.zeros(shape, np.bool_), np.zeros(shape, np.uint8))
        versions = np.zeros(shape, dtype=np.int64)
        for j, channel in enumerate(wanted):
            if channel not in self._archive.channels:
                continue
            rows = list(self._archive.figures(channel, Period.INTERVAL, self._span.since_ms, self._span.known_ms))
            if not rows:
                continue
            table = np.array(
                [(r[0], 0 if r[1] is None else r[1], r[2], r[3], r[1] is not None) for r in rows], dtype=np.int64
            )
            place = (table[:, 0] - self._span.since_ms) // self._step
            columns.energy[place, j], columns.flags[place, j] = table[:, 1], table[:, 2]
            columns.present[place, j], versions[place, j] = table[:, 4] != 0, table[:, 3]
            self._note_changes(rows)
        return Intervals(self._grid, tuple(wanted), columns, versions)

    def _channels(self) -> list[Channel]:
        read = {(meter_input.point, meter_input.register) for meter_input in self._site.inputs}
        stored = self._archive.channels
        return [
            (point.name, register)
            for point in self._site.points
            for register in (IMPORT, EXPORT)
            if (point.name, register) in read or (point.name, register) in stored
        ]

    def _note_changes(self, rows: list[Row]) -> None:
        for row in rows:
            if cast(int, row[3]) > 1:
                reason = str(row[5])
                self._changed[reason] += 1
                self._newest[reason] = max(self._newest.get(reason, 0), cast(int, row[4]))

    @property
    def _whole(self) -> bool:
        """Whether the store has a figure of its own of the period: it is over, and all of it is history."""
        return self._span.over and self._span.begun_ms is None

    # -- balances and PV -----------------------------------------------------------------------------------------------

    def _rows(self, board: str, period: Period) -> Iterator[Row]:
        return self._archive.balances(board, period, self._span.from_ms, self._span.known_ms)

    def _balances(self, intervals: Intervals) -> Iterator[BalanceRow]:
        """The balance of the whole period as stored; of one that is not over, from its closed intervals."""
        span = self._span
        aggregations = board_aggregations(self._site, clocks_in(self._store.fact(METER_CLOCKS)))
        for board in self._site.boards:
            rows = self._store.balances(board.name, span.period, span.from_ms, span.from_ms + 1) if self._whole else []
            if rows:
                yield replace(rows[0], reconciled=())
                continue
            plan = aggregations[board.name].plan
            net = plan.net(_picked(intervals, plan.imports), _picked(intervals, plan.exports))
            parent = Parent(span.period, span.since_ms, span.known_ms)
            yield aggregations[board.name].period_row(parent, self._grid, self._grid + self._step, net)

    def _pv(self) -> PvRow | None:
        span = self._span
        rows = self._store.pv(span.period, span.from_ms, span.from_ms + 1) if self._whole else []
        if rows:
            return rows[0]
        parts = self._store.pv(Period.INTERVAL, span.since_ms, span.known_ms)
        if not parts:
            return None
        return sum_pv(Parent(span.period, span.since_ms, span.known_ms), parts, len(self._grid))


def _picked(intervals: Intervals, channels: tuple[Channel, ...]) -> Columns:
    """The columns of some registers; missing where one is not read."""
    rows = len(intervals.starts)
    places = [intervals.place(channel) for channel in channels]
    energy = np.zeros((rows, len(places)), dtype=np.int64)
    present, flags = np.zeros(energy.shape, np.bool_), np.zeros(energy.shape, np.uint8)
    for j, place in enumerate(places):
        if place is not None:
            energy[:, j] = intervals.columns.energy[:, place]
            present[:, j], flags[:, j] = intervals.columns.present[:, place], intervals.columns.flags[:, place]
    return Columns(energy, present, flags)
