"""Page "point": what is this point? Without a name all points, board by board, with their newest value."""

from collections.abc import Iterable, Mapping
from typing import Annotated

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.adapters.texts.near_points import near_points
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, Values, basis, former, snapshot_of
from meterd.adapters.web.pages.point_detail import PointDetail, detail
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.plan import Point, Site
from meterd.core.model.reading import IMPORT, POWER
from meterd.core.model.snapshot import Now, Snapshot


class PointLine(Values):
    """A point in short: its newest value (power in W, else the register in mWh) and when that was.

    `hidden`: figures of this room are not for this viewer. `findings` counts the open ones. `pattern`: it is a copy of one
    drawn point; `ordinary` copies are in service, deliver or are hidden, and have no finding. `silent`: it has no value.
    """

    point: str
    title: str
    role: str
    below: str | None
    place: str
    designation: str
    state: str
    watt: int | None
    register_mwh: int | None
    at_ms: int | None
    hidden: bool
    findings: int
    pattern: str = ""
    ordinary: bool = False
    silent: bool = False


class BoardPoints(Values):
    """The points of one board, its own terms first, what hangs below a feeder after it."""

    board: str
    title: str
    points: list[PointLine]


class PointView(PageValues):
    """All points, or one in full (`one`), with those behind it (`behind`)."""

    boards: list[BoardPoints]
    chosen: PointDetail | None
    one = former("chosen", PointDetail | None)
    behind: list[PointLine]


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    point: Annotated[str, Query(max_length=100)] = "",
) -> PointView:
    """One point by its name or a former name, or the list."""
    site = context.backend.site
    patterns = {name: copied.pattern for copied in site.copied for name in copied.points}
    lines = {p.name: _in_row(_line(p, snapshot, viewer, site), p, patterns.get(p.name, "")) for p in site.points}
    if not point:
        return PointView(basis=basis(context.backend, snapshot), boards=_boards(site, lines), chosen=None, behind=[])
    chosen = named(site, point)
    if chosen is None:
        raise unknown(site, point)
    behind = [lines[point.name] for point in site.below(chosen.name)]
    return PointView(
        basis=basis(context.backend, snapshot),
        boards=[],
        chosen=detail(context, viewer, snapshot, chosen),
        behind=behind,
    )


def named(site: Site, name: str) -> Point | None:
    """The point of a name or a former name."""
    return next((point for point in site.points if name in (point.name, *point.aliases)), None)


def unknown(site: Site, name: str) -> HTTPException:
    """What is answered where the plan has no point of a name: the nearest ones, which may have been meant."""
    near = ", ".join(near_points(site, name))
    return HTTPException(404, f"the plan has no point {name}" + (f"; did you mean {near}?" if near else ""))


def _boards(site: Site, lines: Mapping[str, PointLine]) -> list[BoardPoints]:
    return [
        BoardPoints(
            board=board.name,
            title=board.title,
            points=[lines[point.name] for point in _in_order(site.points_of(board.name))],
        )
        for board in site.boards
    ]


def _in_order(points: Iterable[Point]) -> list[Point]:
    """What hangs below a feeder follows it."""
    several = list(points)
    upper = [point for point in several if point.below is None]
    return [point for top in upper for point in (top, *(p for p in several if p.below == top.name))]


def _line(point: Point, snapshot: Snapshot, viewer: Viewer, site: Site) -> PointLine:
    hidden = not viewer.sees(point.name, site)
    power = None if hidden else snapshot.instant.get((point.name, POWER))
    register = None if hidden else snapshot.counters.get((point.name, IMPORT))
    newest = power or register
    return PointLine(
        point=point.name,
        title=point.title,
        role=point.role,
        below=point.below,
        place=point.place,
        designation=point.designation,
        state=point.state,
        watt=None if power is None else round(power.value),
        register_mwh=None if power is not None or register is None else round(register.value * 1000),
        at_ms=_at(newest),
        hidden=hidden,
        silent=newest is None and not hidden,
        findings=0
        if hidden
        else sum(point.name in (finding.subject, *finding.points) for finding in snapshot.findings),
    )


def _in_row(line: PointLine, point: Point, pattern: str) -> PointLine:
    """A copy of a drawn point with what tells whether anything about it is special."""
    ordinary = bool(pattern) and point.counts and not line.findings and (line.hidden or line.at_ms is not None)
    return line.model_copy(update={"pattern": pattern, "ordinary": ordinary})


def _at(now: Now | None) -> int | None:
    return None if now is None else now.at_ms
