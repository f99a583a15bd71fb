"""Sheet "data": what is missing, estimated, late, frozen; which clock is wrong?"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.completeness import Completeness, completeness, intervals_due, together
from meterd.figure import Channel
from meterd.finding import Finding
from meterd.interval import Period, bounds, label, starts
from meterd.page import Reads, Viewer
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.view import FindingLine, SheetValues, Values, basis, finding_line, picture
from meterd.reading import REGISTERS
from meterd.site import Point, PointState, Site
from meterd.snapshot import Snapshot
from meterd.staleness import Heard

CLOSED_TO = "closed_to_ms"  # the fact that says up to when intervals are closed
SILENT, FROZEN, CLOCK = "silent", "frozen", "clock"
_CAUSES = {"stale": SILENT, "silent": SILENT, "frozen-value": FROZEN, "meter-clock": CLOCK}


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
    """One way in: `state` is connected, away, asking or resting; `age_s` since its last delivery."""

    name: str
    protocol: str
    state: str
    age_s: float | None
    detail: str
    points: int


class DataView(SheetValues):
    """The answer for one month, counted from `from_ms` up to `until_ms`; the worst point first.

    `hidden` single rooms are left out of `points`; they are in `total`.
    """

    month: str
    months: list[str]
    start_ms: int
    from_ms: int
    until_ms: int
    total: Share
    points: list[PointRow]
    hidden: int
    sources: list[SourceRow]
    findings: list[FindingLine]


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    month: Annotated[str, Query(pattern=r"^([0-9]{4}-[0-9]{2})?$")] = "",
) -> DataView:
    """The quality of a month, without a wish that of the present one, and the deliveries of now."""
    site = office.desk.site
    with office.desk.reader() as reads:
        months = _months(reads, site, snapshot.now_ms)
        if month and month not in months:
            raise HTTPException(404, f"there are no figures of {month}")
        start, end = months[month or next(reversed(months))]
        span = _counted(reads, site, (start, end))
        shares = _shares(reads, site, span)
    rows = _rows(site, shares, _Live(snapshot, office.desk.heard()))
    seen = [row for row in rows if viewer.sees(row.point, site)]
    return DataView(
        basis=basis(office.desk, snapshot),
        month=month or next(reversed(months)),
        months=list(months),
        start_ms=start,
        from_ms=span[0],
        until_ms=span[1],
        total=_share(together(shares.values())),
        points=sorted(seen, key=_worst),
        hidden=len(rows) - len(seen),
        sources=_sources(office),
        findings=[finding_line(one) for one in _about_sources(snapshot.findings, site)],
    )


# -- the month ---------------------------------------------------------------------------------------------------------


def _months(reads: Reads, site: Site, now_ms: int) -> dict[str, tuple[int, int]]:
    """Every local month with figures, oldest first; at least the present one."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    kept = reads.span(Period.INTERVAL)
    first = now_ms if kept is None else min(kept[0], now_ms)
    low = bounds(Period.MONTH, first, zone, step)[0]
    begins = starts(Period.MONTH, low, now_ms, zone, step) or [low]
    return {label(Period.MONTH, one, zone): bounds(Period.MONTH, one, zone, step) for one in begins}


def _counted(reads: Reads, site: Site, month: tuple[int, int]) -> tuple[int, int]:
    """The part of a month in which figures are due: from the first one in the books up to what is closed."""
    kept, closed_to = reads.span(Period.INTERVAL), reads.fact(CLOSED_TO)
    if kept is None:
        return month[0], month[0]
    until = int(closed_to) if closed_to else kept[1] + site.interval_s * 1000
    low = max(month[0], kept[0])
    return low, max(low, min(month[1], until))


def _shares(reads: Reads, site: Site, span: tuple[int, int]) -> dict[str, Completeness]:
    """Completeness of all cumulative registers of each point that is read."""
    channels: dict[str, list[Channel]] = {}
    retired = {point.name for point in site.points if point.state is PointState.RETIRED}
    for row in site.inputs:
        if REGISTERS[row.register].cumulative and row.point not in retired:
            channels.setdefault(row.point, []).append((row.point, row.register))
    kept = iter(reads.kept([one for several in channels.values() for one in several], *span))
    found = {}
    for point, several in channels.items():
        fitted = [(one.from_ms, one.until_ms) for one in site.instruments_of(point)]
        due = intervals_due(span, fitted, site.interval_s * 1000)
        found[point] = together(completeness(next(kept), due) for _ in several)
    return found


def _share(one: Completeness) -> Share:
    return Share(
        of=one.of,
        missing=one.missing,
        estimated=one.estimated,
        missing_part=one.missing_part,
        estimated_part=one.estimated_part,
        estimated_energy_part=one.estimated_energy_part,
    )


# -- now ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Live:
    """What is known of the deliveries at this moment."""

    snapshot: Snapshot
    heard: Mapping[str, Heard]

    def newest(self) -> dict[str, int]:
        """Time of the newest value of each point."""
        found: dict[str, int] = {}
        for table in (self.snapshot.counters, self.snapshot.instant):
            for (point, _), now in table.items():
                found[point] = max(found.get(point, 0), now.at_ms)
        return found

    def wrong(self) -> dict[str, set[str]]:
        """What the open findings say of each point's deliveries."""
        found: dict[str, set[str]] = {}
        for one in self.snapshot.findings:
            if (word := _CAUSES.get(one.cause)) is not None:
                for point in (*one.points, one.subject):
                    found.setdefault(point, set()).add(word)
        return found


def _rows(site: Site, shares: Mapping[str, Completeness], live: _Live) -> list[PointRow]:
    newest, wrong = live.newest(), live.wrong()
    points = {point.name: point for point in site.points}
    return [_row(points[name], share, live, (newest, wrong)) for name, share in shares.items()]


def _row(
    point: Point, share: Completeness, live: _Live, known: tuple[Mapping[str, int], Mapping[str, set[str]]]
) -> PointRow:
    newest, findings = known
    heard = live.heard.get(point.name)
    offset = None if heard is None else heard.offset_ms
    return PointRow(
        point=point.name,
        title=point.title,
        state=point.state,
        share=_share(share),
        last_ms=newest.get(point.name) if heard is None else heard.received_ms,
        arrived=heard is not None,
        offset_ms=offset,
        wrong=sorted(findings.get(point.name, ())),
    )


def _worst(row: PointRow) -> tuple[int, float, float, str]:
    """What is wrong now comes first, then what is missing, then what is estimated."""
    return -len(row.wrong), -(row.share.missing_part or 0.0), -(row.share.estimated_part or 0.0), row.point


def _sources(office: Office) -> list[SourceRow]:
    site = office.desk.site
    counts: dict[str, set[str]] = {}
    for row in site.inputs:
        counts.setdefault(row.source, set()).add(row.point)
    states = {one.name: one for one in office.desk.health().sources}
    found = []
    for source in site.sources:
        if source.name not in counts:
            continue
        state = states.get(source.name)
        found.append(
            SourceRow(
                name=source.name,
                protocol=source.protocol,
                state="unknown" if state is None else state.state,
                age_s=None if state is None else state.age_s,
                detail="" if state is None else state.detail,
                points=len(counts[source.name]),
            )
        )
    return found


def _about_sources(findings: Iterable[Finding], site: Site) -> Sequence[Finding]:
    """Findings of the ways in, and of refused values."""
    names = {source.name for source in site.sources}
    return [one for one in findings if one.subject in names or one.cause.startswith(("source", "broker"))]
