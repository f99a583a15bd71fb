"""What is said of a change: the days that are its evidence, when it began, and which instrument or load it names."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import Fit, Hypothesis, information
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.drift.dead_meters import dead_meters, usual_power
from meterd.core.drift.identification import Evidence, Window, evidence, shortlist, suspicion
from meterd.core.drift.load_shape import judge
from meterd.core.drift.monitor_state import Change, WatchState, base_before, only, sums_of
from meterd.core.drift.unmetered_load import hidden
from meterd.core.model.plan import Role

SCALE_LEAST = 0.25  # evidence is never taken for more than four times better than the intervals let expect
ODD = 30.0  # T of a day by itself: it is neither like the days before a change nor like those since
NEARLY_ALL = 0.9  # of what is unusual on the days of a wrong ratio; a load of some hours leaves half or more
SHORTEST = 2  # days of evidence for a name or for an end: one day may be a day like no other

Info = tuple[Floats, Floats]
Tests = tuple[tuple[Hypothesis, ...], Floats]  # hypotheses of a part, and their directions


@dataclass(frozen=True, slots=True)
class ChangeEvidence:
    """A change looked at: its days of evidence [M, b] by the unknowns of its part, T of the best hypothesis, the scatter."""

    change: Change
    days: tuple[Info, ...]
    best: float
    scale: float


def summed_evidence(look: ChangeEvidence) -> Info:
    """The information of all days of evidence together, each by the scatter."""
    M = np.sum([m for m, _ in look.days], axis=0) / look.scale
    return M, np.sum([b for _, b in look.days], axis=0) / look.scale


def judged_change(state: WatchState, change: Change, *, opening: bool = False) -> ChangeEvidence:
    """Name what changed with all days of its evidence; `opening` sets the baseline before it."""
    part, mine, D = state.parts[change.part]
    days = [d for d in state.recent if d.start_ms >= change.low_ms and d.start_ms < (change.until_ms or d.end_ms)]
    some = daily_information(state, days, change.part, but=change.found_ms)
    first = _change(some, only(change.base, part), D, change.spread)
    base = change.base
    if opening and not change.frozen:
        base = base_before(state, days[first].start_ms)
    within = only(base, part)
    scale = max(float(np.mean(change.spread)), SCALE_LEAST)
    tests = tuple(state.tests[j] for j in mine)
    from_ms = days[first].start_ms
    start, half = (first, None) if change.half_ms is not None else _half_right(some, first, within, (tests, D), scale)
    half_ms = change.half_ms if half is None else days[half].start_ms
    seen, explained = _evidence_of(some[start:], within, D, scale)
    window = Window(
        found_ms=change.found_ms,
        change_ms=min(from_ms, change.begun_ms or from_ms, half_ms or from_ms),
        days=len(days) - start,
        false_alarms_per_year=state.threshold.false_alarms_per_year,
        explained=explained,
        zone=state.network.zone,
    )
    still = dead_meters(state.network, days[:first], days[start:], base.mean)
    feeds = frozenset(p for p, role in zip(state.network.points, state.network.roles, strict=True) if role is Role.FEED)
    judged = judge(state.network, days[:first], days[start:], base, hidden(state, change.found_ms))
    text = suspicion(tests, seen, window, feeds=feeds, still=still, judged=judged)
    place = {test.name: k for k, test in enumerate(tests)}
    listed = [place[c.hypothesis] for c in text.candidates if c.hypothesis in place]
    if any(
        c.kind == "shape" for c in text.candidates
    ):  # all that it looks like begins anew, or they would be suspect next
        listed += [*shortlist(tests, seen, feeds)[0], *(k for k, test in enumerate(tests) if test.kind == "standing")]
    anew = dict.fromkeys((*change.anew, *(int(mine[k]) for k in listed)))
    stored = [int(np.flatnonzero(mine == j)[0]) for j in anew]
    changed = replace(
        change,
        base=base,
        from_ms=from_ms,
        half_ms=half_ms,
        suspicion=text,
        anew=tuple(anew),
        steps=tuple(float(seen.step[k]) for k in stored),
        errors=tuple(float(seen.error[k]) for k in stored),
        dead_kw=abs(usual_power(state.network, days[:first], still[0].points[0])) if still else 0.0,
    )
    if changed.load:  # nothing is learned of its hours, so none is in the way
        changed = replace(changed, half_ms=change.half_ms)
    return ChangeEvidence(changed, tuple(some[start:]), float(seen.T.max()), scale)


def _half_right(days: list[Info], first: int, base: Fit, tests: Tests, scale: float) -> tuple[int, int | None]:
    """The row from which days tell of a change that began on day `first`, and the row of the day that is half right, if any.

    A change begins during a day, and no ratio fits such a day: what fits it best has the hours of its second half. It is the
    first day where a ratio explains the days after it and leaves much of this one, else the day before where that is no day
    like those before it. A load without a meter has no such day.
    """
    if len(days) - first > SHORTEST:
        since = _with_ratio(days[first + 1 :], base, tests, scale)
        if since is not None and _odd(days[first], since, tests, scale):
            return first + 1, first
    if (
        first
        and _with_ratio(days[first:], base, tests, scale) is not None
        and _odd(days[first - 1], base, tests, scale)
    ):
        return first, first - 1
    return first, None


def _with_ratio(days: list[Info], base: Fit, tests: Tests, scale: float) -> Fit | None:
    """The baseline with the step of the ratio that explains nearly all of some days; None where none does."""
    hypotheses, D = tests
    seen, explained = _evidence_of(days, base, D, scale)
    best = int(seen.T.argmax())
    if hypotheses[best].unit != "ratio" or explained < NEARLY_ALL:
        return None
    return Fit(base.mean + seen.step[best] * D[:, best], base.covariance)


def _odd(day: Info, base: Fit, tests: Tests, scale: float) -> bool:
    """Whether a baseline does not explain a day."""
    return bool(_evidence_of([day], base, tests[1], scale)[0].T.max() >= ODD)


def _evidence_of(days: list[Info], base: Fit, D: Floats, scale: float) -> tuple[Evidence, float]:
    """The evidence of some days, and what share of it the best hypothesis explains."""
    M, b = np.sum([m for m, _ in days], axis=0), np.sum([v for _, v in days], axis=0)
    s = b - M @ base.mean
    seen = evidence(base, M, s, D, scale)
    return seen, _explained(base, M, s, float(seen.T.max()) * scale)


def daily_information(
    state: WatchState, days: Iterable[DayStatistics], part: int, *, but: int | None = None
) -> list[Info]:
    """Information [M, b] of each day by the unknowns of a part; `but`: without the load of that owner."""
    some = state.parts[part][0]
    square, results = np.ix_(some, some), []
    for day in days:
        M, b = information(state.network, sums_of(state, day, but=but), state.noise)
        results.append((M[square], b[some]))
    return results


def _change(days: list[Info], base: Fit, D: Floats, spread: Floats) -> int:
    """The row of `days` from which on one hypothesis explains most: the change date by likelihood."""
    score = np.array([D.T @ (b - M @ base.mean) for M, b in days])
    own = np.array([(D * (M @ D)).sum(axis=0) for M, _ in days])
    S, K = np.cumsum(score[::-1], axis=0)[::-1], np.cumsum(own[::-1], axis=0)[::-1]
    T = S * S / (np.maximum(K, 1e-30) * spread)
    return int(T[: max(len(days) - SHORTEST + 1, 1)].max(axis=1).argmax())


def _explained(base: Fit, M: Floats, s: Floats, best: float) -> float:
    """Share of the weighted squares of s that the best hypothesis takes away; what scatter alone leaves is not counted."""
    whole = np.linalg.lstsq(M, s, rcond=1e-10)[0]
    total = float(s @ np.linalg.solve(np.eye(len(M)) + base.covariance @ M, whole))
    return min(1.0, best / max(total - len(s), best, 1e-30))
