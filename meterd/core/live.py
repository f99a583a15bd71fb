"""The snapshot: from the state of the engine to one immutable snapshot of powers, running balances and demand."""

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from meterd.core.balance.board_balance import balance
from meterd.core.energy.aggregation import BoardAggregation
from meterd.core.energy.rollup import mean_power_w
from meterd.core.engine import State
from meterd.core.errors import described
from meterd.core.forecast.demand import demand_outlook, expected_draw
from meterd.core.model.connection import connection_feeds
from meterd.core.model.demand import DemandWarning, next_warning
from meterd.core.model.finding import Finding
from meterd.core.model.forecast import SiteForecast
from meterd.core.model.periods import floor
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Quality
from meterd.core.model.results import BalanceRow
from meterd.core.model.snapshot import BoardNow, PowerNow, PvNow, Snapshot
from meterd.core.pv.figures import NOBODY, flexible_points, site_powers, surplus_now
from meterd.core.registers.corrections import gain_between
from meterd.core.registers.register_line import Flag

_ENDS, _BOUND = (int(Flag.START), int(Flag.END)), int(Flag.BOUND)  # an enumeration takes a fifth of a running balance


def snapshot(
    state: State,
    now_ms: int,
    *,
    closed: Mapping[str, BalanceRow],
    pv_day: PvNow | None,
    findings: Iterable[Finding],
    flexible_most_w: Mapping[str, int] = NOBODY,
    forecast: SiteForecast | None = None,
    warned: DemandWarning | None = None,
    band_scale: float = 1.0,
) -> Snapshot:
    """Everything that may be shown at this moment. `flexible_most_w` is for consumers that draw more than their share.

    `warned` is the demand warning of the snapshot before, `band_scale` the width of the band of the running interval.
    """
    site = state.site
    draw, production, load, self_use = site_powers(site, state.instant, now_ms)
    demand, projection = _demand(state, now_ms, draw)
    interval = floor(now_ms, state.interval_ms), state.interval_ms
    others_w = _others_w(state, now_ms, (draw, production, load))
    ahead = None if others_w is None else expected_draw(forecast, interval[0], others_w)
    outlook = None if draw.power_w is None else demand_outlook(demand, draw.power_w, interval, ahead, scale=band_scale)
    remaining = (
        None if site.limits.contracted_w is None else _remaining(state, now_ms, demand, site.limits.contracted_w)
    )
    return Snapshot(
        site=site,
        now_ms=now_ms,
        instant=dict(state.instant),
        counters=dict(state.counters),
        closed={name: board_now(row) for name, row in closed.items()},
        running={name: _try_running(state, aggregation, now_ms) for name, aggregation in state.aggregations.items()},
        pv_day=pv_day,
        surplus=surplus_now(site, state.instant, now_ms, flexible_most_w),
        draw=draw,
        production=production,
        load=load,
        self_use=self_use,
        demand=demand,
        demand_projection=projection,
        findings=tuple(findings),
        demand_allowed=_allowed(remaining, site.limits.contracted_w),
        demand_remaining=remaining,
        demand_outlook=outlook,
        demand_warning=next_warning(warned, outlook, site.limits.contracted_w),
        forecast=forecast,
    )


def with_powers(shot: Snapshot, state: State, now_ms: int, flexible_most_w: Mapping[str, int] = NOBODY) -> Snapshot:
    """A snapshot with the powers of the site at this moment, in W; all else in it stays as it was."""
    draw, production, load, self_use = site_powers(state.site, state.instant, now_ms)
    surplus = surplus_now(state.site, state.instant, now_ms, flexible_most_w)
    return replace(shot, now_ms=now_ms, surplus=surplus, draw=draw, production=production, load=load, self_use=self_use)


def board_now(row: BalanceRow) -> BoardNow:
    """A stored balance as the snapshot shows it."""
    return BoardNow(
        row.board,
        row.start_ms,
        row.end_ms,
        feed_mwh=row.feed,
        outgoing_mwh=row.outgoing,
        residual_mwh=row.residual,
        band_mwh=row.band,
        verdict=row.verdict,
        missing=row.missing,
        uncovered=row.uncovered,
        covered=row.covered,
        of=row.of,
        estimated=row.estimated,
    )


def _try_running(state: State, aggregation: BoardAggregation, now_ms: int) -> BoardNow:
    try:
        return _running(state, aggregation, now_ms)
    except Exception as exc:  # an edge of the house style: one board in the step
        terms, start = aggregation.terms, floor(now_ms, state.interval_ms)
        state.failed_boards[terms.board] = described(exc)
        return BoardNow(
            terms.board,
            start,
            start,
            feed_mwh=None,
            outgoing_mwh=None,
            residual_mwh=None,
            band_mwh=None,
            verdict="not computable",
            missing=(),
            uncovered=terms.uncovered,
        )


