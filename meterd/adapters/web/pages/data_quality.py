"""Page "data": what is missing, estimated, late, frozen; which clock is wrong? And what happens by the calendar."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.common import FindingLine, PageValues, Values, basis, finding_line, snapshot_of
from meterd.adapters.web.list_part import ListPart, NamePiece, PartNumber, part_of
from meterd.adapters.web.pages.overview import read_points, silent_points
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.checks.staleness import Arrivals
from meterd.core.energy.completeness import Completeness, completeness, intervals_due, together
from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import Effect, Source, Urgency, cause_of
from meterd.core.model.job_rules import JobStatus, job_statuses
from meterd.core.model.periods import Period, bounds, label, starts
from meterd.core.model.plan import Point, PointState, Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import Channel
from meterd.core.model.snapshot import Snapshot

CLOSED_TO = "closed_to_ms"  # the fact that says up to when intervals are closed
SILENT, FROZEN, CLOCK = "silent", "frozen", "clock"
_CAUSES = {"stale": SILENT, "silent": SILENT, "nothing-received": SILENT, "frozen-value": FROZEN, "meter-clock": CLOCK}


class Share(Values):
    """Interval figures that there should be, that are missing and that are estimated; parts are ratios, None = undefined."""

    of: int
    missing: int
    estimated: int
    missing_part: float | None
    estimated_part: float | None
    estimated_energy_part: float | None


class PointRow(Values):
    """One point: its share in the month, and how it delivers now.

    `last_ms` is the last arrival, or the time of the newest value where nothing has arrived since the start (`arrived`
    false). `offset_ms` is meter clock minus ours; None = it sends no time of its own, or was not heard yet. `wrong` holds
    `silent`, `frozen` or `clock`.
    """

    point: str
    title: str
    state: str
    share: Share
    last_ms: int | None
    arrived: bool
    offset_ms: int | None
    wrong: list[str]


class SourceRow(Values):
    """One data source: `state` is connected, away, asking or resting; `age_s` since its last delivery."""

    name: str
    protocol: str
    state: str
    age_s: float | None
    detail: str
    points: int


class JobRow(Values):
    """A job of the calendar: `state` of its newest run, when that ended, when it is begun next (None = never).

    `reason` says why one does not run; `words` what the newest run did, or why it failed.
    """

    job: str
    at: str
    rhythm: str
    state: str
    slot: str
    tries: int
    last_ms: int | None
    next_ms: int | None
    words: str
    reason: str


class DataView(PageValues):
    """The answer for one month, counted from `from_ms` up to `until_ms`; the worst point first.

    `points` are those of one `list_part`; `wrong` of all points do not deliver as they should. `hidden` single rooms are left
    out of `points`; they are in `total`. `unheard` of `live` points have sent nothing yet.
    """

    month: str
    months: list[str]
    start_ms: int
    from_ms: int
    until_ms: int
    total: Share
    points: list[PointRow]
    list_part: ListPart
    wrong: int
    hidden: int
    unheard: int
    live: int
    sources: list[SourceRow]
    findings: list[FindingLine]
    jobs: list[JobRow]


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    month: Annotated[str, Query(pattern=r"^([0-9]{4}-[0-9]{2})?$")] = "",
    part: PartNumber = 1,
    named: NamePiece = "",
) -> DataView:
    """The quality of a month, that of the present one if none is named, and the deliveries of now."""
    site = context.backend.site
    with context.backend.reader() as reads:
        months = _months(reads, site, snapshot.now_ms)
        if month and month not in months:
            raise HTTPException(404, f"there are no figures of {month}")
        start, end = months[month or next(reversed(months))]
        span = _counted(reads, site, (start, end))
        shares = _shares(reads, site, span)
        jobs = [_job(status) for status in job_statuses(site, reads.fact, snapshot.now_ms)]
    rows = _rows(site, shares, _Live(snapshot, context.backend.arrivals()))
    seen = [row for row in rows if viewer.sees(row.point, site)]
    points, list_part = part_of(sorted(seen, key=_worst), part, named, lambda row: (row.point, row.title))
    return DataView(
        basis=basis(context.backend, snapshot),
        month=month or next(reversed(months)),
        months=list(months),
        start_ms=start,
        from_ms=span[0],
        until_ms=span[1],
        total=_share(together(shares.values())),
        points=points,
        list_part=list_part,
        wrong=sum(bool(row.wrong) for row in rows),
        hidden=len(rows) - len(seen),
        unheard=len(silent_points(snapshot)),
        live=len(read_points(snapshot)),
        sources=_sources(context),
        findings=[finding_line(finding) for finding in _about_sources(snapshot.findings, site)],
        jobs=jobs,
    )


# -- the month ---------------------------------------------------------------------------------------------------------


def _months(reads: Reads, site: Site, now_ms: int) -> dict[str, tuple[int, int]]:
    """Every local month with figures, oldest first; at least the present one."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    stored = reads.span(Period.INTERVAL)
    first = now_ms if stored is None else min(stored[0], now_ms)
    low = bounds(Period.MONTH, first, zone, step)[0]
    begins = starts(Period.MONTH, low, now_ms, zone, step) or [low]
    return {label(Period.MONTH, item, zone): bounds(Period.MONTH, item, zone, step) for item in begins}


