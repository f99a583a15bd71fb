"""Page "find": where is it? Any old or new name, designation, serial, topic, place, tenant, board or consumer."""

from typing import Annotated

from fastapi import Depends, Query

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, Values, basis, equal_rows, snapshot_of
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.plan import Point, Site
from meterd.core.model.snapshot import Snapshot
from meterd.core.texts.search import LONGEST_QUESTION, Hit, Target, find

MOST = 50  # lines on one page, more is not read; rooms of one pattern are one line that opens
MOST_HITS = 400  # that are looked at: those of one line are its list


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
    point: str


class HitRow(Values):
    """One line of the answer: a hit by its place in the list, or all of one `pattern` that were found in the same way."""

    pattern: str
    hits: list[int]


class FindView(PageValues):
    """The answer, best first. `more` fits too and is not shown."""

    question: str
    hits: list[HitLine]
    more: int
    rows: list[HitRow]


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
    lines = [_line(hit, points) for hit in hits[:MOST_HITS]]
    rows = _rows(site, lines)[:MOST]
    shown = sorted(place for row in rows for place in row.hits)
    new = {place: i for i, place in enumerate(shown)}
    return FindView(
        basis=basis(context.backend, snapshot),
        question=q.strip(),
        hits=[lines[place] for place in shown],
        more=len(hits) - len(shown),
        rows=[HitRow(pattern=row.pattern, hits=[new[place] for place in row.hits]) for row in rows],
    )


def _rows(site: Site, lines: list[HitLine]) -> list[HitRow]:
    """Each group of rooms of one pattern stands where the best of it stood."""
    places = {id(line): i for i, line in enumerate(lines)}
    single, groups = equal_rows(site, lines, "target", "kind", "fit")
    rows = [HitRow(pattern="", hits=[places[id(line)]]) for line in single]
    rows += [HitRow(pattern=pattern, hits=[places[id(line)] for line in group]) for pattern, group in groups]
    return sorted(rows, key=lambda row: row.hits[0])


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
        point=hit.point or "",
    )
