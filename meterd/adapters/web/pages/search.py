"""Page "find": where is it? Any old or new name, designation, serial, topic, place, tenant, board or consumer."""

from typing import Annotated

from fastapi import Depends, Query

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, Values, basis, snapshot_of
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.plan import Point
from meterd.core.model.snapshot import Snapshot
from meterd.core.texts.search import LONGEST_QUESTION, Hit, Target, find

MOST = 50  # on one page: a row of 48 rooms fits, more is not read


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


class FindView(PageValues):
    """The answer, best first. `more` fits too and is not shown."""

    question: str
    hits: list[HitLine]
    more: int


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    q: Annotated[str, Query(max_length=LONGEST_QUESTION)] = "",
) -> FindView:
    """What fits the question; names are no figures, so rooms are found by everyone."""
    site = context.backend.site
    points = {point.name: point for point in site.points}
    hits = find(site, q) if q.strip() else []
    return FindView(
        basis=basis(context.backend, snapshot),
        question=q.strip(),
        hits=[_line(hit, points) for hit in hits[:MOST]],
        more=max(0, len(hits) - MOST),
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
