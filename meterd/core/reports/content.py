"""The month's or year's report as values: everything a document says, and nothing about how it looks.

The same rows give the same report, whenever it is made: no clock enters, the report says up to when its figures go.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from meterd.core.energy.load_profile import HoursByDays
from meterd.core.model.finding import FindingRow
from meterd.core.model.finding_cause import EVENTS, blames_a_meter
from meterd.core.model.forecast import ForecastScore
from meterd.core.model.periods import Period
from meterd.core.model.plan import PointState, Site
from meterd.core.model.results import BalanceRow, PvRow
from meterd.core.pv.figures import ratio
from meterd.core.pv.performance import Performance
from meterd.core.registers.corrections import Correction
from meterd.core.reports.comparison import PeriodFigures
from meterd.core.reports.cost import PeriodCost
from meterd.core.reports.courses import FeederCourse, LoadCourse, feeder_course, load_course, load_hours
from meterd.core.reports.figures import (
    Group,
    Intervals,
    Peak,
    PointLine,
    Quality,
    Step,
    area_of,
    grouped,
    peaks,
    point_line,
    steps,
)
from meterd.core.savings.savings import PlannedSaving
from meterd.core.sharing.history import ShareRow, SharingEffect, sharing_effect

TOP_PEAKS = 5
CAUTIONS = ("qualified", "secondary", "screen", "feedback", "protective", "billing", "local")  # design.md 11


@dataclass(frozen=True, slots=True)
class Change:
    """Figures of the period that were changed after they were closed: why, how many, and the newest time."""

    reason: str
    figures: int
    newest_ms: int


@dataclass(frozen=True, slots=True)
class Revision:
    """What the report was made from and with."""

    plan: str  # fingerprint
    program: str
    schema: int


@dataclass(frozen=True, slots=True)
class Span:
    """The period of the calendar, the end of its last closed interval, and where the history begins if that is in it."""

    period: Period
    from_ms: int
    until_ms: int
    known_ms: int
    begun_ms: int | None = None

    @property
    def over(self) -> bool:
        """Whether all of it is closed."""
        return self.known_ms >= self.until_ms

    @property
    def since_ms(self) -> int:
        """From when on there is something to add up."""
        return self.from_ms if self.begun_ms is None else self.begun_ms


@dataclass(frozen=True, slots=True)
class ReportData:
    """Rows of the stored figures that the report is made from. `begins` are the days of a month or the months of a year."""

    span: Span
    begins: tuple[int, ...]
    intervals: Intervals
    balances: tuple[BalanceRow, ...]  # of the whole period, one per board
    verdicts: Mapping[str, Mapping[str, int]]  # board -> verdict -> number of intervals
    pv: PvRow | None
    shares: tuple[ShareRow, ...]
    findings: tuple[FindingRow, ...]  # every life of every finding
    corrections: tuple[Correction, ...]
    changes: tuple[Change, ...]
    revision: Revision
    found_ms: Mapping[tuple[str, int], int] = field(
        default_factory=dict
    )  # (finding, number of its life) -> when it was found
    performance: tuple[Performance, ...] = ()  # of each array whose irradiance is read
    forecasts: tuple[ForecastScore, ...] = ()  # how good those were that were given out in it
    cost: PeriodCost | None = None  # None without a tariff
    compared: tuple[PeriodFigures, ...] = ()  # the period and earlier ones, those that are whole
    savings: tuple[PlannedSaving, ...] = ()  # of the measures of the plan, in the period


@dataclass(frozen=True, slots=True)
class ReportFinding:
    """A finding that concerns the period: when it was found, and from when until when it held (None = to the end or longer)."""

    row: FindingRow
    found_ms: int
    from_ms: int
    until_ms: int | None


@dataclass(frozen=True, slots=True)
class BoardLine:
    """The balance of one board in the period, and how its intervals came out."""

    row: BalanceRow
    inside: int
    outside: int
    not_computable: int


@dataclass(frozen=True, slots=True)
class PvPart:
    """PV figures, made per interval and then summed. `shared` is the surplus that was shared, if it was."""

    row: PvRow
    self_consumption: float | None
    self_sufficiency: float | None
    shared: SharingEffect | None
    modes: tuple[str, ...]
    decided: int  # intervals in which shares were decided on


@dataclass(frozen=True, slots=True)
class Report:
    """All that the document says."""

    span: Span
    points: tuple[PointLine, ...]
    areas: tuple[Group, ...]
    tenants: tuple[Group, ...]
    boards: tuple[BoardLine, ...]
    peaks: tuple[Peak, ...]
    steps: tuple[Step, ...]
    pv: PvPart | None
    quality: Quality
    changes: tuple[Change, ...]
    corrections: tuple[Correction, ...]
    findings: tuple[ReportFinding, ...]
    revision: Revision
    performance: tuple[Performance, ...] = ()
    forecasts: tuple[ForecastScore, ...] = ()
    cost: PeriodCost | None = None
    load: LoadCourse | None = None
    hours: HoursByDays | None = None  # the consumption of the site
    feeders: FeederCourse | None = None
    compared: tuple[PeriodFigures, ...] = ()
    savings: tuple[PlannedSaving, ...] = ()


def make_report(site: Site, data: ReportData) -> Report:
    """Build the report; a figure that is missing stays missing in it."""
    step_ms = site.interval_s * 1000
    there = [p for p in site.points if p.counts or p.state is PointState.RETIRED]
    read = {point for point, _ in data.intervals.channels}
    lines = tuple(point_line(data.intervals, point, step_ms) for point in there if point.counts or point.name in read)
    span, end_ms = data.span, min(data.span.until_ms, data.span.known_ms)
    return Report(
        span=span,
        points=lines,
        areas=grouped(site, lines, area_of),
        tenants=grouped(site, lines, lambda point: point.tenant),
        boards=tuple(_board(row, data.verdicts.get(row.board, {})) for row in data.balances),
        peaks=peaks(data.intervals, site, step_ms, count=TOP_PEAKS),
        steps=steps(data.intervals, site, data.begins, end_ms),
        pv=_pv(site, data),
        quality=sum((line.quality for line in lines), Quality()),
        changes=data.changes,
        corrections=_corrections_in_force(data.corrections, span),
        findings=of_period(data.findings, data.found_ms, span),
        revision=data.revision,
        performance=data.performance,
        forecasts=data.forecasts,
        cost=data.cost,
        compared=data.compared,
        savings=data.savings,
        load=load_course(data.intervals, site, span.period, (span.since_ms, end_ms)),
        hours=load_hours(data.intervals, site, (span.since_ms, end_ms)),
        feeders=feeder_course(data.intervals, site, data.begins, end_ms),
    )


def _board(row: BalanceRow, verdicts: Mapping[str, int]) -> BoardLine:
    return BoardLine(
        row, verdicts.get("inside", 0), verdicts.get("outside", 0), verdicts.get("not computable", 0)
    )  # fmt: skip


def _pv(site: Site, data: ReportData) -> PvPart | None:
    row, rows = data.pv, data.shares
    if row is None:
        return None
    return PvPart(
        row,
        ratio(row.self_use, row.production),
        ratio(row.self_use, row.consumed),
        sharing_effect(rows, [c.name for c in site.consumers]) if rows else None,
        tuple(sorted({share_row.mode for share_row in rows})),
        len(rows),
    )


def _corrections_in_force(corrections: Sequence[Correction], span: Span) -> tuple[Correction, ...]:
    """Corrections that touch the period and were not withdrawn, in the order of their begin."""
    results = [
        c for c in corrections if c.withdrawn_ms is None and c.from_ms < span.until_ms and c.end_ms > span.from_ms
    ]
    return tuple(sorted(results, key=lambda c: (c.from_ms, c.point, c.id)))


def of_period(
    rows: Sequence[FindingRow], results: Mapping[tuple[str, int], int], span: Span
) -> tuple[ReportFinding, ...]:
    """Findings that concern the period, whenever they were made, the oldest first.

    Those that were open at its end; those whose evidence lies in it though they were found later; and every meter that was
    wrong in it, also one that was corrected before its end. `results` says when each life of a finding was found.
    """
    listed = []
    for row in rows:
        when = results.get((row.finding.id, row.number), row.first_ms)
        if not row.part_of and _concerns(row, when, span):
            ended = _ended(row)
            until = None if ended is None or ended >= min(span.until_ms, span.known_ms) else ended
            listed.append(ReportFinding(row, when, min(row.finding.at_ms, row.first_ms), until))
    return tuple(
        sorted(
            listed,
            key=lambda report_finding: (
                report_finding.from_ms,
                report_finding.row.finding.id,
                report_finding.row.number,
            ),
        )
    )


def _ended(row: FindingRow) -> int | None:
    return row.last_ms if row.finding.cause in EVENTS else row.closed_ms


def _concerns(row: FindingRow, found_ms: int, span: Span) -> bool:
    low, high = span.from_ms, min(span.until_ms, span.known_ms)
    begin, ended = min(row.finding.at_ms, row.first_ms), _ended(row)
    if row.first_ms < high and (row.closed_ms is None or row.closed_ms >= max(high, low)):
        return True  # open at the end: what was closed later was still open then, so the report does not change by it
    inside = begin < high and (ended is None or ended >= low)
    return inside and (found_ms >= high or blames_a_meter(row.finding.cause))


@dataclass(frozen=True, slots=True)
class DocumentRequest:
    """A document somebody wants: `kind` and `form` (pdf, xlsx) as the page lists them, `words` a local month or year.

    `point` or `board` is whose acceptance form it is to be, `tenant` whose statement.
    """

    kind: str
    form: str
    words: str
    language: str
    point: str = ""
    board: str = ""
    tenant: str = ""
