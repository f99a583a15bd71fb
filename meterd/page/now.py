"""Sheet "now": is everything all right; if not, what one thing first; how old is the oldest figure?"""

from typing import Annotated

from fastapi import Depends

from meterd.page import Viewer
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.view import FindingLine, SheetValues, Values, basis, finding_line, oldest_figure, picture, visible
from meterd.snapshot import BoardNow, PowerNow, Snapshot, SurplusNow

WELL, LOOK = "well", "look"


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


class NowView(SheetValues):
    """The answer. `verdict` is `well` or `look`; `first` is what to deal with first."""

    verdict: str
    first: FindingLine | None
    others: int
    explained: int
    oldest_point: str | None
    powers: list[PowerLine]
    boards: list[BoardLine]
    contracted_w: int | None


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
) -> NowView:
    """The state of the site in one look."""
    site = office.desk.site
    findings = visible(snapshot.findings, viewer, site)
    lines = [finding_line(one) for one in findings]
    waiting = [line for line in lines if line.state != "explained"]
    oldest = oldest_figure(snapshot)
    titles = {board.name: board.title for board in site.boards}
    return NowView(
        basis=basis(office.desk, snapshot),
        verdict=LOOK if waiting else WELL,
        first=waiting[0] if waiting else None,
        others=max(0, len(waiting) - 1),
        explained=len(lines) - len(waiting),
        oldest_point=oldest[0] if oldest is not None and viewer.sees(oldest[0], site) else None,
        powers=_powers(snapshot),
        boards=[_board(snapshot.closed[name], title) for name, title in titles.items() if name in snapshot.closed],
        contracted_w=site.limits.contracted_w,
    )


def _powers(snapshot: Snapshot) -> list[PowerLine]:
    found: list[tuple[str, PowerNow | SurplusNow]] = [
        ("draw", snapshot.draw),
        ("load", snapshot.load),
        ("production", snapshot.production),
        ("self_use", snapshot.self_use),
        ("surplus", snapshot.surplus),
        ("projection", snapshot.demand_projection),
    ]
    return [
        PowerLine(
            key=key,
            watt=None if now.power_w is None else round(now.power_w),
            state=str(now.state),
            reason=now.reason,
        )
        for key, now in found
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
    )
