"""Terms of one lead as columns, and the weights with which they are added: those that erred least in the last sixty days.

The weights have the least sum of absolute errors (found by least squares with weights 1/|error|, a few rounds; Schlossmacher
1973), since a forecast is judged by its mean absolute error and powers are skewed. A small ridge draws them to weights that
are sensible without any history, so that a young forecast is a mixture of "as now" and "as usual".
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.forecast.history import Bools, Floats, Ints
from meterd.core.forecast.terms import Terms

ROUNDS = 4  # after them the weights change by less than their own uncertainty
ENOUGH_ROWS = 500  # below it the ridge is stronger, by `YOUNG_RIDGE` for each row that lacks
YOUNG_RIDGE = 0.05
# from here on the present enters as a ratio to the envelope only: what is learned in the night, where "as usual" and "as now
# with the usual ramp" are the same, must not be asked at noon (the second morning was forecast at a third of what is usual)
NOW_MOST_H = 12.0
FADE_H = 2.0  # how long the present says more than what is usual (both quantities, measured: 1 to 3 h)


@dataclass(frozen=True, slots=True)
class Columns:
    """Terms of forecasts, one row for each: the columns, and the weights they have without any history.

    `ridge` is how strongly they are drawn to these, as a part of the mean square of a column. Columns of PV are nearly alike at
    short leads, and what tells them apart is small: a ridge that suits the load would hide it (1.41 kW in the place of 0.67).
    """

    rows: Floats
    prior: Floats
    ridge: float


def pv_columns(terms: Terms, issued: Ints, target: Ints, lead_h: float) -> Columns:
    """Envelope times the three ratios, what is usual, as now, and now plus the usual ramp; the last two are 0 of long leads."""
    pv, (i, t, back) = terms.pv, _places(terms, issued, target)
    envelope, usual = pv.envelope[back, t], pv.usual[back, t]
    now = pv.now[i]
    ramp = now + usual - pv.usual[back, i]
    present = [now, ramp] if lead_h <= NOW_MOST_H else [np.zeros_like(now)] * 2
    rows = np.stack([*(ratio[i] * envelope for ratio in pv.clear), usual, *present], axis=-1)
    fresh = 0.5 ** (lead_h / FADE_H)
    return Columns(rows, np.array([0.0, 0.3 * fresh, 0.0, 1.0 - fresh, 0.0, 0.7 * fresh]), 1e-5)


def load_columns(terms: Terms, issued: Ints, target: Ints, lead_h: float, *, by_class: bool) -> Columns:
    """What is usual, how far the median is from it, and what the present had above it: now, last hour, last day, same time."""
    load, (i, t, back) = terms.load, _places(terms, issued, target)
    usual = load.of_class if by_class else load.of_all
    above = load.above_class if by_class else load.above_all
    apart = load.apart_class if by_class else load.apart_all
    same_time = np.nan_to_num(apart[back, t])
    median = load.median[back, t] - usual[back, t]
    rows = np.stack([usual[back, t], median, load.now[i] - usual[0, i], above[0, i], above[1, i], same_time], axis=-1)
    fresh = 0.5 ** (lead_h / FADE_H)
    return Columns(rows, np.array([1.0, 0.3, 0.5 * fresh, 0.3 * fresh, 0.2, 0.0]), 0.02)


def _places(terms: Terms, issued: Ints, target: Ints) -> tuple[Ints, Ints, Ints]:
    return issued - terms.first, target - terms.first, (target - issued - 1) // terms.per_day


def fitted(columns: Columns, actual: Floats, usable: Bools) -> Floats:
    """The weights of the columns that come nearest to `actual`; the prior where too little is usable."""
    usable = usable & np.isfinite(columns.rows).all(axis=1) & np.isfinite(actual)
    rows, wanted = columns.rows[usable], actual[usable]
    if len(rows) < columns.rows.shape[1]:
        return columns.prior
    size = np.sqrt((rows**2).mean(axis=0)) + 1e-9
    scaled, prior = rows / size, columns.prior * size
    ridge = columns.ridge * len(rows) + max(0, ENOUGH_ROWS - len(rows)) * YOUNG_RIDGE
    weight = np.ones(len(rows))
    answer = prior
    for _ in range(ROUNDS):
        normal = (scaled * weight[:, None]).T @ scaled / weight.mean() + ridge * np.eye(len(size))
        answer = np.linalg.solve(normal, (scaled * weight[:, None]).T @ wanted / weight.mean() + ridge * prior)
        error = np.abs(wanted - scaled @ answer)
        weight = 1.0 / np.maximum(error, 0.1 * error.mean() + 1e-9)
    return np.asarray(answer / size)
