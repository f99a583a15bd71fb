"""Powers of one moment: what the meters sent at different times, brought to one time stamp for the allocation.

The surplus plus the flexible load is only right when both are of the same sample: added one sample off it makes the loads
swing (checks.md, PV). So the newest powers of each point are kept for some samples, and one moment is chosen that all
have reached; a consumer without a power near it counts as not measured, a feed or PV meter without makes the picture
invalid.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from meterd.allocation import Draws
from meterd.interval import floor
from meterd.reading import POWER
from meterd.room import Inputs
from meterd.site import PointState, Role, Site
from meterd.snapshot import Now, Snapshot
from meterd.surplus import backup_running

KEPT = 8  # powers per point: enough to go back to what the slowest meter had reached
_LATE = 1.5  # samples that a consumer's meter may lie behind the feeds before its share counts as drawn instead
_VOLTAGES = ("32.7.0", "52.7.0", "72.7.0")
_DARK = 0.5  # part of the nominal voltage below which the mains are taken for dead

Trace = tuple[tuple[int, float], ...]  # (time in ms, W), oldest first
Traces = Mapping[str, Trace]


@dataclass(frozen=True, slots=True)
class Plan:
    """The points of a site that matter: feeds, PV, and the measured point of each consumer (None = not measured)."""

    feeds: tuple[str, ...]
    pv: tuple[str, ...]
    consumers: tuple[str | None, ...]

    @property
    def points(self) -> tuple[str, ...]:
        """All of them, each once."""
        return tuple(dict.fromkeys((*self.feeds, *self.pv, *(p for p in self.consumers if p is not None))))


def plan_of(site: Site) -> Plan:
    """Which points are looked at. A point with two consumers, or with other loads, measures neither of them."""
    counts = {p.name: p.counts for p in site.points}
    uses = [c.point for c in site.consumers if c.point is not None]
    return Plan(
        tuple(p.name for p in site.points if p.counts and p.role is Role.FEED),
        tuple(p.name for p in site.points if p.counts and p.role is Role.PV),
        tuple(
            c.point if c.alone and c.point is not None and uses.count(c.point) == 1 and counts.get(c.point) else None
            for c in site.consumers
        ),
    )


def follow(traces: Traces, instant: Mapping[tuple[str, str], Now], points: Iterable[str]) -> dict[str, Trace]:
    """Traces with the newest powers taken in; retained ones from before the start are not present powers."""
    found = dict(traces)
    for point in points:
        now = instant.get((point, POWER))
        trace = found.get(point, ())
        if now is None or now.old or (trace and trace[-1][0] >= now.at_ms):
            continue
        found[point] = (*trace, (now.at_ms, now.value))[-KEPT:]
    return found


def moment(plan: Plan, traces: Traces, sample_ms: int) -> int | None:
    """The moment that the feeds, PV and the consumers that keep up with them have reached; None without a feed or PV."""
    newest = [traces[point][-1][0] for point in (*plan.feeds, *plan.pv) if traces.get(point)]
    if not newest or not any(traces.get(p) for p in plan.feeds):
        return None
    reached = min(newest)
    behind = [traces[p][-1][0] for p in plan.consumers if p is not None and traces.get(p)]
    return min([reached, *(at for at in behind if reached - at < _LATE * sample_ms)])


def power_at(trace: Trace, at_ms: int, within_ms: int) -> float | None:
    """The power nearest to a moment, or None if there is none near enough.

    >>> power_at(((0, 5.0), (10_000, 7.0)), 9_000, 5_000)
    7.0
    """
    if not trace:
        return None
    when, power = min(trace, key=lambda one: abs(one[0] - at_ms))
    return power if abs(when - at_ms) <= within_ms else None


def picture(plan: Plan, traces: Traces, snapshot: Snapshot) -> tuple[Inputs, Draws]:
    """Export, production and draws of one moment, with the reason where one is missing.

    Powers older than the plan believes (`power_max_age_s`) are none; half a sample apart is the same sample.
    """
    site, now_ms = snapshot.site, snapshot.now_ms
    sample_ms = site.sharing.sample_s * 1000
    alive_ms = now_ms - site.limits.power_max_age_s * 1000
    live = {p: t for p, t in traces.items() if t and t[-1][0] >= alive_ms}
    at_ms = moment(plan, live, sample_ms)

    def add(points: tuple[str, ...]) -> tuple[int | None, list[str]]:
        if at_ms is None:
            return None, list(points)
        found = [power_at(live.get(p, ()), at_ms, sample_ms // 2) for p in points]
        missing = [p for p, power in zip(points, found, strict=True) if power is None]
        return (None if missing or not points else round(sum(f for f in found if f is not None))), missing

    draw, no_feed = add(plan.feeds)
    production, no_pv = add(plan.pv)
    missing = [*no_feed, *no_pv]
    reason = f"no power of the same moment from {', '.join(missing)}" if missing else ""
    projected = snapshot.demand_projection.power_w
    inputs = Inputs(
        at_ms=now_ms if at_ms is None else at_ms,
        export_w=None if draw is None else -draw,
        production_w=production,
        expected_w=None if projected is None else round(projected),
        into_ms=now_ms - floor(now_ms, site.interval_s * 1000),
        backup=bool(backup_running(site, snapshot.instant, now_ms)),
        dark=_dark(plan, snapshot),
        reason=reason,
    )
    return inputs, _draws(plan, live, at_ms, sample_ms)


def _draws(plan: Plan, live: Traces, at_ms: int | None, sample_ms: int) -> Draws:
    count = len(plan.consumers)
    power, measured = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.bool_)
    for row, point in enumerate(plan.consumers):
        found = None if point is None or at_ms is None else power_at(live.get(point, ()), at_ms, sample_ms // 2)
        if found is not None:
            power[row], measured[row] = round(found), True
    return Draws(power, measured)


def _dark(plan: Plan, snapshot: Snapshot) -> bool:
    """Whether every voltage that is read at the feeds, and is of now, is gone."""
    site = snapshot.site
    boards = {b.name: b.nominal_v for b in site.boards}
    fresh_ms = snapshot.now_ms - site.limits.power_max_age_s * 1000
    seen = [
        now.value < _DARK * boards.get(point.board, 400.0) / 3**0.5
        for point in site.points
        if point.name in plan.feeds and point.state is not PointState.RETIRED
        for register in _VOLTAGES
        if (now := snapshot.instant.get((point.name, register))) is not None and not now.old and now.at_ms >= fresh_ms
    ]
    return bool(seen) and all(seen)
