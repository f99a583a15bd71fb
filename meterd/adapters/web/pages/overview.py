"""Page "now": is everything all right; if not, what one thing first; how old is the oldest figure?"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import (
    FindingLine,
    PageValues,
    Values,
    basis,
    finding_line,
    hidden_count,
    oldest_figure,
    snapshot_of,
    visible,
)
from meterd.adapters.web.pages.demand import Running, running_interval
from meterd.adapters.web.pages.today import TodayCurve, running_bar, today_curve, today_picture
from meterd.adapters.web.pictures import Reader
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.drift_look import DriftLook
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import BoardNow, PowerNow, Snapshot, SurplusNow

WELL, LOOK, UNKNOWN = "well", "look", "unknown"


class PowerLine(Values):
    """A power now in W, or None with the reason."""

    key: str
    watt: int | None
    state: str
    reason: str


class BoardLine(Values):
    """The last closed interval of a board; energies in mWh."""

    board: str
    title: str
    verdict: str
    start_ms: int
    end_ms: int
    feed_mwh: int | None
    outgoing_mwh: int | None
    residual_mwh: int | None
    band_mwh: int | None
    missing: list[str]
    estimated: bool


class NowView(PageValues):
    """The answer. `verdict` is `well`, `look`, or `unknown` while too little has been heard; `first` is what to deal with first.

    `hidden` open findings concern single rooms that this viewer may not see.
    `unheard` of `live` points have sent nothing yet; `judged` says whether any board has a closed balance, `drift_look`
    whether the drift watch has looked.
    """

    verdict: str
    unheard: int
    live: int
    judged: bool
    drift_examined: bool
    drift_look: DriftLook
    first: FindingLine | None
    others: int
    hidden: int
    explained: int
    oldest_point: str | None
    powers: list[PowerLine]
    boards: list[BoardLine]
    contracted_w: int | None
    running: Running
    today: TodayCurve | None


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
) -> NowView:
    """The state of the site in one look."""
    site = context.backend.site
    findings = visible(snapshot.findings, viewer, site)
    lines = [finding_line(finding) for finding in findings]
    waiting = [line for line in lines if line.state != "explained"]
    hidden = hidden_count(snapshot.findings, viewer, site)
    oldest = oldest_figure(snapshot)
    titles = {board.name: board.title for board in site.boards}
    live, silent = read_points(snapshot), silent_points(snapshot)
    judged = any(board.residual_mwh is not None for board in snapshot.closed.values())
    look = snapshot.drift_look
    known = bool(live) and not silent and judged and look is DriftLook.DONE
    with context.backend.reader() as reads:
        today = today_curve(reads, site, context.zone(), snapshot.now_ms)
    return NowView(
        basis=basis(context.backend, snapshot),
        verdict=LOOK if waiting or hidden else WELL if known else UNKNOWN,
        unheard=len(silent),
        live=len(live),
        judged=judged,
        drift_examined=look is DriftLook.DONE,
        drift_look=look,
        first=waiting[0] if waiting else None,
        others=max(0, len(waiting) - 1),
        hidden=hidden,
        explained=len(lines) - len(waiting),
        oldest_point=oldest[0] if oldest is not None and viewer.sees(oldest[0], site) else None,
        powers=_powers(snapshot),
        boards=[_board(snapshot.closed[name], title) for name, title in titles.items() if name in snapshot.closed],
        contracted_w=site.limits.contracted_w,
        running=running_interval(snapshot, site),
        today=today,
    )


def now_pictures(view: NowView, site: Site, language: str) -> Mapping[str, object]:
    """The course of today and the bar of the running interval."""
    run = view.running
    drawn = None if view.today is None else today_picture(view.today, Reader(language, ZoneInfo(site.zone)))
    return {"today": drawn, "bar": running_bar(run.so_far_w, run.projected_w, run.contracted_w)}


def read_points(snapshot: Snapshot) -> set[str]:
    """The live points that are read from somewhere."""
    read = {row.point for row in snapshot.site.inputs}
    return {p.name for p in snapshot.site.points if p.counts and p.name in read}


def silent_points(snapshot: Snapshot) -> set[str]:
    """Live points of which no value has come: what was retained before the start says nothing of now."""
    heard = {
        point for table in (snapshot.counters, snapshot.instant) for (point, _), now in table.items() if not now.old
    }
    return read_points(snapshot) - heard


def _powers(snapshot: Snapshot) -> list[PowerLine]:
    projection, ahead = snapshot.demand_projection, snapshot.demand_outlook
    if ahead is not None:
        projection = replace(projection, power_w=ahead.middle_w)
    results: list[tuple[str, PowerNow | SurplusNow]] = [
        ("draw", snapshot.draw),
        ("load", snapshot.load),
        ("production", snapshot.production),
        ("self_use", snapshot.self_use),
        ("surplus", snapshot.surplus),
        ("projection", projection),
    ]
    return [
        PowerLine(
            key=key,
            watt=None if now.power_w is None else round(now.power_w),
            state=str(now.state),
            reason=now.reason,
        )
        for key, now in results
    ]


def _board(board: BoardNow, title: str) -> BoardLine:
    return BoardLine(
        board=board.board,
        title=title,
        verdict=board.verdict,
        start_ms=board.start_ms,
        end_ms=board.end_ms,
        feed_mwh=board.feed_mwh,
        outgoing_mwh=board.outgoing_mwh,
        residual_mwh=board.residual_mwh,
        band_mwh=board.band_mwh,
        missing=list(board.missing),
        estimated=board.estimated,
    )
