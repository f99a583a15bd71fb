"""A forecast from outside: brought to the intervals of the site, turned into a power of PV, and given the weight that its
own past errors have earned.

It is no column of the blend: weights that are fitted over sixty days would trust a forecast for weeks after it went wrong.
So it is mixed with the own forecast of PV by one weight for each lead, from the errors of the last 14, 7 and 3 days.
Without seven days of errors, or where it did not help in the last days, the weight is 0.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterd.core.forecast.history import Floats, Ints, Outside
from meterd.core.model.distinct import distinct
from meterd.core.model.forecast import OutsideQuantity

WORTH_DAYS = 14  # of whose errors the weight is made
SEEN_DAYS = 45  # the band is made of the errors of 42 days, of forecasts up to two days older
FEWEST_DAYS = 7  # with errors, below which it has no weight
LOOKS_DAYS = (
    14,
    7,
    3,
)  # over each of which the weight must be a gain: a forecast that goes wrong is let go within days
GAIN_LEAST = 0.95  # of the own error: a weight that gains less follows chance
MOST = 1.1  # times the envelope of a clear day, as for the own forecast
WEIGHTS = np.linspace(0.0, 1.0, 11)
AROUND = 2  # slots before and after whose irradiance counts for a time of day
OLDEST_MS = 43_200_000  # of what is used: models of the weather are calculated at least twice a day


@dataclass(frozen=True, slots=True)
class Worth:
    """What was learned of it at one lead: its weight, by what its values become W in each slot of a day, days of errors."""

    weight: float
    ratio: Floats
    days: int


def on_grid(times_ms: Sequence[int], values: Sequence[float | None], start_ms: int, step_ms: int, count: int) -> Floats:
    """Means over `count` intervals from `start_ms` on; NaN for an interval that is not covered as a whole.

    `times_ms` rise. A value holds from its time to the next one, but no longer than the larger of the distances before and
    after that: a hole in the list is a hole. The last one holds as long as the one before it. One value alone says nothing.

    >>> on_grid([0, 20, 40], [1.0, 3.0, None], 0, 10, 5).tolist()
    [1.0, 1.0, 3.0, 3.0, nan]
    """
    if len(times_ms) < 2:
        return np.full(count, np.nan)
    at = np.asarray(times_ms, dtype=np.int64)
    gaps = np.diff(at)
    before = np.concatenate((gaps[:1] if len(gaps) == 1 else [0], gaps))
    after = np.concatenate((gaps[1:], [0, 0]))
    held = np.minimum(np.concatenate((gaps, gaps[-1:])), np.maximum(before, after))
    value = np.array([np.nan if item is None else item for item in values], dtype=np.float64)
    known = np.isfinite(value)
    edges = np.stack([at, at + held], axis=1).reshape(-1)
    covered = _running(np.where(known, held, 0).astype(np.float64))
    total = _running(np.where(known, value, 0.0) * held)
    bounds = start_ms + step_ms * np.arange(count + 1, dtype=np.int64)
    whole = np.diff(np.interp(bounds, edges, covered)) > step_ms - 0.5  # whole milliseconds, as floats
    return np.asarray(np.where(whole, np.diff(np.interp(bounds, edges, total)) / step_ms, np.nan))


def _running(parts: Floats) -> Floats:
    """The sum up to the begin and to the end of each part, in turns."""
    ends = np.cumsum(parts)
    return np.stack([ends - parts, ends], axis=1).reshape(-1)


def known_at(given_out: Sequence[tuple[int, Floats]], end_ms: int, step_ms: int, rows: int, ahead: int) -> Floats:
    """The rows of `Outside.known` of the last intervals before `end_ms`.

    `given_out` holds, in order of time, the moment from which each forecast was known, a bound of intervals, and its values
    from there on. The newest one counts until it is older than `OLDEST_MS`.
    """
    known = np.full((rows, ahead), np.nan)
    moments = end_ms - step_ms * np.arange(rows - 1, -1, -1, dtype=np.int64)
    places = np.searchsorted([at for at, _ in given_out], moments, side="right") - 1
    for row, (moment, place) in enumerate(zip(moments.tolist(), places.tolist(), strict=True)):
        if place < 0 or moment - given_out[place][0] > OLDEST_MS:
            continue
        age = (moment - given_out[place][0]) // step_ms
        output = given_out[place][1][age : age + ahead]
        known[row, : len(output)] = output
    return known


def said_of(outside: Outside, history_length: int, issued: Ints, lead: int) -> Floats:
    """What was said at slots of issue of the slot `lead` later; NaN where nothing was."""
    rows = issued - (history_length - len(outside.known))
    there = (rows >= 0) & (rows < len(outside.known))
    if not len(outside.known):
        return np.full(len(issued), np.nan)
    return np.where(there, outside.known[np.clip(rows, 0, len(outside.known) - 1), lead - 1], np.nan)


def shape_of(quantity: OutsideQuantity, output: Floats, envelope: Floats) -> Floats:
    """What PV should be proportional to: power and irradiance as they are, a cloudy sky by what it lets through.

    Of the irradiance of a clear sky, clouds that cover a part n of it let through 1 - 0.75 n^3.4.

    Source: Kasten and Czeplak, Solar Energy 24 (1980) 177-189 (from memory).
    """
    if quantity is OutsideQuantity.CLOUD_COVER:
        return np.asarray(envelope * (1 - 0.75 * np.clip(output, 0.0, 1.0) ** 3.4))
    return output


def worth_of(shape: Floats, own: Floats, actual: Floats, envelope: Floats, *, day: int, by_time: bool) -> Worth:
    """The worth of what was said of consecutive slots up to the last known one, beside the own forecast and what came.

    Only slots where PV is possible count. `by_time`: the ratio follows the time of day, since a roof sees the sun otherwise than
    a horizontal plane does.
    """
    newest = slice(-WORTH_DAYS * day, None)
    shape, own, actual, envelope = shape[newest], own[newest], actual[newest], envelope[newest]
    pairs = np.isfinite(shape) & np.isfinite(own) & np.isfinite(actual) & (envelope > 0)
    age = np.arange(len(pairs) - 1, -1, -1) / day
    days = len(distinct(age[pairs].astype(np.int64)))
    ratio = _ratio(np.where(pairs, actual, 0.0), np.where(pairs, shape, 0.0), day, by_time)
    if days < FEWEST_DAYS:
        return Worth(0.0, ratio, days)
    power = power_of(shape, ratio[np.arange(-len(shape), 0) % day], envelope)[pairs]
    return Worth(_weight(own[pairs], power, actual[pairs], age[pairs]), ratio, days)


def _ratio(actual: Floats, shape: Floats, day: int, by_time: bool) -> Floats:
    """Sums of the power over sums of the shape, for each slot of a day counted from the end; that of all where one has none."""
    total = shape.sum()
    of_all = actual.sum() / total if total > 0 else 0.0
    if not by_time:
        return np.full(day, of_all)
    lacking = -len(actual) % day
    sums = [np.concatenate((np.zeros(lacking), some)).reshape(-1, day).sum(axis=0) for some in (actual, shape)]
    got, had = (sum(np.roll(some, shift) for shift in range(-AROUND, AROUND + 1)) for some in sums)
    return np.asarray(np.divide(got, had, out=np.full(day, of_all), where=np.asarray(had) > 0))


def power_of(shape: Floats, ratio: Floats, envelope: Floats) -> Floats:
    """PV in W as the outside forecast alone has it: never below 0, never far beyond a clear day."""
    return np.clip(shape * ratio, 0.0, MOST * envelope)


def _weight(own: Floats, power: Floats, actual: Floats, age: Floats) -> float:
    """The smallest of the weights whose mixtures erred least: over all the days, the newer half and the newest ones.

    The first follows no chance of some days, the others let go of one that went wrong. 0 where one of them is no clear gain.
    """
    mixed = np.abs(own + WEIGHTS[:, None] * (power - own) - actual)
    best = len(WEIGHTS) - 1
    for days in LOOKS_DAYS:
        errors = mixed[:, age < days].sum(axis=1)
        least = int(np.argmin(errors))
        best = min(best, least if errors[least] <= GAIN_LEAST * errors[0] else 0)
    return float(WEIGHTS[best])