def _running(state: State, aggregation: BoardAggregation, now_ms: int) -> BoardNow:
    """The balance of the interval so far, up to the moment that every point has reached."""
    start = floor(now_ms, state.interval_ms)
    reached = [_reached(state, point, counted) for point, counted in _registers(aggregation)]
    late = tuple(p for p, at in zip(aggregation.plan.points, reached, strict=True) if at <= start)
    terms = aggregation.terms
    if late or not reached:
        return BoardNow(
            terms.board,
            start,
            start,
            feed_mwh=None,
            outgoing_mwh=None,
            residual_mwh=None,
            band_mwh=None,
            verdict="not computable",
            missing=late,
            uncovered=terms.uncovered,
            covered=terms.covered,
            of=terms.of,
        )
    end = min(reached)
    values = [
        _energy_between(state, point, counted, start=start, end=end) for point, counted in _registers(aggregation)
    ]
    net = np.array([[0 if v is None else v for v in values]], dtype=np.int64)
    present = np.array([[v is not None for v in values]])
    gap_ms = state.site.limits.gap_exact_s * 1000
    flags = np.array(
        [[_estimated_between(state, *item, (start, end), gap_ms) for item in _registers(aggregation)]], dtype=np.uint8
    )
    result = balance(terms.terms, np.array([start]), np.array([end]), net, present, flags=flags)
    known = bool(result.computable[0])
    return BoardNow(
        terms.board,
        start,
        end,
        feed_mwh=int(result.feed[0]) if result.feed_present[0] else None,
        outgoing_mwh=int(result.outgoing[0]) if result.outgoing_present[0] else None,
        residual_mwh=int(result.residual[0]) if known else None,
        band_mwh=int(result.band[0]) if known else None,
        verdict=result.word(0),
        missing=result.missing_points(0),
        uncovered=terms.uncovered,
        covered=terms.covered,
        of=terms.of,
        estimated=known and bool(flags.any()),
    )


def _registers(aggregation: BoardAggregation) -> Iterable[tuple[str, bool]]:
    return zip(aggregation.plan.points, aggregation.plan.has_export, strict=True)


def _reached(state: State, point: str, counts_export: bool) -> int:
    """The moment up to which the point's energy is known; 0 if not at all."""
    moments = []
    for register in (IMPORT, EXPORT) if counts_export else (IMPORT,):
        tracker = state.trackers.get((point, register))
        if tracker is None or tracker.at is None:
            return 0
        moments.append(tracker.at)
    return min(moments)


def _energy_between(state: State, point: str, counts_export: bool, *, start: int, end: int) -> int | None:
    total = 0
    for register, sign in ((IMPORT, 1), (EXPORT, -1)) if counts_export else ((IMPORT, 1),):
        breakpoints = state.trackers[point, register].breakpoints
        low, high = breakpoints.total_at(start), breakpoints.total_at(end)
        if low is None or high is None or breakpoints.broken_since(start):
            return None
        parts = state.corrections.get((point, register), ())
        gain = gain_between(breakpoints, state.trackers[point, register].rules, parts, start, end)
        total += sign * (high - low + gain)
    return total


def _estimated_between(state: State, point: str, counts_export: bool, span: tuple[int, int], gap_ms: int) -> int:
    """Flags of the point's energy in a part of an interval."""
    result = 0
    for register in (IMPORT, EXPORT) if counts_export else (IMPORT,):
        breakpoints = state.trackers[point, register].breakpoints
        for at, flag in zip(span, _ENDS, strict=True):
            result |= flag if breakpoints.estimated_at(at, gap_ms) else 0
        result |= _BOUND if breakpoints.bound_since(span[0]) else 0
    return result


def _demand(state: State, now_ms: int, draw: PowerNow) -> tuple[PowerNow, PowerNow]:
    """Mean import of the running interval so far, and at its end if the present draw goes on."""
    start = floor(now_ms, state.interval_ms)
    feeds = [p.name for p in connection_feeds(state.site)]
    end = min((_reached(state, p, False) for p in feeds), default=0)
    values = [_energy_between(state, p, False, start=start, end=end) for p in feeds] if end > start else [None]
    known = [v for v in values if v is not None]
    if len(known) < len(values):
        nothing = PowerNow(None, now_ms, Quality.INVALID, "the feeds have not all been read in this interval")
        return nothing, nothing
    energy = sum(known)
    demand = PowerNow(mean_power_w(energy, end - start), end, Quality.GOOD)
    if draw.power_w is None:
        return demand, PowerNow(None, now_ms, Quality.INVALID, draw.reason)
    rest = start + state.interval_ms - end
    expected_mwh = energy + round(max(draw.power_w, 0.0) * rest / 3600)
    return demand, PowerNow(mean_power_w(expected_mwh, state.interval_ms), end, Quality.GOOD)


def _others_w(state: State, now_ms: int, powers: tuple[PowerNow, PowerNow, PowerNow]) -> float | None:
    """What the draw holds besides PV and the load that is forecast: flexible loads, less backup and storage; None = unknown."""
    draw, production, load = (power.power_w for power in powers)
    oldest = now_ms - state.site.limits.power_max_age_s * 1000
    flexible = [state.instant.get((point.name, POWER)) for point in flexible_points(state.site)]
    fresh = [now.value for now in flexible if now is not None and not now.old and now.at_ms >= oldest]
    if draw is None or load is None or len(fresh) < len(flexible):
        return None
    return sum(fresh) + draw + (production or 0.0) - load


def _remaining(state: State, now_ms: int, demand: PowerNow, contracted_w: int) -> PowerNow:
    """Mean import of the rest of the running interval that brings its mean to the contract; grows without bound at its end."""
    start = floor(now_ms, state.interval_ms)
    rest = start + state.interval_ms - demand.at_ms
    if demand.power_w is None or rest <= 0:
        return PowerNow(None, now_ms, Quality.INVALID, demand.reason or "the interval is over")
    left = contracted_w * state.interval_ms - demand.power_w * (demand.at_ms - start)
    return PowerNow(max(left, 0.0) / rest, demand.at_ms, Quality.GOOD)


def _allowed(remaining: PowerNow | None, contracted_w: int | None) -> PowerNow | None:
    """What of it a controller may use: never more than the contract, for the next interval begins with what runs then."""
    if remaining is None or remaining.power_w is None or contracted_w is None:
        return remaining
    return replace(remaining, power_w=min(remaining.power_w, float(contracted_w)))
