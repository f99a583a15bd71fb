"""The month's or year's report as values: everything a paper says, and nothing about how it looks.

The same rows give the same report, whenever it is made: no clock enters, the report says up to when its figures go.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meterd.correction import Correction
from meterd.figure import BalanceRow, PvRow
from meterd.finding import FindingRow
from meterd.interval import Period
from meterd.report_figures import (
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
from meterd.share_book import ShareRow, WouldHave, would_have
from meterd.site import PointState, Site
from meterd.surplus import ratio

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
    """The period of the calendar, and the end of its last closed interval."""

    period: Period
    from_ms: int
    until_ms: int
    known_ms: int

    @property
    def over(self) -> bool:
        """Whether all of it is closed."""
        return self.known_ms >= self.until_ms


@dataclass(frozen=True, slots=True)
class Material:
    """Rows of the books that the report is made from. `begins` are the days of a month or the months of a year."""

    span: Span
    begins: tuple[int, ...]
    intervals: Intervals
    balances: tuple[BalanceRow, ...]  # of the whole period, one per board
    verdicts: Mapping[str, Mapping[str, int]]  # board -> verdict -> number of intervals
    pv: PvRow | None
    shares: tuple[ShareRow, ...]
    findings: tuple[FindingRow, ...]
    corrections: tuple[Correction, ...]
    changes: tuple[Change, ...]
    revision: Revision


@dataclass(frozen=True, slots=True)
class BoardLine:
    """The balance of one board in the period, and how its intervals came out."""

    row: BalanceRow
    inside: int
    outside: int
    not_computable: int


@dataclass(frozen=True, slots=True)
class PvPart:
    """PV figures, made per interval and then summed. `shared` is what the surplus was handed out as, if it was."""

    row: PvRow
    self_consumption: float | None
    self_sufficiency: float | None
    shared: WouldHave | None
    modes: tuple[str, ...]
    decided: int  # intervals in which shares were decided on


@dataclass(frozen=True, slots=True)
class Report:
    """All that the paper says."""

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
    findings: tuple[FindingRow, ...]
    revision: Revision


def make_report(site: Site, material: Material) -> Report:
    """Build the report; a figure that is missing stays missing in it."""
    step_ms = site.interval_s * 1000
    there = [p for p in site.points if p.counts or p.state is PointState.RETIRED]
    read = {point for point, _ in material.intervals.channels}
    lines = tuple(
        point_line(material.intervals, point, step_ms) for point in there if point.counts or point.name in read
    )
    span = material.span
    return Report(
        span=span,
        points=lines,
        areas=grouped(site, lines, area_of),
        tenants=grouped(site, lines, lambda point: point.tenant),
        boards=tuple(_board(row, material.verdicts.get(row.board, {})) for row in material.balances),
        peaks=peaks(material.intervals, site, step_ms, count=TOP_PEAKS),
        steps=steps(material.intervals, site, material.begins, min(span.until_ms, span.known_ms)),
        pv=_pv(site, material),
        quality=sum((line.quality for line in lines), Quality()),
        changes=material.changes,
        corrections=_standing(material.corrections, span),
        findings=open_at(material.findings, min(span.until_ms, span.known_ms), span.from_ms),
        revision=material.revision,
    )


def _board(row: BalanceRow, verdicts: Mapping[str, int]) -> BoardLine:
    return BoardLine(
        row, verdicts.get("inside", 0), verdicts.get("outside", 0), verdicts.get("not computable", 0)
    )  # fmt: skip


def _pv(site: Site, material: Material) -> PvPart | None:
    row, rows = material.pv, material.shares
    if row is None:
        return None
    return PvPart(
        row,
        ratio(row.self_use, row.production),
        ratio(row.self_use, row.consumption),
        would_have(rows, [c.name for c in site.consumers]) if rows else None,
        tuple(sorted({one.mode for one in rows})),
        len(rows),
    )


def _standing(corrections: Sequence[Correction], span: Span) -> tuple[Correction, ...]:
    """Corrections that touch the period and were not withdrawn, in the order of their begin."""
    found = [c for c in corrections if c.withdrawn_ms is None and c.from_ms < span.until_ms and c.end_ms > span.from_ms]
    return tuple(sorted(found, key=lambda c: (c.from_ms, c.point, c.id)))


def open_at(findings: Sequence[FindingRow], at_ms: int, from_ms: int) -> tuple[FindingRow, ...]:
    """Findings of the period that were not closed at its end, the oldest first.

    What was closed later was still open then: the report of a month does not change when its findings are dealt with.
    """
    found = [
        row
        for row in findings
        if row.first_ms < at_ms and (row.closed_ms is None or row.closed_ms >= max(at_ms, from_ms)) and not row.part_of
    ]
    return tuple(sorted(found, key=lambda row: (row.first_ms, row.finding.id)))
