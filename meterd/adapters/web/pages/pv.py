"""Page "pv": what the roof gives and where it goes, who has a share now and why, and what sharing brought in the month."""

from collections.abc import Sequence
from typing import Annotated

from fastapi import Depends, Query

from meterd.adapters.web.backend import Viewer, WebBackend
from meterd.adapters.web.common import PageValues, Values, basis, month_name, month_start, months_between, snapshot_of
from meterd.adapters.web.events import exported
from meterd.adapters.web.pages.pv_forecast import ForecastView, ScoreLine, forecast_view, score_lines
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.health import Health
from meterd.core.model.periods import HOUR_MS, Period, bounds
from meterd.core.model.plan import Site
from meterd.core.model.results import PvRow
from meterd.core.model.snapshot import Snapshot
from meterd.core.pv.netting import Netted, counted, two_nettings
from meterd.core.pv.performance import Performance
from meterd.core.sharing.history import ShareRow, sharing_effect

LEAST_ROOMS = 3  # the sum of one room is that room, and of two each knows the other
HEARTBEAT_S = 60.0  # the round trip through the broker is taken every few seconds


class Signal(Values):
    """Whether controllers can rely on what is published, and the figures behind it.

    `state`: `alive`, `connected` (nothing has come back yet), `standing-by` or `dead`.
    """

    state: str
    published_s: float | None  # age of the newest heartbeat that came back through the broker
    round_trip_s: float | None
    losses: int
    surplus_state: str
    surplus_reason: str


class ShareLine(Values):
    """One consumer: what it may take now and why; `now_w` None = invalid, the consumer is on its own fallback."""

    consumer: str
    point: str | None
    priority: int
    now_w: int | None
    most_w: int
    state: str
    reason: str
    month_wh: float | None
    switches: int | None


class RoomShares(Values):
    """Consumers of single rooms together, for viewers who may not see each."""

    pattern: str
    count: int
    served: int
    total_w: int


class DayLine(Values):
    """PV of one local day in mWh; None = missing. `at_least`: intervals of a running day are missing, the others add up to it."""

    start_ms: int
    production: int | None
    self_use: int | None
    export: int | None
    at_least: bool = False


class Nettings(Values):
    """The month's PV, netted over one length; 0: not netted, each direction as the meters counted it, as stored.

    None where no period is known.
    """

    length_s: int
    production: int | None
    export: int | None
    self_use: int | None
    self_consumption: float | None
    self_sufficiency: float | None
    known: int
    of: int


class Effect(Values):
    """What sharing brought in the month: PV used with and without it, import avoided in Wh, Jain's index of the energies."""

    hours: float
    modes: list[str]
    used_without: float | None
    used_with: float | None
    import_avoided_wh: float
    fairness: float | None
    switches: int


class ArrayLine(Values):
    """A PV point and by what a loss of it is looked for: the words of `Look`, empty while it cannot be judged.

    `least_loss` is the smallest part (0..1) whose loss would be found now, null while nothing would be.
    """

    point: str
    title: str
    look: str
    least_loss: float | None = None


class DayYields(Values):
    """Yields of a local day in hours and the performance ratio; None = not known as a whole."""

    start_ms: int
    final_h: float | None
    reference_h: float | None
    ratio: float | None


class PerformanceLine(Values):
    """An array whose irradiance is read, in the month: of its days on which both yields are known."""

    point: str
    title: str
    peak_kw: float
    final_h: float | None
    reference_h: float | None
    ratio: float | None
    known: int
    days: list[DayYields]


class PvView(PageValues):
    """The answer."""

    month: str
    months: list[str]
    mode: str
    signal: Signal
    production_w: int | None
    self_use_w: int | None
    export_w: int | None
    surplus_w: int | None
    today: DayLine | None
    shares: list[ShareLine]
    rooms: list[RoomShares]
    days: list[DayLine]
    nettings: list[Nettings]
    effect: Effect | None
    arrays: list[ArrayLine]
    forecast: ForecastView | None
    scores: list[ScoreLine]
    performance: list[PerformanceLine]


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    month: Annotated[str | None, Query(pattern=r"^\d{4}-\d{2}$", description="local month, such as 2026-05")] = None,
) -> PvView:
    """PV now and in a local month; the running one unless another is asked for."""
    site, zone = context.backend.site, context.zone()
    start = month_start(month, snapshot.now_ms, zone)
    end = bounds(Period.MONTH, start, zone, HOUR_MS)[1]
    with context.backend.reader() as reads:
        days = reads.pv(Period.DAY, start, end)
        intervals = reads.pv(Period.INTERVAL, start, end)
        span = reads.span(Period.INTERVAL)
    rows = context.backend.share_rows(start, end)
    return PvView(
        basis=basis(context.backend, snapshot),
        month=month_name(start, zone),
        months=[] if span is None else months_between(span, zone),
        mode=site.sharing.mode,
        signal=_signal(context.backend.health(), snapshot),
        production_w=_whole(snapshot.production.power_w),
        self_use_w=_whole(snapshot.self_use.power_w),
        export_w=_whole(exported(snapshot)),
        surplus_w=_whole(snapshot.surplus.power_w),
        today=_today(snapshot, intervals),
        shares=_shares(snapshot, site, viewer, rows),
        rooms=_rooms(snapshot, site, viewer),
        days=[_day(row) for row in days],
        nettings=[_netting(netted) for netted in (counted(intervals), *two_nettings(intervals, site.interval_s * 1000))]
        if intervals
        else [],
        effect=_effect(rows, site),
        arrays=_arrays(context.backend, site),
        forecast=forecast_view(snapshot, site),
        performance=[
            _performance(item, site) for item in context.backend.pv_performance(start, min(end, snapshot.now_ms))
        ],
        scores=score_lines(context.backend.forecast_scores(start, min(end, snapshot.now_ms))),
    )


