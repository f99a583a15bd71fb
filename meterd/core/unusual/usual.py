"""What is usual for a load: the median of the days alike in six weeks, moved as the other loads have moved.

    own     = log((taken + floor) / (median + floor))      a tenth of the load's mean is the floor, so that a load that is
                                                           nearly off is not measured by a ratio to nearly nothing
    others  = median of `own` of the other loads           weather and holidays, as far as the site shares them
    excess  = own - follows * others                       `follows`: how much this load goes with the others, 0..1.5,
                  - per_degree * degrees                   least squares over its history, drawn towards 1; `degrees`:
                                                           degree days of heating and of cooling beyond the median of the
                                                           days alike, divided by (median + floor), so that `per_degree`
                                                           is in W and the same in all seasons, 0 or more, drawn towards
                                                           0; only where outdoor temperatures are known
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
LEAST_DRAWN = 1e-12  # where it was never cold
DEGREES_DRAWN = 2  # towards 0: as if so many days like the coldest had shown nothing
CLIPPED = 0.7  # one strange day does not say how a load follows the others
SPREAD_LEAST = 0.03


@dataclass(slots=True)
class Course:
    """One quantity of all loads by day, with what is worked out so far. `counted`: days that may say what is usual.

    `degrees` are degree days by day, a column each for heating and cooling, NaN = not known; no column without temperatures.
    `moves` [days, loads, 1 + columns] is `others` and `degrees` of the formulas above, `goes` the factors of the same order.
    """

    taken: Floats
    degrees: Floats
    median: Floats
    floor: Floats
    own: Floats
    moves: Floats
    counted: Bools
    ordinary: Bools  # days whose excess may say how much a load varies

    @property
    def others(self) -> Floats:
        """By how much the other loads have moved [days, loads]."""
        return self.moves[..., 0]


@dataclass(frozen=True, slots=True)
class Habit:
    """How each load goes with what moves it [loads, 1 + columns], and how much it varies; NaN with too little history."""

    goes: Floats
    spread: Floats


def course_of(taken: Floats, degrees: Floats | None = None) -> Course:
    """Nothing is worked out yet."""
    empty = np.full(taken.shape, np.nan)
    every = np.ones(taken.shape, dtype=np.bool_)
    outside = np.zeros((len(taken), 0)) if degrees is None else degrees
    moves = np.full((*taken.shape, 1 + outside.shape[1]), np.nan)
    return Course(
        taken=taken,
        degrees=outside,
        median=empty,
        floor=empty.copy(),
        own=empty.copy(),
        moves=moves,
        counted=every,
        ordinary=every.copy(),
    )


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
            beyond = _beyond_alike(course.degrees, rows[classes[rows] == classes[t]], t)
            course.moves[t, here, 1:] = beyond / (course.median[t, here] + course.floor[t, here])[:, None]
    course.own[t] = log_ratio(course.taken[t], course.median[t], course.floor[t])
    unrelated = np.where(loads.kin, np.nan, course.own[t][:, None])
    enough = np.isfinite(unrelated).sum(axis=0) >= LEAST_OTHERS
    course.moves[t, :, 0] = np.where(enough, _median(unrelated), 0.0)


def _beyond_alike(degrees: Floats, alike: Ints, t: int) -> Floats:
    """By how many degree days day t is beyond the median of the days alike; 0 where that is not known."""
    known = degrees[alike]
    enough = np.isfinite(known).sum(axis=0) >= LEAST_ALIKE
    return np.nan_to_num(np.where(enough, degrees[t] - _median(known), 0.0))


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
    moves = np.where(known[..., None], course.moves[rows], 0.0)
    moves[..., 0] = np.clip(moves[..., 0], -CLIPPED, CLIPPED)
    goes = _goes(own, moves)
    rest = np.where(known, np.abs(own - (goes * moves).sum(axis=-1)), np.nan)
    enough = known.sum(axis=0) >= LEAST_HISTORY
    if not len(rest):
        return Habit(goes, np.full(len(goes), np.nan))
    spread = np.maximum(1.48 * quantile_of(rest, 0.5), quantile_of(rest, 0.98) / 2.33)
    return Habit(goes, np.where(enough, np.maximum(spread, SPREAD_LEAST), np.nan))


def _goes(own: Floats, moves: Floats) -> Floats:
    """Least squares of each load, drawn towards going with the others alone."""
    square = np.einsum("tlj,tlk->ljk", moves, moves)
    drawn = DEGREES_DRAWN * (moves**2).max(axis=0, initial=0.0) + LEAST_DRAWN
    drawn[:, 0] = DRAWN
    towards = np.array([1.0] + [0.0] * (moves.shape[-1] - 1))
    square = square + drawn[:, None, :] * np.eye(moves.shape[-1])
    goes = np.linalg.solve(square, (np.einsum("tl,tlk->lk", own, moves) + drawn * towards)[..., None])[..., 0]
    most = np.array([FOLLOWS_MOST] + [np.inf] * (moves.shape[-1] - 1))
    return np.asarray(np.clip(goes, 0.0, most))


def excess(course: Course, goes: Floats, rows: slice) -> Floats:
    """The excess of some days by load, as a logarithm."""
    return np.asarray(course.own[rows] - (goes * course.moves[rows]).sum(axis=-1))


def usual_w(course: Course, goes: Floats, t: int, load: int) -> float:
    """What a load would have taken on day t as it usually does, with the others and the outdoor air as they were.

    `goes` are the factors of this load.
    """
    floor = course.floor[t, load]
    moved = (course.median[t, load] + floor) * np.exp((goes * course.moves[t, load]).sum()) - floor
    return max(0.0, float(moved))
