"""The watch over a site's instruments: a baseline that is learned, charts per hypothesis, and a suspicion when one runs away.

Two copies look at every day. The learner takes in each quiet day after a delay and finds steps; the frozen copy keeps an old
baseline and finds slow ramps, which the learner would follow. A day is judged by the predicted scatter of its score, baseline
uncertainty included, so that a young baseline is wide rather than wrong. Learning stops during an alarm.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from meterd.drift_chart import (
    ALLOWANCE,
    BLOCK_DAYS,
    FALSE_ALARMS_PER_YEAR,
    Chart,
    Threshold,
    advance,
    calibrate,
    fresh,
    independent_threshold,
)
from meterd.drift_day import DayStatistics, NodeSums
from meterd.drift_fit import (
    Fit,
    Hypothesis,
    Indices,
    Noise,
    directions,
    fit,
    groups,
    hypotheses,
    information,
    prior,
    update,
)
from meterd.drift_name import Suspicion, Window, evidence, suspicion
from meterd.drift_silent import silent
from meterd.network import Network
from meterd.site import Role
from meterd.uncertainty import Floats

FIRST_FIT_DAYS = 7  # a week, so that every kind of day has been seen once
FIRST_ALARM_DAYS = 21  # before it only gross faults are looked for (drift_gross)
BASELINE_DAYS = 56  # eight weeks; from here on the threshold is the site's own
FREEZE_AT = (BASELINE_DAYS, 112, 365)  # days after which the frozen copy is renewed, the last time after a whole year
LAG_DAYS = 14  # the learner takes a day in so late that a step found in time has not been learned
REFIT_DAYS = 7
KEEP = 0.5 ** (1 / 120)  # of the weight of learned days from one day to the next: half after four months, so that the
# learner goes with the seasons (transformers err more at the small currents of summer) where the frozen copy does not
WANDER_LEARNER, WANDER_FROZEN = (
    0.05,
    0.25,
)  # share of an instrument's standard uncertainty that changes with the seasons
SCATTER_DAYS = 28
CALIBRATE_AT = (BASELINE_DAYS, 84, 112, 168, 252, 365)  # and from then on once a year
KEPT_DAYS = 60  # recent days kept whole, for the change date and the name
SCORES_KEPT = 400  # days of scores from which the threshold is calibrated: a year and a month
CLIP = 3.5  # standard deviations beyond its allowance that one day may count: a single odd day is no lasting change
SCALE_PRIOR, SCALE_PRIOR_DAYS = 1.5, 10.0  # scatter of scores before it is known: wider than ideal
TREND_DAYS = 28  # before and after a day: slower changes are not scatter
PHI_SHRINK_DAYS = 20.0
PHI_MOST = 0.9
SCALE_LEAST = 0.25  # evidence is never taken for more than four times better than the intervals let expect
SURE = 2.0  # times h: the least T of an alarm
SHORTEST = 2  # days of evidence for a name: one day may be a day like no other


Part = tuple[Indices, Indices, Floats]  # unknowns of a group, its hypotheses, their directions


@dataclass(frozen=True, slots=True)
class Copy:
    """One of the two: its baseline, its charts, the raw scores of the day before [H], and the scatter it reckons with [H].

    `scale` is the standard deviation of a day's score, `phi` its correlation with that of the day before. For the frozen copy
    without what changes over months: a creeping change would be taken for scatter as fast as it grows.
    """

    fit: Fit
    chart: Chart
    last: Floats
    scale: Floats
    phi: Floats


@dataclass(frozen=True, slots=True)
class Alarm:
    """A change that was found: by which copy, on the evening of which day, when it seems to have begun, in which part."""

    frozen: bool
    found_ms: int
    first_ms: int
    part: int
    days: int = 0


@dataclass(frozen=True, slots=True)
class WatchState:
    """All the watch knows. `sums` are of the `learned` first of `seen` quiet days; `recent` the last days, oldest first.

    `start` is the prior, `classes` [n] the variances of the instruments' errors by their class,
    `parts` the groups of unknowns that have to do with each other.

    `scores` and `allowances` [days, H] are those of quiet days, for scatter, day-to-day correlation and threshold.
    """

    network: Network
    tests: tuple[Hypothesis, ...]
    sums: tuple[NodeSums, ...]
    seen: int
    learned: int
    recent: tuple[DayStatistics, ...]
    noise: Noise
    start: Fit
    classes: Floats
    parts: tuple[Part, ...]
    learner: Copy | None
    frozen: Copy | None
    frozen_at: int
    scores: Floats
    allowances: Floats
    scale: Floats
    phi: Floats
    threshold: Threshold
    wanted: float
    alarm: Alarm | None


def begin(network: Network, start: Fit | None = None, *, wanted: float = FALSE_ALARMS_PER_YEAR) -> WatchState:
    """A watch that has seen nothing. `start` is the prior; by default the class limits. `wanted` false alarms per year.

    While one change lasts, nothing else of this network is judged: give each part of `network.separate` its own watch,
    and share `wanted` out among them.

    Raises ValueError where there is nothing to watch.
    """
    if not network.nodes:
        raise ValueError(
            "there is nothing to watch: the plan has no balance with a feed and an outgoing point that are live"
        )
    tests, m, plan = hypotheses(network), len(network.nodes), prior(network)
    count = len(tests)
    return WatchState(
        network=network,
        tests=tests,
        sums=(),
        seen=0,
        learned=0,
        recent=(),
        noise=Noise(np.zeros(m), np.ones(m)),
        start=plan if start is None else start,
        classes=np.diagonal(plan.covariance)[: len(network.points)],
        parts=_parts(network, tests),
        learner=None,
        frozen=None,
        frozen_at=0,
        scores=np.empty((0, count)),
        allowances=np.empty((0, count)),
        scale=np.full(count, SCALE_PRIOR),
        phi=np.zeros(count),
        threshold=independent_threshold(count, wanted),
        wanted=wanted,
        alarm=None,
    )


def _parts(network: Network, tests: tuple[Hypothesis, ...]) -> tuple[Part, ...]:
    D, found = directions(network, tests), []
    for unknowns in groups(network):
        mine = np.flatnonzero(D[unknowns].any(axis=0))
        found.append((unknowns, mine, D[np.ix_(unknowns, mine)]))
    return tuple(found)


def watch(state: WatchState, day: DayStatistics) -> tuple[WatchState, tuple[Suspicion, ...]]:
    """One more day. A suspicion is returned on the day it is found and on every day while it lasts.

    A day without a single pair of intervals changes nothing. Raises ValueError for a day of another network.
    """
    if day.fingerprint != state.network.fingerprint:
        raise ValueError("this day belongs to another network (an instrument or the plan changed); begin a new watch")
    if not any(node.pairs for node in day.nodes):
        return state, ()
    recent = (*state.recent, day)[-KEPT_DAYS:]
    if state.alarm is not None:
        return _alarmed(replace(state, recent=recent))
    if state.learner is None:
        return _learn(replace(state, recent=recent, seen=state.seen + 1)), ()
    return _judge(replace(state, recent=recent, seen=state.seen + 1), day)


def _judge(state: WatchState, day: DayStatistics) -> tuple[WatchState, tuple[Suspicion, ...]]:
    assert state.learner is not None, "a day is judged against a baseline"
    seen = information(state.network, day.nodes, state.noise)
    learner, score, allowance = _score(state, state.learner, seen, 1.0)
    frozen = None if state.frozen is None else _score(state, state.frozen, seen, 2.0)[0]
    state = replace(state, learner=learner, frozen=frozen)
    h = state.threshold.h
    if state.seen >= FIRST_ALARM_DAYS:
        for copy in (learner, frozen):
            if copy is not None and max(float(copy.chart.high.max()), float(copy.chart.low.max())) > h:
                alarm = Alarm(copy is frozen, day.end_ms, *_since(state, copy))
                alarmed, suspicions = _alarmed(replace(state, alarm=alarm))
                if _worth(state, suspicions[0]):
                    return alarmed, suspicions
                state = _dismissed(state)
                break
    state = replace(
        state,
        scores=np.vstack([state.scores, score])[-SCORES_KEPT:],
        allowances=np.vstack([state.allowances, allowance])[-SCORES_KEPT:],
    )
    return _learn(state), ()


def _worth(state: WatchState, found: Suspicion) -> bool:
    """Whether what fits best is large and sure enough to send somebody.

    Half of the step that is worth an alarm; and T of some h: a steady shift shows 4 k h or more when its chart reaches h,
    less what the uncertainty of the baseline takes away.
    """
    worth = {test.name: test.worth for test in state.tests}
    best = found.candidates[0]
    return abs(best.step) >= 0.5 * worth[best.hypothesis] and best.statistic >= SURE * state.threshold.h


def _dismissed(state: WatchState) -> WatchState:
    """Charts at zero again after a change too small to act on."""
    count = len(state.tests)
    copies = [None if c is None else replace(c, chart=fresh(count)) for c in (state.learner, state.frozen)]
    return replace(state, learner=copies[0], frozen=copies[1])


def _score(state: WatchState, copy: Copy, day: tuple[Floats, Floats], bias: float) -> tuple[Copy, Floats, Floats]:
    """The copy with its charts one day on, the day's raw scores and the allowances of the charts."""
    M, b = day
    s, own, predicted = (np.zeros(len(state.tests)) for _ in range(3))
    gap = b - M @ copy.fit.mean
    for unknowns, tests, D in state.parts:
        square = np.ix_(unknowns, unknowns)
        MD = M[square] @ D
        s[tests] = D.T @ gap[unknowns]
        own[tests] = (D * MD).sum(axis=0)
        predicted[tests] = (MD * (copy.fit.covariance[square] @ MD)).sum(axis=0)
    own, predicted = np.maximum(own, 1e-30), np.maximum(predicted, 0.0)
    u = s / np.sqrt(own + predicted)
    worth = np.array([test.worth for test in state.tests])
    # a lasting shift of u shows in the whitened score by this much
    passes = np.sqrt((1 - copy.phi) / (1 + copy.phi)) / copy.scale
    wanted = 0.5 * worth * own / np.sqrt(own + predicted) * passes
    allowance = np.maximum(ALLOWANCE, wanted) + bias * np.sqrt(predicted / (own + predicted)) * passes
    value = _whitened(u, copy.last, (copy.scale, copy.phi), allowance)
    return replace(copy, chart=advance(copy.chart, value, allowance), last=u), u, allowance


