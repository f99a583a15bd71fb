"""The life of a change: named against the baseline before it, then only what may have changed begins anew, and its end is seen.

What begins anew is a direction of the unknowns: its old level is struck out of what the days before have taught
(`_struck_out`), the others keep theirs. So a second fault is found while a first one lasts, and a repair is one more change,
of which the baseline before the first foretells where it leads to.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from meterd.core.drift.baseline import Fit, directions
from meterd.core.drift.baseline_renewal import (
    added,
    refitted,
    renewed,
    what_is_learned,
    with_fresh_charts,
    without_day,
)
from meterd.core.drift.change_evidence import (
    SCALE_LEAST,
    SHORTEST,
    ChangeEvidence,
    Info,
    daily_information,
    judged_change,
    summed_evidence,
)
from meterd.core.drift.dead_meters import counts_again
from meterd.core.drift.identification import GAP, ODDS, evidence, shape_name
from meterd.core.drift.monitor_state import (
    KEEP,
    WANDER_FROZEN,
    CarriedInformation,
    Change,
    EndedChange,
    Learned,
    WatchState,
    base_before,
    lasting_loads,
    log_evidence,
    only,
    part_of,
    with_wander,
)
from meterd.core.drift.unmetered_load import begun, gone, hidden, never, otherwise, over, taken_as_normal

SURE = 2.0  # times h: the least T of an alarm
SETTLED_DAYS = 14  # a load that has looked like one for two weeks is one
END_DAYS = 7  # of the newest days that may show an end by themselves, without an alarm
END_SURE = 2 * GAP / 2  # ln of how much likelier the old baseline must make them than the one since: 400
OLD_DAYS = 28  # a baseline before a change that lasts longer has wandered with the seasons as a frozen one
NET = 0.25  # of a step; less is left of it after the way back
YOUNG_DAYS = 7  # before a change, to know what a dead meter used to count
DAY_MS = 86_400_000


def opened(state: WatchState, *, frozen: bool, found_ms: int, from_ms: int, part: int) -> WatchState | None:
    """The state with a change that a chart has found: a new one, a further step of a known one, or its end.

    None where what fits best is too small or too unsure to send somebody.
    """
    copy = state.frozen if frozen else state.learner
    assert copy is not None, "an alarm is raised by a copy"
    low = max((renewal.at_ms for renewal in state.renewals), default=0)
    base = copy.fit if frozen else base_before(state, max(from_ms, low))
    spread = copy.spread[state.parts[part][1]]
    look = judged_change(
        state, Change(found_ms, max(from_ms, low), low, part, base, spread, frozen=frozen), opening=True
    )
    suspicion = look.change.suspicion
    if suspicion is None or not _is_relevant(state, look):
        return None
    current = log_evidence(only(look.change.base, state.parts[part][0]), *summed_evidence(look)) + look.best / 2
    for change in reversed(_lasting(state, part)):
        if _before(state, change, summed_evidence(look)) >= current - GAP / 2 or _undone(change, look.change):
            return ended(state, change, look.change.from_ms, "as-before")
    if look.change.load is not None:
        return None if look.change.load.node in hidden(state) else _lasts(state, look.change)
    first = look.change.anew[0]
    known = next((item for item in _lasting(state, part) if first in item.anew and not item.quiet), None)
    if known is not None and _alone(state, known):
        return _further(state, known, look.change)
    return _lasts(state, look.change)


def _lasting(state: WatchState, part: int) -> list[Change]:
    """Changes of instruments that still count; a load without a meter explains nothing of what happens within the hour."""
    return [change for change in state.changes if change.part == part and not change.dead_kw and not change.load]


def _alone(state: WatchState, change: Change) -> bool:
    """Whether nothing but this change has begun anew since it was found."""
    return change.learned is not None and all(
        r.owner == change.found_ms for r in state.renewals[change.learned.renewals :]
    )


def _is_relevant(state: WatchState, look: ChangeEvidence) -> bool:
    """Whether what fits best is large and sure enough to send somebody.

    Half of the step that is worth an alarm; and T of some h: a steady shift shows 4 k h or more when its chart reaches h,
    less what the uncertainty of the baseline takes away.
    """
    assert look.change.suspicion is not None, "it was looked at"
    min_steps = {test.name: test.min_relevant_step for test in state.tests}
    min_steps |= {shape_name(test.node): test.min_relevant_step for test in state.tests if test.kind == "standing"}
    best = look.change.suspicion.candidates[0]
    # a load of any shape fits as well as a small error of a meter that hardly fluctuates: then what it stands beside decides
    candidates = [c for c in look.change.suspicion.candidates if c is best or (best.kind == "shape" and c.odds < ODDS)]
    return best.statistic >= SURE * state.threshold.h and any(
        abs(c.step) >= 0.5 * min_steps[c.hypothesis] for c in candidates
    )


def _index(state: WatchState, name: str) -> int:
    """Place of a hypothesis; -1 for a load of any shape, which is a rival only."""
    return next((j for j, test in enumerate(state.tests) if test.name == name), -1)


# -- a change that goes on ---------------------------------------------------------------------------------------------


def _lasts(state: WatchState, change: Change) -> WatchState:
    """A new change: what may have changed begins anew; of a load the hours are free instead."""
    change = replace(change, learned=what_is_learned(state))
    state = _without_half(_without_scores(replace(state, changes=(*state.changes, change)), change.from_ms), change)
    if change.load:
        return with_fresh_charts(begun(state, change))
    return (
        with_fresh_charts(state)
        if change.dead_kw
        else renewed(state, change.anew, change.from_ms, free=True, owner=change.found_ms)
    )


def _further(state: WatchState, known: Change, step: Change) -> WatchState:
    """One more step of an instrument that is suspect already: its step is measured from the baseline before the first."""
    since = min(ms for ms in (known.begun_ms, known.half_ms, known.from_ms) if ms is not None)
    asked = replace(known, low_ms=step.from_ms, from_ms=step.from_ms, begun_ms=since, half_ms=None, until_ms=None)
    changed = judged_change(state, asked).change
    state = replace(state, changes=tuple(changed if change is known else change for change in state.changes))
    state = _without_half(_without_scores(state, changed.from_ms), changed)
    return renewed(state, changed.anew, changed.from_ms, free=True, owner=changed.found_ms)


def _without_half(state: WatchState, change: Change) -> WatchState:
    """The day during which a change began belongs to neither side of it: what begins anew would learn half of it."""
    return state if change.half_ms is None else without_day(state, change.half_ms)


def followed(state: WatchState) -> WatchState:
    """Changes looked at again with one more day, as long as their evidence grows, and those ended whose end shows."""
    for change in state.changes:
        if change.dead_kw:
            state = _dead(state, change)
            continue
        if all(change is not c for c in state.changes):  # it was no change of its own
            continue
        at_ms = _end(state, change)
        if at_ms is not None:
            state = ended(state, change, at_ms, "as-before")
        elif change.load and _settled(state, change):
            state = _more(state, change)
        elif (
            change.until_ms is None and not change.quiet and change.from_ms > state.recent[0].start_ms and _calm(state)
        ):
            if state.strange_since(change.found_ms) is not None:
                continue  # days of something else
            state = _again(state, change)
    for load in lasting_loads(state):
        if load.accepted and (at_ms := gone(state, load)) is not None:
            state = over(state, load.owner, at_ms)
    return state


def _settled(state: WatchState, change: Change) -> bool:
    """Whether a load has looked like one for two weeks; where an instrument fits too, not while days before it are left."""
    if state.recent[-1].end_ms - change.from_ms < SETTLED_DAYS * DAY_MS:
        return False
    if change.suspicion is not None and not any(fits.points for fits in change.suspicion.candidates):
        return True
    return change.from_ms - state.recent[0].start_ms < SETTLED_DAYS * DAY_MS


def _calm(state: WatchState) -> bool:
    """Whether no chart of the learner is half way to an alarm: else a second change may be about to show."""
    assert state.learner is not None, "a change was found by a copy"
    chart = state.learner.chart
    return max(float(chart.high.max()), float(chart.low.max())) < state.threshold.h / 2


def _again(state: WatchState, change: Change) -> WatchState:
    result = replace(judged_change(state, change).change, dead_kw=0.0)
    if result.from_ms >= change.found_ms:  # what fits best began after this was found: it is something else
        return state
    last = state.recent[-SHORTEST].start_ms
    if (
        change.found_ms <= last and _name(result) != _name(change) != ""
    ):  # days of another change must not give this one its name
        result = judged_change(state, replace(change, until_ms=last)).change
        result = replace(result, until_ms=None, dead_kw=0.0)
    state = replace(state, changes=tuple(result if c is change else c for c in state.changes))
    if result.load:
        return _as_load(state, change, result)
    if change.load:
        state = _without_half(never(state, change.found_ms), result)
        return renewed(state, result.anew, result.from_ms, free=True, owner=result.found_ms)
    more = tuple(j for j in result.anew if j not in change.anew)
    if result.half_ms != change.half_ms and state.learner is not None:
        state = refitted(with_fresh_charts(_without_half(state, result)))
    if not more or state.learner is None:
        return state
    return renewed(state, more, result.from_ms, free=True, owner=result.found_ms, cut=False)


def _more(state: WatchState, change: Change) -> WatchState:
    """A load that draws much more or less than was reported is reported again, by its last week; it began when it did.

    What was reported as losses has become another thing: it began when it came, though the hours are free since before.
    """
    load = next(load for load in state.loads if load.owner == change.found_ms)
    low_ms = otherwise(state, load)
    if low_ms is None or _lasting(state, change.part):  # what an instrument reads wrong looks like more or less of it
        return state
    since = change.from_ms if change.begun_ms is None else change.begun_ms
    asked = replace(change, low_ms=low_ms, begun_ms=since, until_ms=None)
    result = judged_change(state, asked).change
    if result.load is None:
        return state
    if _is_loss(change) and not _is_loss(result):
        result = judged_change(state, replace(asked, begun_ms=None)).change
        since = result.from_ms
    stored = replace(result, from_ms=change.from_ms, low_ms=change.low_ms, begun_ms=since)
    state = replace(state, changes=tuple(stored if c is change else c for c in state.changes))
    return begun(state, stored, result.from_ms)


def _is_loss(change: Change) -> bool:
    return change.load is not None and change.load.kind == "loss"


def _as_load(state: WatchState, was: Change, change: Change) -> WatchState:
    """More days show a load without a meter: what had begun anew for it comes back, and so goes what seemed to follow it."""
    if was.load:
        return begun(state, change)
    mine = {change.found_ms} | {
        c.found_ms for c in state.changes if c.part == change.part and c.found_ms > change.found_ms
    }
    left = tuple(c for c in state.changes if c is change or c.found_ms not in mine or c.quiet)
    state = begun(replace(state, changes=left), change)
    if change.learned is not None and all(r.owner in mine for r in state.renewals[change.learned.renewals :]):
        return _restored(state, change.learned, change.from_ms, change.from_ms)
    return with_fresh_charts(state)


def _name(change: Change) -> str:
    return (change.suspicion.named or "") if change.suspicion is not None else ""


def _dead(state: WatchState, change: Change) -> WatchState:
    """A meter that counted nothing: over once it counts again; the days between are dropped."""
    assert change.suspicion is not None, "a dead meter is told"
    day = state.recent[-1]
    if counts_again(state.network, day, change.suspicion.candidates[0].points[0], change.dead_kw):
        return ended(state, change, day.start_ms, "as-before")
    if change.from_ms - state.recent[0].start_ms < YOUNG_DAYS * DAY_MS:
        return state
    result = judged_change(state, change).change
    if not result.dead_kw:  # some days of another load do not bring it back to life
        return state
    result = replace(result, dead_kw=change.dead_kw)
    return replace(state, changes=tuple(result if c is change else c for c in state.changes))


# -- its end -----------------------------------------------------------------------------------------------------------


def _end(state: WatchState, change: Change) -> int | None:
    """The day from which on the figures are again what the baseline before the change foretells; None while it lasts."""
    if change.load:
        return next((gone(state, load) for load in state.loads if load.owner == change.found_ms), None)
    days = [d for d in state.recent[-END_DAYS:] if d.start_ms >= change.found_ms]
    if state.learner is None or len(days) < SHORTEST:
        return None
    scale = max(float(np.mean(change.spread)), SCALE_LEAST)
    some = [(M / scale, b / scale) for M, b in daily_information(state, days, change.part)]
    now = only(state.learner.fit, state.parts[change.part][0])
    better = np.array([_before(state, change, info) - log_evidence(now, *info) for info in some])
    sums = np.cumsum(better[::-1])[::-1]
    if not np.isfinite(better[-SHORTEST:]).all():
        return None
    first = int(sums.argmax())
    if len(days) - first < SHORTEST:
        return None
    since = np.sum([m for m, _ in some[first:]], axis=0), np.sum([b for _, b in some[first:]], axis=0)
    sure = _before(state, change, since) - log_evidence(now, *since) > END_SURE
    return days[first].start_ms if sure else None


def _before(state: WatchState, change: Change, days: Info) -> float:
    """ln of how likely days are if the change is over: under the baseline before it, or the present one with its step back.

    The first knows nothing of what changed since; the second rests on the name that was given. Neither counts where something
    else explains the days much better still: then more than an end is in them.
    """
    unknowns, _, D = state.parts[change.part]
    result = -np.inf
    for base in _ways_back(state, change):
        within = only(base, unknowns)
        if float(evidence(within, days[0], days[1] - days[0] @ within.mean, D).T.max()) < state.threshold.h:
            result = max(result, log_evidence(within, *days))
    return float(result)


def _ways_back(state: WatchState, change: Change) -> Iterator[Fit]:
    if _alone(state, change):
        old = state.recent[-1].start_ms - change.from_ms > OLD_DAYS * DAY_MS
        yield with_wander(state, change.base, WANDER_FROZEN) if old else change.base
    if state.learner is not None and not change.quiet:
        fit, D = state.learner.fit, directions(state.network, state.tests)
        for j, step, error in zip(change.anew, change.steps, change.errors, strict=True):
            if not np.isfinite(error):  # days without anything of it: nothing is known of its step
                continue
            yield Fit(fit.mean - step * D[:, j], fit.covariance + error**2 * np.outer(D[:, j], D[:, j]))


def _undone(change: Change, step: Change) -> bool:
    """Whether a further step of what changed leads back to where it came from."""
    assert step.suspicion is not None, "it was looked at"
    back = dict(zip(step.anew, step.steps, strict=True))
    first = step.anew[0]
    if change.quiet or first not in change.anew:
        return False
    before = change.steps[change.anew.index(first)]
    return abs(before + back[first]) <= NET * abs(before)


def ended(state: WatchState, change: Change, at_ms: int, how: str) -> WatchState:
    """The change is over since a day: the baseline before it holds again where nothing else has changed since."""
    left = tuple(c for c in state.changes if c is not change)
    state = replace(state, changes=left, ended=(*state.ended, EndedChange(change, at_ms, how)))
    if change.load:
        return over(state, change.found_ms, at_ms)
    state = state if change.dead_kw else _without_scores(state, at_ms)
    learned_days = change.learned
    if learned_days is None or state.learner is None or not _alone(state, change):
        return with_fresh_charts(renewed(state, change.anew, at_ms, free=False))
    return _restored(state, learned_days, change.from_ms, at_ms)


def _restored(state: WatchState, learned_days: Learned, from_ms: int, at_ms: int) -> WatchState:
    """The baseline of before `from_ms` with the days since `at_ms`; those between are dropped."""
    old = tuple(d for d in state.recent if d.start_ms < from_ms)
    days = tuple(d for d in state.recent if d.start_ms >= at_ms)
    sums, weight = added(state, learned_days.sums, days), KEEP ** len(days)
    frozen = state.frozen
    if frozen is not None and learned_days.frozen is not None:
        frozen = replace(frozen, fit=learned_days.frozen)  # and if it was renewed meanwhile, it is due again
    state = replace(
        state,
        recent=(*old, *days),
        sums=sums,
        summed=learned_days.summed + len(days),
        learned=state.seen,
        carried=CarriedInformation(learned_days.carried.M * weight, learned_days.carried.b * weight),
        start=learned_days.start,
        frozen=frozen,
        frozen_at=learned_days.frozen_at,
        renewals=state.renewals[: learned_days.renewals],
        settled=min(state.settled, learned_days.renewals),
    )
    return refitted(with_fresh_charts(state))


def _without_scores(state: WatchState, from_ms: int) -> WatchState:
    """The days since a change are no measure of what days scatter when nothing changes."""
    count = sum(day.start_ms >= from_ms for day in state.recent)
    left = max(len(state.scores) - count, 0)
    return replace(state, scores=state.scores[:left], allowances=state.allowances[:left])


def accepted(state: WatchState, which: Iterable[Change], at_ms: int) -> WatchState:
    """These changes are the new normal: nothing more is said of them. What may have changed began anew when they were found."""
    for change in which:
        left = tuple(c for c in state.changes if c is not change)
        state = replace(state, changes=left, ended=(*state.ended, EndedChange(change, at_ms, "accepted")))
        if change.load and change.load.kind == "shape":
            state = taken_as_normal(state, change.found_ms)
        elif change.load:  # as steady as a baseline can hold
            state = renewed(never(state, change.found_ms), change.anew, change.from_ms, free=True)
        elif change.dead_kw:  # it stays dead: whatever is missing is the new normal of its balance
            state = renewed(state, change.anew, change.from_ms, free=True)
    return state


def exchanged(state: WatchState, names: Iterable[str], at_ms: int) -> WatchState:
    """These instruments are others from a moment on: they begin anew, and what was said of the old ones is over."""
    tests = tuple(_index(state, f"ratio {name}") for name in names)
    over = [
        c
        for c in state.changes
        if c.suspicion is not None and _index(state, c.suspicion.candidates[0].hypothesis) in tests
    ]
    for change in over:
        left = tuple(c for c in state.changes if c is not change)
        state = replace(state, changes=left, ended=(*state.ended, EndedChange(change, at_ms, "exchanged")))
    return renewed(state, tests, at_ms, free=False)


def corrected(state: WatchState, names: Iterable[str], at_ms: int) -> WatchState:
    """The figures of these instruments are corrected from a moment on: about as before, with an error of their own."""
    tests = tuple(_index(state, f"ratio {name}") for name in names)
    if state.learner is None:
        return renewed(state, tests, at_ms, free=False)
    for j in tests:
        part = part_of(state, j)
        spread = state.learner.spread[state.parts[part][1]]
        quiet = Change(at_ms, at_ms, at_ms, part, state.learner.fit, spread, what_is_learned(state), quiet=True)
        quiet = replace(quiet, anew=(j,), steps=(0.0,), errors=(0.0,))
        state = renewed(replace(state, changes=(*state.changes, quiet)), (j,), at_ms, free=False, owner=at_ms)
    return state


def free(state: WatchState, names: Iterable[str], at_ms: int) -> WatchState:
    """Whatever these instruments read from a day on is the new normal, though the watch has not found a change yet."""
    tests = tuple(_index(state, f"ratio {name}") for name in names)
    newest = state.recent[-1].end_ms if state.recent else at_ms
    return renewed(state, tests, min(at_ms, newest), free=True)
