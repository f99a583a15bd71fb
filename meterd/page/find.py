"""Sheet "find": where is it? Any old or new name, designation, serial, topic, place, tenant, board or consumer."""

from typing import Annotated

from fastapi import Depends, Query

from meterd.finder import LONGEST_QUESTION, Hit, Target, find
from meterd.page import Viewer
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.view import SheetValues, Values, basis, picture
from meterd.site import Point
from meterd.snapshot import Snapshot

MOST = 50  # on one sheet: a row of 48 rooms fits, more is not read


class HitLine(Values):
    """One thing that was found, and by what: `kind` says what of it matched, `matched` is that text.

    A serial has the time in which its instrument was fitted; `until_ms` None = still there.
    """

    target: str
    name: str
    title: str
    link: str
    fit: str
    kind: str
    matched: str
    from_ms: int | None
    until_ms: int | None
    board: str
    place: str
    state: str


class FindView(SheetValues):
    """The answer, best first. `more` fits too and is not shown."""

    question: str
    hits: list[HitLine]
    more: int


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    q: Annotated[str, Query(max_length=LONGEST_QUESTION)] = "",
) -> FindView:
    """What fits the question; names are no figures, so rooms are found by everyone."""
    site = office.desk.site
    points = {point.name: point for point in site.points}
    found = find(site, q) if q.strip() else []
    return FindView(
        basis=basis(office.desk, snapshot),
        question=q.strip(),
        hits=[_line(hit, points) for hit in found[:MOST]],
        more=max(0, len(found) - MOST),
    )


def _line(hit: Hit, points: dict[str, Point]) -> HitLine:
    point = points.get(hit.point or "")
    link = f"/point?point={hit.point}" if hit.point else "/pv"
    return HitLine(
        target=hit.target,
        name=hit.name,
        title=hit.title,
        link=f"/balance?board={hit.name}" if hit.target is Target.BOARD else link,
        fit=hit.fit.name.lower(),
        kind=hit.term.kind,
        matched=hit.term.text,
        from_ms=hit.term.from_ms,
        until_ms=hit.term.until_ms,
        board=point.board if point is not None else "",
        place=point.place if point is not None else "",
        state=str(point.state) if point is not None else "",
    )
