"""Loads that take more than usual, day after day: when it is seen, how long it lasts, when it is over or has become usual.

Three looks at the excess (see `usual`), each at the end of a day:

    night     the mean of the last four nights beyond its limit                  a base load that rose
    week      the mean of the last 4, 5, 6 or 7 days beyond its limit            since a day
    weekend   the mean of Saturday and Sunday beyond its limit

The limit is a number of spreads, and at least a share of what is usual; or a share that a person has set. What is unusual does
not become usual by itself within six weeks: until then its days are not counted, and what was usual before it began is what it
is compared with.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from meterd.core.unusual.days import WORKDAY, Bools, Floats, Ints, UseDays
from meterd.core.unusual.usual import USUAL_DAYS, Course, Habit, advance, course_of, excess, habit_of, usual_w

JUDGED_DAYS = 28  # known of the last six weeks: below that a load is young
NIGHTS = 4
NIGHT_SPREADS, NIGHT_LEAST = 2.8, 0.15
WEEK_SPREADS, WEEK_LEAST = 3.5, 0.15
WEEKEND_SPREADS, WEEKEND_LEAST = 4.2, 0.25
WINDOWS = {
    4: 0.75,
    5: 0.7,
    6: 0.68,
    7: 0.65,
}  # spread of a mean of so many days, in spreads of a day (measured on siteA)
WEEKEND_SPREAD = 0.85
WHOLE = 1.25  # times the night's excess: a day beyond it is no base load
STEADY = 0.3  # of the mean: each day of a window is beyond it, so that one party is no week
OVER = 0.5  # of what was found: below it two days in a row it is over
QUIET_DAYS = 2
WEEKEND_DAYS = 9  # without a known weekend it is over


class Kind(StrEnum):
    """What is unusual."""

    NIGHT = "night"
    WEEK = "week"
    WEEKEND = "weekend"
    LIMIT = "limit"  # nights beyond the limit of the plan: see `night_limits`


@dataclass(frozen=True, slots=True)
class Accepted:
    """Somebody has taken what a load takes since a moment as usual."""

    since_ms: int
    at_ms: int


@dataclass(frozen=True, slots=True)
class Unusual:
    """A load that takes more than usual, from its first day until the end of the last one that is known.

    `taken` and `usual` are energies in Wh of the days from first to last, for nights mean powers in W.
    `weeks` is how many comparable weeks say what is usual; `others` by how much the other loads have moved, and `air` by how
    much the outdoor temperatures have moved what is usual, as factors. `workdays` is what as many workdays take.
    """

    load: str
    kind: Kind
    first_ms: int
    until_ms: int
    taken: float
    usual: float
    weeks: int
    others: float
    workdays: float
    air: float = 1.0


@dataclass(frozen=True, slots=True)
class Ended:
    """What is over: at the start of which day, and how."""

    load: str
    kind: Kind
    first_ms: int
    at_ms: int
    how: str  # "as before", "usual now", "accepted"


@dataclass(frozen=True, slots=True)
class Watched:
    """All loads after all days. `young` have too little history to be judged."""

    unusual: tuple[Unusual, ...]
    ended: tuple[Ended, ...]
    detected: tuple[tuple[str, Kind, int], ...]  # every time something was found, with the start of that day
    young: tuple[str, ...]
    days: int
    loads: int


@dataclass(slots=True)
class _Episode:
    """Something unusual that lasts; days by number. `excess` is what was found."""

    kind: Kind
    first: int
    last: int
    excess: float
    goes: Floats
    quiet: int = 0


@dataclass(slots=True)
class _State:
    days: UseDays
    day: Course
    night: Course
    episodes: dict[int, _Episode] = field(default_factory=dict)
    ended: list[Ended] = field(default_factory=list)
    detected: list[tuple[str, Kind, int]] = field(default_factory=list)

    def of(self, kind: Kind) -> Course:
        return self.night if kind is Kind.NIGHT else self.day


def watch(days: UseDays, accepted: Mapping[str, Sequence[Accepted]] | None = None) -> Watched:
    """All days in their order. The state follows from the days alone, so a corrected figure leaves nothing behind."""
    state = _State(days, course_of(days.day_w, days.degrees), course_of(days.night_w, days.degrees))
    taken_over = [
        (entry, load) for load, name in enumerate(days.loads.names) for entry in (accepted or {}).get(name, ())
    ]
    judged = np.zeros(len(days.loads.names), dtype=np.bool_)
    for t in range(len(days.classes)):
        for entry, load in taken_over:
            if days.bounds_ms[t] <= entry.at_ms < days.bounds_ms[t + 1]:
                _take_over(state, load, int(np.searchsorted(days.bounds_ms, entry.since_ms, side="right")) - 1, t)
        since = np.full(len(judged), t)
        for load, episode in state.episodes.items():
            since[load] = episode.first
        for course in (state.day, state.night):
            advance(course, days.loads, days.classes, t, since)
        for load, episode in list(state.episodes.items()):
            _follow(state, load, episode, t)
        known = np.isfinite(days.night_w[max(0, t + 1 - USUAL_DAYS) : t + 1]).sum(axis=0)
        judged = (known >= JUDGED_DAYS) & (t >= USUAL_DAYS)
        if judged.any():
            _look(state, judged, t)
    for entry, load in taken_over:
        if entry.at_ms >= days.bounds_ms[-1]:
            _take_over(
                state, load, int(np.searchsorted(days.bounds_ms, entry.since_ms, side="right")) - 1, len(days.classes)
            )
    young = tuple(name for name, old in zip(days.loads.names, judged, strict=True) if not old)
    return Watched(_reported(state), tuple(state.ended), tuple(state.detected), young, len(days.classes), len(judged))


def _look(state: _State, judged: Bools, t: int) -> None:
    """Whatever begins to be unusual with day t: of a load the first that is seen."""
    night = habit_of(state.night, t - NIGHTS + 1)
    day = habit_of(state.day, t - 6)
    week = excess(state.day, day.goes, slice(t - 6, t + 1))
    _look_at_nights(state, _free(state, judged), t, night, week=week, goes=day.goes)
    judged = judged & ~state.days.loads.base_only
    for days, share in WINDOWS.items():
        mean, least = week[-days:].mean(axis=0), week[-days:].min(axis=0)
        limit = _limit(state, WEEK_SPREADS * share * day.spread, WEEK_LEAST)
        for load in np.flatnonzero(_free(state, judged) & (mean > limit) & (least > STEADY * mean)).tolist():
            _begin(state, load, _Episode(Kind.WEEK, t - days + 1, t, float(mean[load]), day.goes[load]))
    if state.days.ends_a_weekend(t):
        mean, least = week[-2:].mean(axis=0), week[-2:].min(axis=0)
        limit = _limit(state, WEEKEND_SPREADS * WEEKEND_SPREAD * day.spread, WEEKEND_LEAST)
        for load in np.flatnonzero(_free(state, judged) & (mean > limit) & (least > OVER * limit)).tolist():
            _begin(state, load, _Episode(Kind.WEEKEND, t - 1, t, float(mean[load]), day.goes[load]))


def _limit(state: _State, spreads: Floats, least: float) -> Floats:
    """The limit of each load: a number of its spreads and at least a share, or what a person has set."""
    learned, own = np.maximum(spreads, least), state.days.loads.own_excess
    return np.asarray(learned if own is None else np.where(np.isfinite(own), own, learned))


def _free(state: _State, judged: Bools) -> Bools:
    """The loads that are judged and of which nothing unusual is known."""
    free = judged.copy()
    free[list(state.episodes)] = False
    return free


def _look_at_nights(state: _State, free: Bools, t: int, night: Habit, *, week: Floats, goes: Floats) -> None:
    """A base load adds the same by day and by night. Where the days rose by more than the nights, the whole load did."""
    nights = excess(state.night, night.goes, slice(t - NIGHTS + 1, t + 1))
    mean, days = nights.mean(axis=0), week[-NIGHTS:].mean(axis=0)
    limit = _limit(state, NIGHT_SPREADS * night.spread, NIGHT_LEAST)
    rows = range(t - NIGHTS + 1, t + 1)
    for load in np.flatnonzero(free & (mean > limit) & (nights.min(axis=0) > STEADY * mean)).tolist():
        by_night = sum(state.night.taken[row, load] - usual_w(state.night, night.goes[load], row, load) for row in rows)
        by_day = sum(state.day.taken[row, load] - usual_w(state.day, goes[load], row, load) for row in rows)
        whole = by_day > WHOLE * by_night and days[load] > WEEK_LEAST and not state.days.loads.base_only[load]
        kind, size = (Kind.WEEK, days) if whole else (Kind.NIGHT, mean)
        goes_with = goes if whole else night.goes
        _begin(state, load, _Episode(kind, rows[0], t, float(size[load]), goes_with[load]))


def _begin(state: _State, load: int, episode: _Episode) -> None:
    state.episodes[load] = episode
    state.detected.append((state.days.loads.names[load], episode.kind, int(state.days.bounds_ms[episode.last])))
    _leave_out(state, load, slice(episode.first, episode.last + 1))
    for course in (state.day, state.night):  # what was usual before it began
        for t in range(episode.first, episode.last + 1):
            since = np.full(len(state.days.loads.names), t)
            since[load] = episode.first
            _compare_again(state, course, load, t, since)


def _compare_again(state: _State, course: Course, load: int, t: int, since: Ints) -> None:
    """The days of an episode before it was found, compared with what was usual before it: of this load alone."""
    trial = replace(
        course,
        median=course.median.copy(),
        floor=course.floor.copy(),
        own=course.own.copy(),
        moves=course.moves.copy(),
    )
    advance(trial, state.days.loads, state.days.classes, t, since)
    course.median[t, load], course.floor[t, load] = trial.median[t, load], trial.floor[t, load]
    course.own[t, load] = trial.own[t, load]
    course.moves[t, load, 1:] = trial.moves[t, load, 1:]


def _leave_out(state: _State, load: int, rows: slice) -> None:
    for course in (state.day, state.night):
        course.counted[rows, load] = course.ordinary[rows, load] = False


def _follow(state: _State, load: int, episode: _Episode, t: int) -> None:
    """Whether what is unusual goes on with day t."""
    if t - episode.first >= USUAL_DAYS:
        _end(state, load, t, "usual now")
        _usual_from(state, load, episode.first, t)
        return
    course, weekend = state.of(episode.kind), episode.kind is Kind.WEEKEND
    rows = slice(t - 1, t + 1) if weekend else slice(t, t + 1)
    beyond = float((course.own[rows, load] - (episode.goes * course.moves[rows, load]).sum(axis=-1)).mean())
    if weekend and not state.days.ends_a_weekend(t):
        beyond = np.nan
    if np.isfinite(beyond):
        goes_on = beyond > OVER * episode.excess
        episode.quiet = 0 if goes_on else episode.quiet + 1
        episode.last = t if goes_on else episode.last
        if goes_on or not weekend:
            _leave_out(state, load, rows)
    if weekend:
        if episode.quiet or t - episode.last >= WEEKEND_DAYS:
            _end(state, load, t - 1, "as before")
    elif episode.quiet >= QUIET_DAYS:
        _end(state, load, episode.last + 1, "as before")


def _end(state: _State, load: int, t: int, how: str) -> None:
    episode = state.episodes.pop(load)
    first, at = int(state.days.bounds_ms[episode.first]), int(state.days.bounds_ms[t])
    state.ended.append(Ended(state.days.loads.names[load], episode.kind, first, at, how))


def _usual_from(state: _State, load: int, first: int, t: int) -> None:
    """From day t on, what the load took since a day is what is usual; the days just before are compared with it too."""
    for course in (state.day, state.night):
        course.counted[: max(0, first), load] = False
        course.counted[max(0, first) :, load] = True
        for row in range(max(0, t - 6), min(t + 1, len(course.own))):
            _compare_again(state, course, load, row, np.full(course.own.shape[1], row))


def _take_over(state: _State, load: int, first: int, t: int) -> None:
    if load in state.episodes:
        _end(state, load, t, "accepted")
    _usual_from(state, load, first, t - 1)


def _reported(state: _State) -> tuple[Unusual, ...]:
    """What lasts, without what a part of the load explains by half or more."""
    reported = {load: _unusual(state, load, episode) for load, episode in sorted(state.episodes.items())}
    below = state.days.loads.below
    return tuple(
        item
        for load, item in reported.items()
        if not any(_explains(reported[part], item) for part in reported if below[load, part])
    )


def _explains(part: Unusual, whole: Unusual) -> bool:
    return part.kind is whole.kind and part.taken - part.usual >= (whole.taken - whole.usual) / 2


def _unusual(state: _State, load: int, episode: _Episode) -> Unusual:
    days, course = state.days, state.of(episode.kind)
    rows = [t for t in range(episode.first, episode.last + 1) if np.isfinite(course.own[t, load])]
    if episode.kind is Kind.WEEKEND:
        rows = [t for t in rows if days.classes[t]]
    weight = [1 / len(rows) if episode.kind is Kind.NIGHT else float(days.hours[t]) for t in rows]
    before = slice(max(0, episode.first - USUAL_DAYS), episode.first)
    counted = course.counted[before, load] & np.isfinite(course.taken[before, load])
    workdays = course.taken[before, load][counted & (days.classes[before] == WORKDAY)]
    return Unusual(
        load=days.loads.names[load],
        kind=episode.kind,
        first_ms=int(days.bounds_ms[episode.first]),
        until_ms=int(days.bounds_ms[episode.last + 1]),
        taken=sum(w * float(course.taken[t, load]) for t, w in zip(rows, weight, strict=True)),
        usual=sum(w * usual_w(course, episode.goes, t, load) for t, w in zip(rows, weight, strict=True)),
        weeks=round(int(counted.sum()) / 7),
        others=float(np.exp(np.mean([course.others[t, load] for t in rows]))),
        workdays=float(workdays.mean()) * sum(weight) if len(workdays) else 0.0,
        air=float(np.exp(np.mean([(episode.goes[1:] * course.moves[t, load, 1:]).sum() for t in rows]))),
    )
