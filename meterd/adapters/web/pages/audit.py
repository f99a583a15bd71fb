"""Page "why": for any figure the readings, factors, parts, versions and rules that made it, and whether they still do."""

from typing import Annotated, Literal

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, basis, snapshot_of
from meterd.adapters.web.pages.audit_balance import BalanceWhy, why_balance
from meterd.adapters.web.pages.audit_energy import FigureWhy, why_figure
from meterd.adapters.web.pages.point import named, unknown
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.adapters.web.time_input import moment
from meterd.core.model.periods import Period, bounds
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import Channel
from meterd.core.model.snapshot import Snapshot

Length = Literal["interval", "hour", "day", "week", "month", "year"]


class WhyView(PageValues):
    """What made one energy (`figure`) or one balance (`balance`); neither when nothing was asked."""

    figure: FigureWhy | None
    balance: BalanceWhy | None


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    point: Annotated[str, Query(max_length=100, description="name or former name of a point")] = "",
    register: Annotated[str, Query(max_length=20, description="OBIS code such as 1.8.0")] = "1.8.0",
    board: Annotated[str, Query(max_length=100, description="name of a board, for its balance")] = "",
    period: Annotated[Length, Query(description="how long")] = "interval",
    start: Annotated[
        str, Query(max_length=30, description="ms since 1970 UTC, or 2026, 2026-05, 2026-05-04, 2026-05-04T10:15 local")
    ] = "",
) -> WhyView:
    """One figure of a point's register, or one balance of a board, in the period that holds the moment."""
    site, zone, kind = context.backend.site, context.zone(), Period(period)
    shared = basis(context.backend, snapshot)
    if not point and not board:
        return WhyView(basis=shared, figure=None, balance=None)
    if point and board:
        raise HTTPException(422, wording.say(viewer.language, "why.not_both"))
    channel = _channel(site, point, register, viewer) if point else None
    if channel is None and all(item.name != board for item in site.boards):
        raise HTTPException(404, wording.say(viewer.language, "why.no_board", board=board))
    span = bounds(kind, moment(start, zone, viewer.language), zone, site.interval_s * 1000)
    with context.backend.reader() as reads:
        if channel is not None:
            return WhyView(basis=shared, figure=why_figure(reads, site, channel, kind=kind, span=span), balance=None)
        return WhyView(
            basis=shared, figure=None, balance=why_balance(reads, site, board, kind=kind, span=span, viewer=viewer)
        )


def _channel(site: Site, name: str, register: str, viewer: Viewer) -> Channel:
    """The register that is asked for, if this viewer may see it."""
    point = named(site, name)
    if point is None:
        raise unknown(site, name)
    if register not in REGISTERS or not REGISTERS[register].cumulative:
        counting = ", ".join(obis for obis, kind in REGISTERS.items() if kind.cumulative)
        raise HTTPException(422, wording.say(viewer.language, "why.no_energy", register=register, known=counting))
    if not viewer.sees(point.name, site):
        raise HTTPException(
            403,
            wording.say(
                viewer.language, "point.hidden_more", role=wording.role_words(viewer.language, site.page.rooms)
            ),
        )
    if not any((row.point, row.register) == (point.name, register) for row in site.inputs):
        raise HTTPException(404, wording.say(viewer.language, "why.not_read", point=point.name, register=register))
    return point.name, register
