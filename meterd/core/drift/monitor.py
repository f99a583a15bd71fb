"""The watch over a site's instruments: a baseline that is learned, charts per hypothesis, and a suspicion when one runs away.

Two copies look at every day. The learner takes in each quiet day after a delay and finds steps; the frozen copy keeps an old
baseline and finds slow ramps, which the learner would follow. A day is judged by the predicted scatter of its score, baseline
uncertainty included, so that a young baseline is wide rather than wrong. What became of a change: `drift_life`.
"""

from dataclasses import replace

import numpy as np

from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import fit, information
from meterd.core.drift.baseline_renewal import settled
from meterd.core.drift.change_life import followed, opened
from meterd.core.drift.cusum import ALLOWANCE, BLOCK_DAYS, advance, calibrate, fresh
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.drift.identification import Suspicion
from meterd.core.drift.monitor_state import (
    KEEP,
    SCALE_PRIOR,
    WANDER_FROZEN,
    WANDER_LEARNER,
    CarriedInformation,
    Copy,
    WatchState,
    lasting_loads,
    posterior,
    started,
    sums_of,
    with_wander,
)

FIRST_FIT_DAYS = 7  # a week, so that every kind of day has been seen once
FIRST_ALARM_DAYS = 21  # before it only gross faults are looked for (drift_gross)
BASELINE_DAYS = 56  # eight weeks; from here on the threshold is the site's own
FREEZE_AT = (BASELINE_DAYS, 112, 365)  # days after which the frozen copy is renewed, the last time after a whole year
LAG_DAYS = 14  # the learner takes a day in so late that a step found in time has not been learned
REFIT_DAYS = 7
NOISE_DAYS = 28  # of sums, before the noise is estimated anew after a beginning anew
SCATTER_DAYS = 28
CALIBRATE_AT = (BASELINE_DAYS, 84, 112, 168, 252, 365)  # and from then on once a year
KEPT_DAYS = 60  # recent days kept whole, for the change date and the name
SCORES_KEPT = 400  # days of scores from which the threshold is calibrated: a year and a month
CLIP = 3.5  # standard deviations beyond its allowance that one day may count: a single odd day is no lasting change
SCALE_PRIOR_DAYS = 10.0  # of the prior scatter of scores
TREND_DAYS = 28  # before and after a day: slower changes are not scatter
PHI_SHRINK_DAYS = 20.0
PHI_MOST = 0.9
UNSURE = (
    2.0  # of the information of a day: the variance of a baseline that began anew, before it judges (0.5 found a second
)
# fault three days after an exchange only after 21 days)
STRANGE = (
    8.0  # standard deviations of a day's score, baseline included: no error of a baseline that is unsure explains it
)


def monitor_day(state: WatchState, day: DayStatistics) -> tuple[WatchState, tuple[Suspicion, ...]]:
    """One more day. A suspicion is returned on the day it is found and on every day while it lasts.

    A day without a single pair of intervals changes nothing. Raises ValueError for a day of another network.
    """
    if day.fingerprint != state.network.fingerprint:
        raise ValueError("this day belongs to another network (an instrument or the plan changed); begin a new watch")
    if not any(node.pairs for node in day.nodes):
        return state, state.suspicions
    state = replace(state, recent=(*state.recent, day)[-KEPT_DAYS:])
    if any(change.dead_kw for change in state.changes):
        state = followed(state)
        return state, state.suspicions
    state = replace(state, seen=state.seen + 1)
    if state.learner is not None:
        state = followed(_judge(state, day))
    if not any(change.dead_kw for change in state.changes):
        state = settled(_learn(state))
    return state, state.suspicions


