"""What the answers of all pages share: when they were true, on what they rest, findings in short."""

from collections.abc import Sequence
from datetime import UTC, datetime
from operator import attrgetter
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends
from pydantic import BaseModel, ConfigDict, JsonValue, computed_field
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Viewer, WebBackend
from meterd.adapters.web.request_context import RequestContext, context_of
from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import rank
from meterd.core.model.periods import HOUR_MS, Period, bounds, from_ms, to_ms
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot

LEAST_EQUAL = 4  # rows that are shown as one line; fewer are read as fast one by one


class Values(BaseModel):
    """Answers are frozen and say what they hold."""

    model_config = ConfigDict(frozen=True, defer_build=True)


def former(field: str, kind: object) -> Any:
    """A field under its name of version 0.2, which programs read; it holds the same and goes with the next version."""
    extra: dict[str, JsonValue] = {"deprecated": True}  # `deprecated=` would warn at every answer
    decorate = computed_field(return_type=kind, description=f"former name of {field}", json_schema_extra=extra)
    return decorate(property(attrgetter(field)))


class Basis(Values):
    """On what a page rests: the moment of the snapshot, its oldest figure, the interval in which energies are netted."""

    at_ms: int
    oldest_ms: int | None
    netting_s: int
    zone: str


class PageValues(Values):
    """What every page says besides its answer."""

    basis: Basis


class FindingLine(Values):
    """A finding in short."""

    id: str
    cause: str
    subject: str
    text: str
    remedy: str
    state: str
    first_ms: int
    last_ms: int
    points: list[str]
    evidence: list[str]


def snapshot_of(context: Annotated[RequestContext, Depends(context_of)]) -> Snapshot:
    """The snapshot; 503 before there is one."""
    snapshot = context.backend.snapshot()
    if snapshot is None:
        raise HTTPException(503, "there is no live picture yet; the daemon has just started")
    return snapshot


def basis(backend: WebBackend, snapshot: Snapshot) -> Basis:
    """On what a page made of this snapshot rests."""
    site = backend.site
    oldest = oldest_figure(snapshot)
    return Basis(
        at_ms=snapshot.now_ms,
        oldest_ms=None if oldest is None else oldest[1],
        netting_s=site.interval_s,
        zone=site.zone,
    )


def oldest_figure(snapshot: Snapshot) -> tuple[str, int] | None:
    """The live point whose newest value is the oldest, and when that was; None if no live point is read.

    A point that has sent nothing yet has no figure; it is among the stale ones.
    """
    newest: dict[str, int] = {}
    for table in (snapshot.counters, snapshot.instant):
        for (point, _), now in table.items():
            newest[point] = max(newest.get(point, 0), now.at_ms)
    counting = {p.name for p in snapshot.site.points if p.counts}
    results = [(at, point) for point, at in newest.items() if point in counting]
    return (min(results)[1], min(results)[0]) if results else None


def finding_line(finding: Finding) -> FindingLine:
    """A finding as it is listed."""
    life = finding.life
    return FindingLine(
        id=finding.id,
        cause=finding.cause,
        subject=finding.subject,
        text=finding.text,
        remedy=finding.remedy,
        state="new" if life is None else str(life.state),
        first_ms=finding.at_ms if life is None else life.first_ms,
        last_ms=finding.at_ms if life is None else life.last_ms,
        points=list(finding.points),
        evidence=list(finding.evidence),
    )


_DEALT_WITH = {"new": 0, "seen": 1, "explained": 2}


def urgency(finding: Finding) -> tuple[int, int, int]:
    """Sorts findings: the one to deal with first comes first; of equal ones the older."""
    line = finding_line(finding)
    return _DEALT_WITH.get(line.state, 3), rank(finding.cause), line.first_ms


def visible(findings: tuple[Finding, ...], viewer: Viewer, site: Site) -> list[Finding]:
    """The findings whose points this viewer may see, most urgent first."""
    seen = [
        finding for finding in findings if all(viewer.sees(point, site) for point in (finding.subject, *finding.points))
    ]
    return sorted(seen, key=urgency)


def hidden_count(findings: Sequence[Finding], viewer: Viewer, site: Site) -> int:
    """How many open findings this viewer may not see: those of single rooms. Explained ones do not count."""
    seen = {finding.id for finding in visible(tuple(findings), viewer, site)}
    return sum(finding.id not in seen and finding_line(finding).state != "explained" for finding in findings)


def title_of(site: Site, name: str) -> str:
    """What people call a point; its name if the plan does not know it."""
    return wording.point_titles(site).get(name, name)


def equal_rows(site: Site, rows: Sequence[Any], *names: str) -> tuple[list[Any], list[tuple[str, list[Any]]]]:
    """Rows of points in their order, and beside them, by pattern, those of LEAST_EQUAL copies and more that are all alike.

    Alike: the attributes of these names (`share.missing` of a part) are the same. Each row names its `point`.
    """
    patterns = {name: copied.pattern for copied in site.copied for name in copied.points}
    wanted, groups = attrgetter("point", *names), dict[str, list[Any]]()
    for row in rows:
        if row.point in patterns:
            groups.setdefault(repr((patterns[row.point], wanted(row)[1:])), []).append(row)
    alike = [group for group in groups.values() if len(group) >= LEAST_EQUAL]
    collapsed = {id(row) for group in alike for row in group}
    return [row for row in rows if id(row) not in collapsed], [(patterns[group[0].point], group) for group in alike]


def month_start(month: str | None, now_ms: int, zone: ZoneInfo) -> int:
    """Start of a local month written as 2026-05, of the running one without; 422 for a month that cannot be."""
    if month is None:
        return bounds(Period.MONTH, now_ms, zone, HOUR_MS)[0]
    try:
        moment = datetime(int(month[:4]), int(month[5:]), 15, tzinfo=UTC)
    except ValueError as exc:
        raise HTTPException(422, f"{month} is not a month; write it as 2026-05") from exc
    if not 1970 < moment.year < 2200:
        raise HTTPException(422, f"the year {moment.year} cannot be")
    return bounds(Period.MONTH, to_ms(moment), zone, HOUR_MS)[0]


def month_name(start_ms: int, zone: ZoneInfo) -> str:
    """A local month as it is asked for: 2026-05."""
    return from_ms(start_ms).astimezone(zone).strftime("%Y-%m")


def months_between(span: tuple[int, int], zone: ZoneInfo) -> list[str]:
    """The local months of a span of figures, the newest first, at most three years of them."""
    results: list[str] = []
    at = span[1]
    while at >= span[0] and len(results) < 36:
        low = bounds(Period.MONTH, at, zone, HOUR_MS)[0]
        results.append(month_name(low, zone))
        at = low - 1
    return results
