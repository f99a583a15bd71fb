"""Sheet "point": what is this point? Without a name all points, board by board, with their newest value."""

from collections.abc import Iterable, Mapping
from typing import Annotated

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.page import Viewer
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.point_detail import PointDetail, detail
from meterd.page.view import SheetValues, Values, basis, picture
from meterd.reading import IMPORT, POWER
from meterd.site import Point, Site
from meterd.snapshot import Now, Snapshot


class PointLine(Values):
    """A point in short: its newest value (power in W, else the register in mWh) and when that was.

    `hidden`: figures of this room are not for this viewer. `findings` counts the open ones.
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


class BoardPoints(Values):
    """The points of one board, its own terms first, what hangs below a feeder after it."""

    board: str
    title: str
    points: list[PointLine]


class PointView(SheetValues):
    """All points, or one in full (`one`), with those behind it (`behind`)."""

    boards: list[BoardPoints]
    one: PointDetail | None
    behind: list[PointLine]


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    point: Annotated[str, Query(max_length=100)] = "",
) -> PointView:
    """One point by its name or a former name, or the list."""
    site = office.desk.site
    lines = {one.name: _line(one, snapshot, viewer, site) for one in site.points}
    if not point:
        return PointView(basis=basis(office.desk, snapshot), boards=_boards(site, lines), one=None, behind=[])
    chosen = named(site, point)
    if chosen is None:
        raise HTTPException(404, f"the plan has no point {point}")
    behind = [lines[one.name] for one in site.points if one.below == chosen.name]
    return PointView(
        basis=basis(office.desk, snapshot),
        boards=[],
        one=detail(office, viewer, snapshot, chosen),
        behind=behind,
    )


def named(site: Site, name: str) -> Point | None:
    """The point of a name or a former name."""
    return next((one for one in site.points if name in (one.name, *one.aliases)), None)


def _boards(site: Site, lines: Mapping[str, PointLine]) -> list[BoardPoints]:
    return [
        BoardPoints(
            board=board.name,
            title=board.title,
            points=[lines[one.name] for one in _in_order(p for p in site.points if p.board == board.name)],
        )
        for board in site.boards
    ]


def _in_order(points: Iterable[Point]) -> list[Point]:
    """What hangs below a feeder follows it."""
    several = list(points)
    upper = [one for one in several if one.below is None]
    return [one for top in upper for one in (top, *(p for p in several if p.below == top.name))]


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
        findings=0 if hidden else sum(point.name in (one.subject, *one.points) for one in snapshot.findings),
    )


def _at(now: Now | None) -> int | None:
    return None if now is None else now.at_ms