def _judge(state: WatchState, day: DayStatistics) -> WatchState:
    assert state.learner is not None, "a day is judged against a baseline"
    seen = information(state.network, sums_of(state, day), state.noise)
    learner, score, allowance = _score(state, state.learner, seen, 1.0)
    frozen = None if state.frozen is None else _score(state, state.frozen, seen, 2.0)[0]
    strange = bool((np.abs(learner.last) >= STRANGE * learner.scale).any())
    strange_ms = (day.start_ms if state.strange_ms is None else state.strange_ms) if strange else None
    state = replace(state, learner=learner, frozen=frozen, strange_ms=strange_ms)
    if all(
        unmetered_load.accepted for unmetered_load in lasting_loads(state)
    ):  # else these days scatter less than those that will come again
        state = replace(
            state,
            scores=np.vstack([state.scores, score])[-SCORES_KEPT:],
            allowances=np.vstack([state.allowances, allowance])[-SCORES_KEPT:],
        )
    if state.seen >= FIRST_ALARM_DAYS:
        for copy in (learner, frozen):
            if copy is not None and max(float(copy.chart.high.max()), float(copy.chart.low.max())) > state.threshold.h:
                from_ms, part = _since(state, copy)
                result = opened(state, frozen=copy is frozen, found_ms=day.end_ms, from_ms=from_ms, part=part)
                if result is not None:
                    return replace(result, strange_ms=None)
                return _dismissed(state)
    return state


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
    min_steps = np.array([test.min_relevant_step for test in state.tests])
    # a lasting shift of u shows in the whitened score by this much
    passes = np.sqrt((1 - copy.phi) / (1 + copy.phi)) / copy.scale
    wanted = 0.5 * min_steps * own / np.sqrt(own + predicted) * passes
    allowance = np.maximum(ALLOWANCE, wanted) + bias * np.sqrt(predicted / (own + predicted)) * passes
    value = _whitened(u, copy.last, (copy.scale, copy.phi), allowance)
    if state.renewals and _age(state) <= LAG_DAYS:
        # days after something began anew: where it is less known than a day shows, the day says nothing of a change
        value = np.where(predicted > UNSURE * own, 0.0, value)
        value[[r.test for r in state.renewals if not r.owner and state.seen - r.seen <= LAG_DAYS]] = 0.0
    return replace(copy, chart=advance(copy.chart, value, allowance), last=u), u, allowance


def _since(state: WatchState, copy: Copy) -> tuple[int, int]:
    """Start of the day on which the chart that ran away left zero, and the part it belongs to."""
    high, low = copy.chart.high, copy.chart.low
    upper = high.max() >= low.max()
    j = int(high.argmax() if upper else low.argmax())
    days = int(copy.chart.high_days[j] if upper else copy.chart.low_days[j])
    part = next(k for k, (_, mine, _) in enumerate(state.parts) if j in mine)
    return state.recent[-min(days, len(state.recent))].start_ms, part


def _age(state: WatchState) -> int:
    """Days seen since the youngest part of the baseline began."""
    return state.seen - (state.renewals[-1].seen if state.renewals else 0)


def _learn(state: WatchState) -> WatchState:
    """Take in days that have become old enough; renew baseline, scatter, threshold and frozen copy when due."""
    wanted = state.seen - min(LAG_DAYS, _age(state) // 2)
    fresh_days = (
        state.recent[-(state.seen - state.learned) :][: wanted - state.learned] if wanted > state.learned else ()
    )
    sums = state.sums
    for day in fresh_days:
        more = sums_of(state, day)
        sums = tuple(a.times(KEEP).plus(b) for a, b in zip(sums, more, strict=True)) if sums else more
    weight = KEEP ** len(fresh_days)
    carried = CarriedInformation(state.carried.M * weight, state.carried.b * weight)
    learned, summed = state.learned + len(fresh_days), state.summed + len(fresh_days)
    state = replace(state, sums=sums, learned=learned, summed=summed, carried=carried)
    if state.seen < FIRST_FIT_DAYS or (not sums and state.learner is None):
        return state
    young = bool(state.renewals and fresh_days) and _age(state) <= 2 * LAG_DAYS
    if state.learner is None or young or state.seen % REFIT_DAYS == 0:
        state = _refit(state)
    due = state.seen % SCATTER_DAYS == 0 or state.seen in CALIBRATE_AT or state.seen % CALIBRATE_AT[-1] == 0
    if due and len(state.scores) >= 2 * BLOCK_DAYS:
        state = _calibrated(state)
    if state.learner is not None and any(state.frozen_at < due <= state.seen for due in FREEZE_AT):
        stored = with_wander(state, posterior(state, state.sums), WANDER_FROZEN)
        copy = Copy(stored, fresh(len(state.tests)), state.learner.last, *_scatter(_without_trend(state.scores)))
        state = replace(state, frozen=copy, frozen_at=state.seen)
    return state


def _refit(state: WatchState) -> WatchState:
    # sums of days whose hours are free tell nothing of how one hour goes with the next
    if state.learner is not None and (state.loads or (state.summed < NOISE_DAYS and state.renewals)):
        result, noise = posterior(state, state.sums), state.noise
    else:
        result, noise = fit(state.network, state.sums, start=started(state))
    result = with_wander(state, result, WANDER_LEARNER)
    if state.learner is None:
        count = len(state.tests)
        first = Copy(result, fresh(count), np.zeros(count), state.scale, state.phi)
        return replace(state, learner=first, noise=noise)
    return replace(state, learner=replace(state.learner, fit=result), noise=noise)


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