def _performance(item: Performance, site: Site) -> PerformanceLine:
    whole = item.whole
    return PerformanceLine(
        point=item.point,
        title=site.point(item.point).title,
        peak_kw=item.peak_kw,
        final_h=None if whole is None else whole.final_h,
        reference_h=None if whole is None else whole.reference_h,
        ratio=None if whole is None else whole.ratio,
        known=item.known,
        days=[
            DayYields(start_ms=day.start_ms, final_h=day.final_h, reference_h=day.reference_h, ratio=day.ratio)
            for day in item.days
        ],
    )


def _whole(watt: float | None) -> int | None:
    return None if watt is None else round(watt)


def _signal(health: Health, snapshot: Snapshot) -> Signal:
    link = health.link
    age = link.heartbeat_age_s
    if link.connected and not link.publishes:
        state = "standing-by"
    elif link.connected and age is None:
        state = "connected"
    elif link.connected and age is not None and age < HEARTBEAT_S:
        state = "alive"
    else:
        state = "dead"
    return Signal(
        state=state,
        published_s=age,
        round_trip_s=link.round_trip_s,
        losses=link.losses,
        surplus_state=str(snapshot.surplus.state),
        surplus_reason=snapshot.surplus.reason,
    )


def _today(snapshot: Snapshot, intervals: Sequence[PvRow]) -> DayLine | None:
    day = snapshot.pv_day
    if day is None:
        return None
    known = [row for row in intervals if row.start_ms >= day.start_ms and row.production is not None]
    if day.production_mwh is None and known:
        return DayLine(
            start_ms=day.start_ms,
            production=sum(row.production or 0 for row in known),
            self_use=sum(row.self_use or 0 for row in known),
            export=sum(row.grid_export or 0 for row in known),
            at_least=True,
        )
    return DayLine(
        start_ms=day.start_ms, production=day.production_mwh, self_use=day.self_use_mwh, export=day.export_mwh
    )


def _day(row: PvRow) -> DayLine:
    return DayLine(start_ms=row.start_ms, production=row.production, self_use=row.self_use, export=row.grid_export)


def _shares(snapshot: Snapshot, site: Site, viewer: Viewer, rows: list[ShareRow]) -> list[ShareLine]:
    """A line per consumer that the viewer may see: those with a share first, by priority."""
    names = [
        consumer.name for consumer in site.consumers if consumer.point is None or viewer.sees(consumer.point, site)
    ]
    came_to = sharing_effect(rows, names) if rows else None
    lines = []
    for consumer in site.consumers:
        if consumer.name not in names:
            continue
        now = snapshot.shares.get(consumer.name)
        lines.append(
            ShareLine(
                consumer=consumer.name,
                point=consumer.point,
                priority=consumer.priority,
                now_w=None if now is None else now.power_w,
                most_w=consumer.max_w,
                state="invalid" if now is None else str(now.state),
                reason="" if now is None else now.reason,
                month_wh=None if came_to is None else round(came_to.energy[consumer.name], 1),
                switches=None if came_to is None else came_to.switches[consumer.name],
            )
        )
    return sorted(lines, key=lambda share_line: (-(share_line.now_w or 0), share_line.priority, share_line.consumer))


def _rooms(snapshot: Snapshot, site: Site, viewer: Viewer) -> list[RoomShares]:
    """What the single rooms have together, where the viewer may not see each."""
    results: dict[str, list[int]] = {}
    pattern_of = {point: copied.pattern for copied in site.copied for point in copied.points}
    for consumer in site.consumers:
        if consumer.point in pattern_of and not viewer.sees(consumer.point, site):
            share = snapshot.shares.get(consumer.name)
            results.setdefault(pattern_of[consumer.point], []).append(0 if share is None else share.power_w or 0)
    return [
        RoomShares(pattern=name, count=len(some), served=sum(watt > 0 for watt in some), total_w=sum(some))
        for name, some in sorted(results.items())
        if len(some) >= LEAST_ROOMS
    ]


def _netting(netted: Netted) -> Nettings:
    some = netted.known > 0
    return Nettings(
        length_s=netted.length_s,
        production=netted.production if some else None,
        export=netted.export if some else None,
        self_use=netted.self_use if some else None,
        self_consumption=netted.self_consumption,
        self_sufficiency=netted.self_sufficiency,
        known=netted.known,
        of=netted.of,
    )


def _effect(rows: list[ShareRow], site: Site) -> Effect | None:
    if not rows:
        return None
    result = sharing_effect(rows, [consumer.name for consumer in site.consumers])
    was, would = result.self_consumption
    shadow = {row.mode for row in rows} == {"shadow"}
    return Effect(
        hours=round(result.hours, 1),
        modes=sorted({row.mode for row in rows}),
        used_without=was if shadow else None,
        used_with=would if shadow else was,
        import_avoided_wh=round(result.import_avoided, 1),
        fairness=result.fairness,
        switches=sum(result.switches.values()),
    )


def _arrays(backend: WebBackend, site: Site) -> list[ArrayLine]:
    """The arrays in the order of the plan; none before the first look of a start."""
    looks = backend.roof_looks()
    return [
        ArrayLine(point=p.name, title=p.title, look=looks[p.name][0], least_loss=looks[p.name][1])
        for p in site.points
        if p.name in looks
    ]
