"""Made-up forecasts from outside for the given data, good and bad ones, and walks with and without them."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from meterd.core.forecast.history import Floats, History, Outside
from meterd.core.forecast.model import fit, issue
from meterd.core.forecast.outside import known_at, on_grid
from meterd.core.forecast.terms import terms_of
from meterd.core.model.forecast import OutsideQuantity, Quantity
from meterd.core.model.periods import HOUR_MS

EVERY_H = 6  # a new one
REACH = 240  # intervals that each speaks of
LEADS = (4, 12, 24, 96)  # 1, 3, 6 and 24 h of quarter hours

Spoil = Callable[[int, Floats], Floats]  # day of issue and values, to what is said


def likely(whole: History, seed: int = 3) -> Floats:
    """What a good model of the weather might say of each slot, in W: the power as a mean of three hours, and a false part.

    The false part changes over half a day, as models that see a front too early or too late.
    """
    random = np.random.default_rng(seed)
    power = np.nan_to_num(whole.pv)
    smooth = np.convolve(power, np.ones(12) / 12, mode="same")
    wrong = np.repeat(random.normal(0.0, 0.15, len(power) // 48 + 1), 48)[: len(power)]
    envelope = np.nan_to_num(terms_of(whole, len(whole.load)).pv.envelope[0][: len(power)])
    return np.asarray(np.clip(smooth * (1 + wrong), 0.0, np.maximum(envelope, smooth)))


def with_outside(
    whole: History,
    values: Floats,
    spoil: Spoil = lambda _, expected: expected,
    quantity: OutsideQuantity = OutsideQuantity.POWER,
) -> History:
    """The history with a forecast that is given out every six hours, as known at the end of each slot, by the hour."""
    hours = np.nanmean(values[: len(values) // 4 * 4].reshape(-1, 4), axis=1)
    given_out = []
    for at in range(0, len(values) - REACH, EVERY_H * 4):
        output = spoil(at // whole.per_day, hours[at // 4 : (at + REACH) // 4].copy())
        start = whole.start_ms + at * whole.interval_ms
        times = [start + n * HOUR_MS for n in range(len(output))]
        listed = [float(item) if np.isfinite(item) else None for item in output.tolist()]
        given_out.append((start, on_grid(times, listed, start, whole.interval_ms, REACH)))
    rows = len(whole.load)
    return replace(
        whole, outside=Outside(quantity, known_at(given_out, whole.end_ms, whole.interval_ms, rows, whole.ahead))
    )


@dataclass(frozen=True)
class Walked:
    """Mean absolute errors by day of the walk in W, one row for each lead: published, without, outside alone; weights by day."""

    published: Floats
    own: Floats
    outside: Floats
    weights: Floats


def walk(whole: History, first: int, days: int, every: int = 3) -> Walked:
    """Fitted each day, issued every so many hours."""
    rows, weights = [], []
    for day in range(first, first + days):
        model = fit(whole.until(day * whole.per_day), list(LEADS))
        weights.append([0.0 if lead.outside is None else lead.outside.weight for lead in model.leads])
        errors = np.full((3, len(LEADS), 24 // every), np.nan)
        for n, count in enumerate(range(day * whole.per_day, (day + 1) * whole.per_day, every * 4)):
            forecast = issue(model, whole.until(count))
            assert forecast is not None
            for kind, quantity in enumerate((Quantity.PV, Quantity.PV_OWN, Quantity.PV_OUTSIDE)):
                course = forecast.of(quantity) or forecast.of(Quantity.PV)
                assert course is not None
                for row, lead in enumerate(LEADS):
                    middle, came = course.middle[lead - 1], whole.pv[count - 1 + lead]
                    errors[kind, row, n] = np.nan if middle is None else abs(middle - came)
        rows.append(np.nanmean(errors, axis=2))
    table = np.array(rows)
    return Walked(table[:, 0].T, table[:, 1].T, table[:, 2].T, np.array(weights).T)
