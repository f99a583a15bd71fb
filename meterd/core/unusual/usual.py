"""What is usual for a load: the median of the days alike in six weeks, moved as the other loads have moved.

    own     = log((taken + floor) / (median + floor))      a tenth of the load's mean is the floor, so that a load that is
                                                           nearly off is not measured by a ratio to nearly nothing
    others  = median of `own` of the other loads           weather and holidays, as far as the site shares them
    excess  = own - follows * others                       `follows`: how much this load goes with the others, 0..1.5,
                                                           least squares over its history, drawn towards 1
    spread  = robust standard deviation of the excess      1.48 MAD, or the 98 % quantile / 2.33 where tails are heavier

A load that is on now and then (the mean of days alike far above their median) has nothing usual and is not judged.

Source: median and MAD as in Huber, Robust Statistics (common practice); the rest was measured on the site of tests/data.
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.forecast.terms import mean_of, quantile_of
from meterd.core.model.distinct import distinct
from meterd.core.unusual.days import Bools, Floats, Ints, Loads

USUAL_DAYS = 42  # six weeks: six Saturdays
LEAST_ALIKE = 3  # days of the same class
HISTORY_DAYS = 120  # of excesses that say how much a load varies and follows the others
LEAST_HISTORY = 20
REGULAR = 1.5  # medians: the most that the mean of days alike may be
RECENT_DAYS = 7
LEAST_OTHERS = 3  # loads whose median is subtracted
FLOOR = 0.1
DRAWN = 7 * 0.1**2  # towards 1: as if a week of 10 % had been followed
FOLLOWS_MOST = 1.5
CLIPPED = 0.7  # one strange day does not say how a load follows the others
SPREAD_LEAST = 0.03


@dataclass(slots=True)
class Course:
    """One quantity of all loads by day, with what is worked out so far. `counted`: days that may say what is usual."""

    taken: Floats
    median: Floats
    floor: Floats
    own: Floats
    others: Floats
    counted: Bools
    ordinary: Bools  # days whose excess may say how much a load varies


@dataclass(frozen=True, slots=True)
class Habit:
    """How each load goes with the others and how much it varies; NaN where there is too little history."""

    follows: Floats
    spread: Floats


def course_of(taken: Floats) -> Course:
    """Nothing is worked out yet."""
    empty = np.full(taken.shape, np.nan)
    every = np.ones(taken.shape, dtype=np.bool_)
    return Course(taken, empty, empty.copy(), empty.copy(), empty.copy(), every, every.copy())


def advance(course: Course, loads: Loads, classes: Ints, t: int, since: Ints) -> None:
    """Work out day t. `since` is the day before which six weeks say what is usual: t, or the start of what is unusual."""
    for first in distinct(since).tolist():
        here = since == first
        rows = np.arange(max(0, first - USUAL_DAYS), first)
        known = np.where(course.counted[rows][:, here], course.taken[rows][:, here], np.nan)
        if len(rows):
            alike = known[classes[rows] == classes[t]]
            enough = np.isfinite(alike).sum(axis=0) >= LEAST_ALIKE
            median, floor = _median(alike), FLOOR * mean_of(known)
            older = known[
                (classes[rows] == classes[t]) & (rows < first - RECENT_DAYS)
            ]  # what is new makes no load irregular
            regular = mean_of(older) <= REGULAR * _median(older) + floor
            course.median[t, here] = np.where(enough & regular, median, np.nan)
            course.floor[t, here] = floor
    course.own[t] = log_ratio(course.taken[t], course.median[t], course.floor[t])
    unrelated = np.where(loads.kin, np.nan, course.own[t][:, None])
    enough = np.isfinite(unrelated).sum(axis=0) >= LEAST_OTHERS
    course.others[t] = np.where(enough, _median(unrelated), 0.0)


def log_ratio(taken: Floats, median: Floats, floor: Floats) -> Floats:
    """`own` of the formulas above; NaN where a term is missing or the load took nothing in six weeks."""
    known = np.isfinite(taken) & np.isfinite(median) & (floor > 0)
    over, under = np.where(known, taken + floor, 1.0), np.where(known, median + floor, 1.0)
    return np.asarray(np.where(known, np.log(over / under), np.nan))


def _median(rows: Floats) -> Floats:
    return quantile_of(rows, 0.5) if len(rows) else np.full(rows.shape[1], np.nan)


def habit_of(course: Course, until: int) -> Habit:
    """The habit of each load from the days before `until`."""
    rows = slice(max(0, until - HISTORY_DAYS), max(0, until))
    known = course.ordinary[rows] & np.isfinite(course.own[rows])
    own = np.where(known, np.clip(course.own[rows], -CLIPPED, CLIPPED), 0.0)
    others = np.where(known, np.clip(course.others[rows], -CLIPPED, CLIPPED), 0.0)
    follows = np.clip(((own * others).sum(axis=0) + DRAWN) / ((others**2).sum(axis=0) + DRAWN), 0.0, FOLLOWS_MOST)
    rest = np.where(known, np.abs(own - follows * others), np.nan)
    enough = known.sum(axis=0) >= LEAST_HISTORY
    if not len(rest):
        return Habit(follows, np.full(len(follows), np.nan))
    spread = np.maximum(1.48 * quantile_of(rest, 0.5), quantile_of(rest, 0.98) / 2.33)
    return Habit(follows, np.where(enough, np.maximum(spread, SPREAD_LEAST), np.nan))


def usual_w(course: Course, follows: float, t: int, load: int) -> float:
    """What a load would have taken on day t as it usually does, with the others as they were."""
    floor = course.floor[t, load]
    moved = (course.median[t, load] + floor) * np.exp(follows * course.others[t, load]) - floor
    return max(0.0, float(moved))