def _counted(reads: Reads, site: Site, month: tuple[int, int]) -> tuple[int, int]:
    """The part of a month in which figures are due: from the first one in the stored figures up to what is closed."""
    stored, closed_to = reads.span(Period.INTERVAL), reads.fact(CLOSED_TO)
    if stored is None:
        return month[0], month[0]
    until = int(closed_to) if closed_to else stored[1] + site.interval_s * 1000
    low = max(month[0], stored[0])
    return low, max(low, min(month[1], until))


def _shares(reads: Reads, site: Site, span: tuple[int, int]) -> dict[str, Completeness]:
    """Completeness of all cumulative registers of each point that is read."""
    channels: dict[str, list[Channel]] = {}
    retired = {point.name for point in site.points if point.state is PointState.RETIRED}
    for row in site.inputs:
        if REGISTERS[row.register].cumulative and row.point not in retired:
            channels.setdefault(row.point, []).append((row.point, row.register))
    stored_energies = iter(reads.stored_energies([item for several in channels.values() for item in several], *span))
    parts = {}
    for point, several in channels.items():
        fitted = [(instrument.from_ms, instrument.until_ms) for instrument in site.instruments_of(point)]
        due = intervals_due(span, fitted, site.interval_s * 1000)
        parts[point] = together(completeness(next(stored_energies), due) for _ in several)
    return parts


def _share(item: Completeness) -> Share:
    return Share(
        of=item.of,
        missing=item.missing,
        estimated=item.estimated,
        missing_part=item.missing_part,
        estimated_part=item.estimated_part,
        estimated_energy_part=item.estimated_energy_part,
    )


def _job(status: JobStatus) -> JobRow:
    rule, record = status.rule, status.record
    return JobRow(
        job=rule.name,
        at=f"{rule.hour:02d}:{rule.minute:02d}",
        rhythm=rule.rhythm,
        state=record.state,
        slot=record.slot,
        tries=record.tries,
        last_ms=record.ended_ms or None,
        next_ms=status.next_ms,
        words=record.words,
        reason=rule.off,
    )


# -- now ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Live:
    """What is known of the deliveries at this moment."""

    snapshot: Snapshot
    arrivals: Mapping[str, Arrivals]

    def newest(self) -> dict[str, int]:
        """Time of the newest value of each point."""
        results: dict[str, int] = {}
        for table in (self.snapshot.counters, self.snapshot.instant):
            for (point, _), now in table.items():
                results[point] = max(results.get(point, 0), now.at_ms)
        return results

    def wrong(self) -> dict[str, set[str]]:
        """What the open findings say of each point's deliveries."""
        results: dict[str, set[str]] = {}
        for finding in self.snapshot.findings:
            if word := _word(finding.cause):
                for point in (*finding.points, finding.subject):
                    results.setdefault(point, set()).add(word)
        return results


def _word(cause: str) -> str:
    """What a cause says of the deliveries of its points; empty for one that says nothing of them."""
    row = cause_of(cause)
    if row is None or row.effect not in (Effect.SILENT, Effect.WRONG):
        return ""
    if row.effect is Effect.SILENT:
        return SILENT
    if row.source is Source.CLOCK:
        return CLOCK
    return FROZEN if row.urgency is Urgency.PART else ""  # values come, and the meter is not seen through them


def _rows(site: Site, shares: Mapping[str, Completeness], live: _Live) -> list[PointRow]:
    newest, wrong = live.newest(), live.wrong()
    points = {point.name: point for point in site.points}
    return [_row(points[name], share, live, known=(newest, wrong)) for name, share in shares.items()]


def _row(
    point: Point, share: Completeness, live: _Live, known: tuple[Mapping[str, int], Mapping[str, set[str]]]
) -> PointRow:
    newest, findings = known
    arrivals = live.arrivals.get(point.name)
    offset = None if arrivals is None else arrivals.offset_ms
    return PointRow(
        point=point.name,
        title=point.title,
        state=point.state,
        share=_share(share),
        last_ms=newest.get(point.name) if arrivals is None else arrivals.received_ms,
        arrived=arrivals is not None,
        offset_ms=offset,
        wrong=sorted(findings.get(point.name, ())),
    )


def _worst(row: PointRow) -> tuple[int, float, float, str]:
    """What is wrong now comes first, then what is missing, then what is estimated."""
    return -len(row.wrong), -(row.share.missing_part or 0.0), -(row.share.estimated_part or 0.0), row.point


def _sources(context: RequestContext) -> list[SourceRow]:
    site = context.backend.site
    counts: dict[str, set[str]] = {}
    for row in site.inputs:
        counts.setdefault(row.source, set()).add(row.point)
    states = {source_state.name: source_state for source_state in context.backend.health().sources}
    source_rows = []
    for source in site.sources:
        if source.name not in counts:
            continue
        state = states.get(source.name)
        source_rows.append(
            SourceRow(
                name=source.name,
                protocol=source.protocol,
                state="unknown" if state is None else state.state,
                age_s=None if state is None else state.age_s,
                detail="" if state is None else state.detail,
                points=len(counts[source.name]),
            )
        )
    return source_rows


def _about_sources(findings: Iterable[Finding], site: Site) -> Sequence[Finding]:
    """Findings of the data sources, and of refused values."""
    names = {source.name for source in site.sources}
    return [
        finding for finding in findings if finding.subject in names or finding.cause.startswith(("source", "broker"))
    ]