def _since(state: WatchState, copy: Copy) -> tuple[int, int]:
    """Start of the day on which the chart that ran away left zero, and the part it belongs to."""
    high, low = copy.chart.high, copy.chart.low
    upper = high.max() >= low.max()
    j = int(high.argmax() if upper else low.argmax())
    days = int(copy.chart.high_days[j] if upper else copy.chart.low_days[j])
    part = next(k for k, (_, mine, _) in enumerate(state.parts) if j in mine)
    return state.recent[-min(days, len(state.recent))].start_ms, part


def _learn(state: WatchState) -> WatchState:
    """Take in days that have become old enough; renew baseline, scatter, threshold and frozen copy when due."""
    wanted = state.seen - min(LAG_DAYS, state.seen // 2)
    fresh_days = (
        state.recent[-(state.seen - state.learned) :][: wanted - state.learned] if wanted > state.learned else ()
    )
    sums = state.sums
    for day in fresh_days:
        sums = tuple(a.times(KEEP).plus(b) for a, b in zip(sums, day.nodes, strict=True)) if sums else day.nodes
    state = replace(state, sums=sums, learned=state.learned + len(fresh_days))
    if state.seen < FIRST_FIT_DAYS or not sums:
        return state
    if state.learner is None or state.seen % REFIT_DAYS == 0:
        state = _refit(state)
    due = state.seen % SCATTER_DAYS == 0 or state.seen in CALIBRATE_AT or state.seen % CALIBRATE_AT[-1] == 0
    if due and len(state.scores) >= 2 * BLOCK_DAYS:
        state = _calibrated(state)
    if state.learner is not None and any(state.frozen_at < due <= state.seen for due in FREEZE_AT):
        kept = _with_wander(state, _posterior(state, state.sums), WANDER_FROZEN)
        copy = Copy(kept, fresh(len(state.tests)), state.learner.last, *_scatter(_without_trend(state.scores)))
        state = replace(state, frozen=copy, frozen_at=state.seen)
    return state


def _with_wander(state: WatchState, found: Fit, share: float) -> Fit:
    """A baseline that allows for what changes with load and temperature: part of each instrument's class."""
    n = len(state.network.points)
    wide = np.zeros(len(found.mean))
    wide[:n] = share**2 * state.classes
    return Fit(found.mean, found.covariance + np.diag(wide))


def _refit(state: WatchState) -> WatchState:
    found, noise = fit(state.network, state.sums, start=state.start)
    found = _with_wander(state, found, WANDER_LEARNER)
    if state.learner is None:
        count = len(state.tests)
        first = Copy(found, fresh(count), np.zeros(count), state.scale, state.phi)
        return replace(state, learner=first, noise=noise)
    return replace(state, learner=replace(state.learner, fit=found), noise=noise)


def _calibrated(state: WatchState) -> WatchState:
    scale, phi = _scatter(state.scores)
    threshold = state.threshold
    if state.seen in CALIBRATE_AT or state.seen % CALIBRATE_AT[-1] == 0:
        values = _whitened(state.scores[1:], state.scores[:-1], (scale, phi), state.allowances[1:])
        threshold = calibrate(values, state.allowances[1:], np.random.default_rng(state.seen), wanted=state.wanted)
    learner = None if state.learner is None else replace(state.learner, scale=scale, phi=phi)
    frozen = state.frozen
    if frozen is not None:
        steady = _scatter(_without_trend(state.scores))
        frozen = replace(frozen, scale=steady[0], phi=steady[1])
    return replace(state, scale=scale, phi=phi, threshold=threshold, learner=learner, frozen=frozen)


def _without_trend(scores: Floats) -> Floats:
    """Scores less their mean over the weeks around each day: what creeps is to be found, not to be taken for scatter."""
    days = len(scores)
    sums = np.vstack([np.zeros((1, scores.shape[1])), np.cumsum(scores, axis=0)])
    low = np.maximum(np.arange(days) - TREND_DAYS, 0)
    high = np.minimum(np.arange(days) + TREND_DAYS + 1, days)
    return np.asarray(scores - (sums[high] - sums[low]) / (high - low)[:, None])


def _scatter(scores: Floats) -> tuple[Floats, Floats]:
    """Standard deviation and day-to-day correlation of each hypothesis' scores, shrunk while there are few."""
    days = len(scores)
    capped = np.clip(scores, -5 * SCALE_PRIOR, 5 * SCALE_PRIOR)
    power = np.square(capped).sum(axis=0)
    scale = np.sqrt((SCALE_PRIOR_DAYS * SCALE_PRIOR**2 + power) / (SCALE_PRIOR_DAYS + days))
    pairs = (capped[1:] * capped[:-1]).sum(axis=0)
    phi = pairs / np.maximum(power, 1e-30) * days / (days + PHI_SHRINK_DAYS)
    return scale, np.clip(phi, 0.0, PHI_MOST)


def _whitened(scores: Floats, before: Floats, scatter: tuple[Floats, Floats], allowance: Floats) -> Floats:
    """Standardised scores without what the day before foretells, no day counting for more than `CLIP` on a chart."""
    scale, phi = scatter
    values = (scores - phi * before) / (scale * np.sqrt(1 - phi**2))
    return np.asarray(np.clip(values, -CLIP - allowance, CLIP + allowance))


def _alarmed(state: WatchState) -> tuple[WatchState, tuple[Suspicion, ...]]:
    """Name what changed, with all days since; nothing is learned meanwhile."""
    assert state.alarm is not None, "only an alarm is followed up"
    alarm = replace(state.alarm, days=state.alarm.days + 1)
    state = replace(state, alarm=alarm)
    unknowns, mine, D = state.parts[alarm.part]
    square = np.ix_(unknowns, unknowns)
    days = []
    for day in state.recent:
        M, b = information(state.network, day.nodes, state.noise)
        days.append((M[square], b[unknowns]))
    whole = state.frozen.fit if alarm.frozen and state.frozen is not None else _base(state, alarm.first_ms)
    copy = state.frozen if alarm.frozen and state.frozen is not None else state.learner
    assert copy is not None, "an alarm follows a judged day"
    spread = (copy.scale**2 * (1 + copy.phi) / (1 - copy.phi))[mine]
    first = _change(days, _only(whole, unknowns), D, spread)
    if not alarm.frozen:
        whole = _base(state, state.recent[first].start_ms)
    base = _only(whole, unknowns)
    M = np.sum([m for m, _ in days[first:]], axis=0)
    b = np.sum([v for _, v in days[first:]], axis=0)
    s = b - M @ base.mean
    scale = max(float(np.mean(spread)), SCALE_LEAST)
    seen = evidence(base, M, s, D, scale)
    feeds = frozenset(p for p, role in zip(state.network.points, state.network.roles, strict=True) if role is Role.FEED)
    window = Window(
        found_ms=alarm.found_ms,
        change_ms=state.recent[first].start_ms,
        days=len(days) - first,
        false_alarms_per_year=state.threshold.false_alarms_per_year,
        explained=_explained(base, M, s, float(seen.T.max()) * scale),
        zone=state.network.zone,
    )
    still = silent(state.network, state.recent[:first], state.recent[first:], whole.mean)
    said = suspicion(tuple(state.tests[j] for j in mine), seen, window, feeds, still)
    return state, (said,)


def _only(whole: Fit, unknowns: Indices) -> Fit:
    return Fit(whole.mean[unknowns], whole.covariance[np.ix_(unknowns, unknowns)])


def _base(state: WatchState, before_ms: int) -> Fit:
    """The baseline without days from that moment on that were taken in already."""
    taken = state.recent[: len(state.recent) - _unlearned(state)]
    return _with_wander(state, _posterior(state, _without(state.sums, taken, before_ms)), WANDER_LEARNER)


def _posterior(state: WatchState, sums: tuple[NodeSums, ...]) -> Fit:
    M, b = information(state.network, sums, state.noise)
    return update(state.start, M, b, tuple(part[0] for part in state.parts))


def _without(sums: tuple[NodeSums, ...], taken: tuple[DayStatistics, ...], before_ms: int) -> tuple[NodeSums, ...]:
    """The sums less the days from that moment on, each with the weight it has by now."""
    weight = 1.0
    for day in reversed(taken):
        if day.start_ms >= before_ms:
            sums = tuple(a.plus(b.times(-weight)) for a, b in zip(sums, day.nodes, strict=True))
        weight *= KEEP
    return sums


def _unlearned(state: WatchState) -> int:
    """How many of the recent days are not in the sums."""
    waiting = state.seen - state.learned + (state.alarm.days - 1 if state.alarm else 0)
    return min(waiting, len(state.recent))


def _change(days: list[tuple[Floats, Floats]], base: Fit, D: Floats, spread: Floats) -> int:
    """The row of `days` from which on one hypothesis explains most: the change date by likelihood."""
    score = np.array([D.T @ (b - M @ base.mean) for M, b in days])
    own = np.array([(D * (M @ D)).sum(axis=0) for M, _ in days])
    S, K = np.cumsum(score[::-1], axis=0)[::-1], np.cumsum(own[::-1], axis=0)[::-1]
    T = S * S / (np.maximum(K, 1e-30) * spread)
    return int(T[: max(len(days) - SHORTEST + 1, 1)].max(axis=1).argmax())


def _explained(base: Fit, M: Floats, s: Floats, best: float) -> float:
    """Share of the weighted squares of s that the best hypothesis takes away; what scatter alone leaves is not counted."""
    whole = linalg.lstsq(M, s, cond=1e-10)[0]
    total = float(s @ np.linalg.solve(np.eye(len(M)) + base.covariance @ M, whole))
    return min(1.0, best / max(total - len(s), best, 1e-30))


def clear(state: WatchState) -> WatchState:
    """The change is gone or was explained (repaired, corrected): the old baseline holds again, its days are dropped."""
    if state.alarm is None:
        return state
    kept = tuple(d for d in state.recent if d.start_ms < state.alarm.first_ms)
    taken = state.recent[: len(state.recent) - _unlearned(state)]
    return _restarted(state, kept, _without(state.sums, taken, state.alarm.first_ms))


def accept(state: WatchState) -> WatchState:
    """The change is the new normal: learn anew from the day it began, with what is still known as prior."""
    if state.alarm is None or state.learner is None:
        return state
    before = _base(state, state.alarm.first_ms)
    wide = np.diagonal(state.start.covariance)
    loose = Fit(before.mean, before.covariance + np.diag(wide))
    return begin(state.network, loose, wanted=state.wanted)


def _restarted(state: WatchState, recent: tuple[DayStatistics, ...], sums: tuple[NodeSums, ...]) -> WatchState:
    assert state.learner is not None, "an alarm follows a judged day"
    waiting = max(_unlearned(state) - (len(state.recent) - len(recent)), 0)
    zero, count = np.zeros(len(state.tests)), len(state.tests)
    frozen = None if state.frozen is None else replace(state.frozen, chart=fresh(count), last=zero)
    return replace(
        state,
        recent=recent,
        sums=sums,
        learned=state.seen - waiting,
        learner=replace(state.learner, chart=fresh(count), last=zero),
        frozen=frozen,
        alarm=None,
    )
