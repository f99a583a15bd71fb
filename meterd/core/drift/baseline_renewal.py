"""Beginning anew: the old level of some hypotheses is struck out of the baseline, and the others keep theirs.

What begins anew is a direction of the unknowns. The days before stay, as information in which a step of unknown size along
that direction has been added.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import MIN_STEP_LOAD, Fit, directions, information
from meterd.core.drift.cusum import Chart, fresh
from meterd.core.drift.daily_statistics import DayStatistics, NodeSums
from meterd.core.drift.monitor_state import (
    FREE,
    KEEP,
    WANDER_FROZEN,
    WANDER_LEARNER,
    CarriedInformation,
    Change,
    Copy,
    Learned,
    Renewal,
    WatchState,
    posterior,
    sums_before,
    sums_of,
    unlearned,
    with_wander,
)

SETTLE_DAYS = 56  # eight weeks after a beginning anew the frozen copy takes it over


def renewed(
    state: WatchState, tests: tuple[int, ...], at_ms: int, *, free: bool, owner: int = 0, cut: bool = True
) -> WatchState:
    """These hypotheses begin anew from a day on, the others keep their baseline.

    `free`: their step may be anything; else they begin with the prior of their class, as a new instrument does. `cut`: days
    before and since are distinguished; without it only more begins anew at the last cut.
    """
    if state.learner is None:
        return _young(state, tests, free=free)
    D = directions(state.network, state.tests)[:, list(tests)]
    carried = state.carried
    if cut:
        waiting = state.recent[len(state.recent) - unlearned(state) :]
        before = added(state, sums_before(state, at_ms)[0], [d for d in waiting if d.start_ms < at_ms])
        M, b = information(state.network, before, state.noise) if before else (0.0 * carried.M, 0.0 * carried.b)
        days = tuple(d for d in state.recent if d.start_ms >= at_ms)
        weight = KEEP ** len(days)
        carried = CarriedInformation((carried.M + M) * weight, (carried.b + b) * weight)
        over = tuple(_until(c, at_ms) if c.found_ms != owner else c for c in state.changes)
        state = replace(state, sums=added(state, (), days), summed=len(days), learned=state.seen, changes=over)
    state = replace(
        state,
        carried=_struck_out(carried, D),
        start=_started(state, tests, free=free),
        renewals=(*state.renewals, *(Renewal(j, at_ms, state.seen, owner) for j in tests)),
    )
    if state.frozen is not None:
        wide = sum((_free(state, j) ** 2 * np.outer(d, d) for j, d in zip(tests, D.T, strict=True)), 0.0 * carried.M)
        fit = state.frozen.fit
        state = replace(state, frozen=replace(state.frozen, fit=Fit(fit.mean, fit.covariance + wide)))
    return refitted(with_fresh_charts(state, None if free else tests))


def _until(change: Change, at_ms: int) -> Change:
    """No more evidence from a day on: something else has changed since."""
    return change if change.until_ms is not None or change.from_ms >= at_ms else replace(change, until_ms=at_ms)


def _young(state: WatchState, tests: tuple[int, ...], *, free: bool) -> WatchState:
    """The first days: there is no baseline yet, so a new instrument begins it once more."""
    state = replace(state, start=_started(state, tests, free=free))
    return state if free else replace(state, sums=(), summed=0, seen=0, learned=0, recent=())


def _struck_out(carried: CarriedInformation, D: Floats) -> CarriedInformation:
    """The information without what it says of the levels along D [p, k]: as if an unknown step had been added there."""
    MD = carried.M @ D
    inverse = np.linalg.pinv(D.T @ MD, rcond=1e-12, hermitian=True)
    M = carried.M - MD @ inverse @ MD.T
    return CarriedInformation((M + M.T) / 2, carried.b - MD @ inverse @ (D.T @ carried.b))


def _started(state: WatchState, tests: tuple[int, ...], *, free: bool) -> Fit:
    D = directions(state.network, state.tests)[:, list(tests)]
    C, mean = state.start.covariance.copy(), state.start.mean.copy()
    for j, d in zip(tests, D.T, strict=True):
        if free:
            C += _free(state, j) ** 2 * np.outer(d, d)
            continue
        where = np.flatnonzero(d)
        C[where, :], C[:, where], mean[where] = state.first.covariance[where, :], state.first.covariance[:, where], 0.0
    return Fit(mean, C)


def _free(state: WatchState, j: int) -> float:
    """Standard deviation of a step of which nothing is known, in the unit of the hypothesis."""
    test = state.tests[j]
    return FREE if test.unit == "ratio" else test.min_relevant_step / MIN_STEP_LOAD


def added(state: WatchState, sums: tuple[NodeSums, ...], days: Iterable[DayStatistics]) -> tuple[NodeSums, ...]:
    """Sums with some more days, the older ones by so much less weight."""
    for day in days:
        more = sums_of(state, day)
        sums = tuple(a.times(KEEP).plus(b) for a, b in zip(sums, more, strict=True)) if sums else more
    return sums


def without_day(state: WatchState, at_ms: int) -> WatchState:
    """Without a day that tells nothing of what is usual, neither before a change nor since."""
    recent = tuple(day for day in state.recent if day.start_ms != at_ms)
    if len(recent) == len(state.recent):
        return state
    count = len(state.recent) - unlearned(state)
    taken, waiting = state.recent[:count], state.recent[count:]
    if any(day.start_ms == at_ms for day in waiting):
        return replace(state, recent=recent, learned=state.learned + 1)  # it counts as one that was learned
    if all(day.start_ms != at_ms for day in taken[max(len(taken) - state.summed, 0) :]):
        return replace(state, recent=recent)
    since = [day for day in taken if day.start_ms > at_ms]
    sums, left = sums_before(state, at_ms)
    older = tuple(node.times(KEEP ** -(len(since) + 1)) for node in sums)
    return replace(state, recent=recent, sums=added(state, older, since), summed=left + len(since))


def what_is_learned(state: WatchState) -> Learned:
    sums, summed = state.sums, state.summed
    frozen = None if state.frozen is None else state.frozen.fit
    return Learned(sums, summed, state.carried, state.start, frozen, state.frozen_at, len(state.renewals))


def refitted(state: WatchState) -> WatchState:
    """The learner with the baseline of what is known now; the noise stays as it is."""
    assert state.learner is not None, "a baseline is renewed"
    fit = with_wander(state, posterior(state, state.sums), WANDER_LEARNER)
    return replace(state, learner=replace(state.learner, fit=fit))


def with_fresh_charts(state: WatchState, tests: tuple[int, ...] | None = None) -> WatchState:
    """Charts at zero: all of them after a change that explains what they show, else those of some hypotheses."""

    def anew(copy: Copy | None) -> Copy | None:
        if copy is None:
            return None
        if tests is None:
            return replace(copy, chart=fresh(len(state.tests)))
        sides = [side.copy() for side in (copy.chart.high, copy.chart.low, copy.chart.high_days, copy.chart.low_days)]
        for side in sides:
            side[list(tests)] = 0.0
        return replace(copy, chart=Chart(*sides))

    return replace(state, learner=anew(state.learner), frozen=anew(state.frozen))


def settled(state: WatchState) -> WatchState:
    """The frozen copy takes over what began anew, eight weeks after the last beginning; of the others it learns nothing.

    The step e along D is estimated by the days since, given the others: e = (D'MD)^-1 D'(b - Mx). So x becomes
    (I - GM) x + Gb with G = D (D'MD)^-1 D', and its covariance (I - GM) C (I - GM)' + G.
    """
    waiting = state.renewals[state.settled :]
    if state.frozen is None or not waiting or state.seen - waiting[-1].seen < SETTLE_DAYS:
        return state
    D = directions(state.network, state.tests)[:, sorted({renewal.test for renewal in waiting})]
    days = [d for d in state.recent if d.start_ms >= waiting[-1].at_ms]
    M, b = information(state.network, added(state, (), days), state.noise)
    G = D @ np.linalg.pinv(D.T @ M @ D, rcond=1e-12, hermitian=True) @ D.T
    rest, fit = np.eye(len(M)) - G @ M, state.frozen.fit
    result = Fit(rest @ fit.mean + G @ b, rest @ fit.covariance @ rest.T + G)
    return replace(
        state, settled=len(state.renewals), frozen=replace(state.frozen, fit=with_wander(state, result, WANDER_FROZEN))
    )
