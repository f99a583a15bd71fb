"""Powers of one round for the allocation: export, production and the draws of the consumers, all of one moment.

The surplus plus the flexible load is only right when both are of the same sample: added one sample off it makes the loads
swing (checks.md, PV). So all come from one round (`rounds`): feeds and PV must be in it, consumers whose meters keep up are
waited for; one without a sample near it counts as not measured.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import floor
from meterd.core.model.plan import PointState, Role, Site
from meterd.core.model.reading import POWER
from meterd.core.model.rounds import Belief, Round, Trace, belief_of, nearest, newest_round, period_ms
from meterd.core.model.snapshot import Snapshot
from meterd.core.pv.figures import backup_running
from meterd.core.sharing.allocation import Draws
from meterd.core.sharing.available_power import Inputs

_LATE = 1.5  # samples that a consumer's meter may lie behind the feeds before its share counts as drawn instead
_NEAR = (
    0.75  # samples that a consumer's power may lie beside the moment: half of it by its phase, the rest by its jitter
)
_LATELY = 3.0  # samples of which the largest is the most that a load among others at its point can have drawn lately
_VOLTAGES = ("32.7.0", "52.7.0", "72.7.0")
_DARK = 0.5  # part of the nominal voltage below which the mains are taken for dead


@dataclass(frozen=True, slots=True)
class AlignedPoints:
    """The points of a site that matter: feeds, PV, and the measured point of each consumer (None = not measured).

    `among` is the point at which a consumer draws among other loads: what all of them draw is the most that it can.
    """

    feeds: tuple[str, ...]
    pv: tuple[str, ...]
    consumers: tuple[str | None, ...]
    among: tuple[str | None, ...]


def aligned_points(site: Site) -> AlignedPoints:
    """Which points are looked at. A point with two consumers, or with other loads, measures neither of them."""
    counts = {p.name: p.counts for p in site.points}
    uses = [c.point for c in site.consumers if c.point is not None]
    measured = tuple(
        c.point if c.alone and c.point is not None and uses.count(c.point) == 1 and counts.get(c.point) else None
        for c in site.consumers
    )
    drawing = {p.name for p in site.points if p.counts and p.role in (Role.FEEDER, Role.SUB)} - _with_sources(site)
    return AlignedPoints(
        tuple(p.name for p in connection_feeds(site)),
        tuple(p.name for p in site.points if p.counts and p.role is Role.PV),
        measured,
        tuple(
            c.point if alone is None and c.point in drawing else None
            for c, alone in zip(site.consumers, measured, strict=True)
        ),
    )


def _with_sources(site: Site) -> set[str]:
    """Points below which something generates or stores: what passes them may be less than what a load there draws."""
    below = {p.name: p.below for p in site.points}
    results: set[str] = set()
    for point in site.points:
        if point.role in (Role.PV, Role.STORAGE, Role.BACKUP):
            above = point.below
            while above is not None and above not in results:
                results.add(above)
                above = below.get(above)
    return results


def aligned_powers(aligned: AlignedPoints, snapshot: Snapshot) -> tuple[Inputs, Draws]:
    """Export, production and draws of the newest round, with the reason where there is none.

    Without one the export alone is reported where the feeds have a round of their own: it bounds what may go on.
    """
    site, now_ms = snapshot.site, snapshot.now_ms
    sample_ms, belief = site.sharing.sample_s * 1000, belief_of(site.limits, now_ms)
    consumers = _traces(snapshot, tuple(p for p in aligned.consumers if p is not None))
    late_ms = round(_LATE * sample_ms)
    taken = newest_round(_traces(snapshot, (*aligned.feeds, *aligned.pv)), belief, wait_for=consumers, late_ms=late_ms)
    known = taken.complete and bool(aligned.feeds) and bool(aligned.pv)
    feeds = taken if known else newest_round(_traces(snapshot, aligned.feeds), belief)
    projected = snapshot.demand_projection.power_w
    inputs = Inputs(
        at_ms=taken.at_ms if known else feeds.at_ms,
        export_w=None if not feeds.complete or not aligned.feeds else -_sum(feeds, aligned.feeds),
        production_w=_sum(taken, aligned.pv) if known else None,
        expected_w=None if projected is None else round(projected),
        into_ms=now_ms - floor(now_ms, site.interval_s * 1000),
        backup=bool(backup_running(site, snapshot.instant, now_ms)),
        dark=_dark(aligned, snapshot),
        reason="" if known else _reason(aligned, taken),
        every_ms=taken.every_ms if known else 0,
        limit_ms=belief.age_limit(taken.every_ms) if known else belief.believed_ms,
    )
    at_ms = inputs.at_ms if feeds.complete else None
    draws = _draws(aligned, consumers, belief, at_ms=at_ms, near_ms=round(_NEAR * sample_ms))
    if at_ms is None:
        return inputs, draws
    among = _traces(snapshot, tuple(p for p in aligned.among if p is not None))
    most = [-1 if p is None else _most(among[p], at_ms, sample_ms) for p in aligned.among]
    return inputs, replace(draws, most_w=np.array(most, dtype=np.int64))


def _reason(aligned: AlignedPoints, taken: Round) -> str:
    if not aligned.feeds or not aligned.pv:
        return "no live PV point" if aligned.feeds else "no live feed point"
    return f"no power of the same moment from {', '.join(taken.silent or taken.out_of_step)}"


def _traces(snapshot: Snapshot, points: tuple[str, ...]) -> Mapping[str, Trace]:
    latest_values = {point: snapshot.instant.get((point, POWER)) for point in points}
    return {point: () if now is None else now.trace for point, now in latest_values.items()}


def _sum(taken: Round, points: tuple[str, ...]) -> int:
    return round(sum(taken.values[point] for point in points))


def _draws(
    aligned: AlignedPoints, traces: Mapping[str, Trace], belief: Belief, *, at_ms: int | None, near_ms: int
) -> Draws:
    count = len(aligned.consumers)
    power, measured = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.bool_)
    for row, point in enumerate(aligned.consumers):
        trace = () if point is None else traces[point]
        if at_ms is None or not trace or belief.now_ms - trace[-1][0] > belief.believed_ms:
            continue
        when, drawn = trace[nearest(trace, at_ms)]
        if abs(when - at_ms) <= near_ms:
            power[row], measured[row] = round(drawn), True
    return Draws(power, measured)


def _most(trace: Trace, at_ms: int, sample_ms: int) -> int:
    """The largest power of the last samples up to a moment; -1 where the meter does not keep up, or something flows back."""
    near_ms = round(_NEAR * sample_ms)
    lately = [w for when, w in trace if at_ms - round(_LATELY * sample_ms) <= when <= at_ms + near_ms]
    if len(lately) < 2 or min(lately) < 0 or period_ms(trace) > round(_LATE * sample_ms):
        return -1
    return round(max(lately))


def _dark(aligned: AlignedPoints, snapshot: Snapshot) -> bool:
    """Whether every voltage that is read at the feeds, and is of now, is gone."""
    site = snapshot.site
    boards = {b.name: b.nominal_v for b in site.boards}
    fresh_ms = snapshot.now_ms - site.limits.power_max_age_s * 1000
    seen = [
        now.value < _DARK * boards.get(point.board, 400.0) / 3**0.5
        for point in site.points
        if point.name in aligned.feeds and point.state is not PointState.RETIRED
        for register in _VOLTAGES
        if (now := snapshot.instant.get((point.name, register))) is not None and not now.old and now.at_ms >= fresh_ms
    ]
    return bool(seen) and all(seen)
