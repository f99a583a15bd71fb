"""How good forecasts were that have been given out, against what needs no forecast: as now, yesterday, last week, four weeks.

Only pairs count where the value came and all methods had one. PV and surplus are judged by day only: at night everybody is
right.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from meterd.core.forecast.history import Bools, Floats, History, Ints
from meterd.core.forecast.terms import ENVELOPE_DAYS, MEAN_DAYS, days_back, mean_of
from meterd.core.model.forecast import Course, ForecastScore, Quantity
from meterd.core.model.periods import HOUR_MS

LEADS_H = (1, 3, 6, 24, 48)
DAYLIGHT = 0.01  # of the highest PV: where it has never produced more, it is no day
FEWEST = 48  # pairs below which nothing is said

Issued = Mapping[Quantity, Sequence[tuple[int, Course]]]  # moment of issue and course, in order of time


def scores(history: History, issued: Issued) -> tuple[ForecastScore, ...]:
    """The scores of each quantity and lead; none where fewer than two days of pairs are known.

    `history` reaches from four weeks before the first forecast to the last interval that is to be judged.
    """
    results = (_score(history, quantity, courses, lead_h) for quantity, courses in issued.items() for lead_h in LEADS_H)
    return tuple(score for score in results if score is not None)


def actual_of(history: History, quantity: Quantity) -> Floats:
    """What came, in W; of the surplus before it is held at 0: PV less load."""
    if quantity in (Quantity.LOAD, Quantity.SURPLUS):
        return history.load if quantity is Quantity.LOAD else history.pv - history.load
    return history.pv


def naive(values: Floats, issued: Ints, target: Ints, day: int) -> dict[str, Floats]:
    """What the methods without forecast say of each target slot with the values up to the slot of issue."""
    back = (target - issued - 1) // day  # whole days more than one to go back
    means = days_back(values, target, day, MEAN_DAYS + 1)
    mean = np.where(back == 0, mean_of(means[:MEAN_DAYS]), mean_of(means[1:]))
    week = days_back(values, target, day, 7)[6]
    return {
        "as now": values[issued],
        "as the day before": np.where(back == 0, means[0], means[1]),
        "as the week before": week,
        "mean of four weeks": mean,
    }


def _score(
    history: History, quantity: Quantity, courses: Sequence[tuple[int, Course]], lead_h: int
) -> ForecastScore | None:
    lead = lead_h * HOUR_MS // history.interval_ms
    pairs = [
        ((at_ms - history.start_ms) // history.interval_ms - 1, course.low[lead - 1], middle, course.high[lead - 1])
        for at_ms, course in courses
        if 0 < lead <= len(course.middle) and (middle := course.middle[lead - 1]) is not None
    ]
    table = np.array(pairs, dtype=np.float64).reshape(-1, 4)
    issued = table[:, 0].astype(np.int64)
    inside = (issued >= 0) & (issued + lead < len(history.load))
    if not inside.any():
        return None
    return _compared(history, quantity, issued[inside], table=table[inside, 1:], lead=lead)


def _compared(history: History, quantity: Quantity, issued: Ints, *, table: Floats, lead: int) -> ForecastScore | None:
    target, values = issued + lead, actual_of(history, quantity)
    others = naive(values, issued, target, history.per_day)
    actual = values[target]
    if quantity is Quantity.SURPLUS:
        actual, others = np.maximum(actual, 0.0), {name: np.maximum(other, 0.0) for name, other in others.items()}
    counts = np.isfinite(np.stack([actual, *others.values()])).all(axis=0)
    counts &= _daylight(history, target) if quantity is not Quantity.LOAD else True
    if counts.sum() < FEWEST:
        return None
    low, middle, high = table[counts].T
    actual = actual[counts]
    errors = {name: float(np.abs(other[counts] - actual).mean()) for name, other in others.items()}
    best = min(errors, key=errors.__getitem__)
    inside = (actual >= low - 0.5) & (actual <= high + 0.5)  # the band is of whole W
    return ForecastScore(
        quantity,
        lead * history.interval_ms // HOUR_MS,
        int(counts.sum()),
        float(np.abs(middle - actual).mean()),
        best,
        errors[best],
        None if quantity is Quantity.PV_OUTSIDE else float(inside.mean()),
    )


def _daylight(history: History, target: Ints) -> Bools:
    """Whether PV was possible at a slot: it has produced at this time of day within thirty days, or does so now."""
    seen = np.nan_to_num(np.vstack([history.pv[target], days_back(history.pv, target, history.per_day, ENVELOPE_DAYS)]))
    return np.asarray(seen.max(axis=0) > DAYLIGHT * np.nan_to_num(history.pv).max(initial=0.0))
