"""Cumulative sum charts: the recursion, how long they run, and the threshold that keeps false alarms rare on this site.

Standardised values v_t; S+ = max(0, S+ + v - k), S- = max(0, S- - v - k); an alarm when one exceeds h. Tables of h hold for
independent normal days; losses are correlated, so h is found by replay on blocks of the site's own fault-free days.
"""

import math
from dataclasses import dataclass

import numpy as np

from meterd.core.balance.uncertainty import Floats

ALLOWANCE = 0.5  # k: half of the shift, in standard deviations of a day, that is found fastest
YEAR_DAYS = 365.25
FALSE_ALARMS_PER_YEAR = 0.1  # half of one in five years, since calibration is itself uncertain
BLOCK_DAYS = 7  # a week: working days and weekends stay together, correlation over some days is preserved
PATHS = 40
PATH_DAYS = 1826  # five years
STEP = 0.25  # h is rounded up to it: finer would be noise of the replay
H_MOST = 40.0
EARLY_FACTOR = 1.3  # days of a new site are correlated in a way not known yet


@dataclass(frozen=True, slots=True)
class Chart:
    """Both sums of each hypothesis [H], and the days since each was last zero [H]."""

    high: Floats
    low: Floats
    high_days: Floats
    low_days: Floats


def fresh(count: int) -> Chart:
    """Charts at zero."""
    zero = np.zeros(count)
    return Chart(zero, zero, zero, zero)


def advance(chart: Chart, value: Floats, allowance: Floats | float = ALLOWANCE) -> Chart:
    """Charts after one more standardised value of each hypothesis [H].

    Source: Page 1954; Lucas and Crosier 1982.

    >>> chart = advance(advance(fresh(1), np.array([1.0])), np.array([1.5]))
    >>> chart.high.tolist(), chart.low.tolist()
    ([1.5], [0.0])
    """
    high, low = np.maximum(chart.high + value - allowance, 0.0), np.maximum(chart.low - value - allowance, 0.0)
    return Chart(high, low, (chart.high_days + 1) * (high > 0), (chart.low_days + 1) * (low > 0))


def run_length(
    h: float, shift: float = 0.0, *, k: float = ALLOWANCE, two_sided: bool = True, states: int = 120
) -> float:
    """Mean number of independent normal days until an alarm, from zero, when the mean has shifted by `shift` sigma.

    One-sided by the integral equation of the chart on Gauss-Legendre points; two-sided by 1/L = 1/L+ + 1/L-, exact for
    charts that restart at zero (Van Dobben de Bruyn 1968).

    >>> round(run_length(5.0), 0), round(run_length(4.0, 1.0), 2)
    (465.0, 8.38)
    """
    high = _one_sided(h, shift, k, states)
    return high if not two_sided else 1.0 / (1.0 / high + 1.0 / _one_sided(h, -shift, k, states))


def _one_sided(h: float, shift: float, k: float, states: int) -> float:
    nodes, weights = np.polynomial.legendre.leggauss(states)
    s, w = (nodes + 1) * h / 2, weights * h / 2
    density = np.exp(-0.5 * (s[None, :] - s[:, None] + k - shift) ** 2) / math.sqrt(2 * math.pi) * w[None, :]
    to_zero = np.array([0.5 * math.erfc((x - k + shift) / math.sqrt(2)) for x in s])
    at_zero = 0.5 * math.erfc((shift - k) / math.sqrt(2))
    # L(s) = 1 + L(0) P(to zero from s) + integral; one more equation for s = 0
    system = np.eye(states + 1)
    system[:states, :states] -= density
    system[:states, states] -= to_zero
    system[states, :states] -= np.exp(-0.5 * (s + k - shift) ** 2) / math.sqrt(2 * math.pi) * w
    system[states, states] -= at_zero
    return float(np.linalg.solve(system, np.ones(states + 1))[states])


def threshold_of(run: float, *, k: float = ALLOWANCE) -> float:
    """The h at which a two-sided chart of independent normal days runs `run` days to a false alarm, by halving."""
    low, high = 0.5, H_MOST
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if _siegmund(middle, k) < run else (low, middle)
    return high


def _siegmund(h: float, k: float) -> float:
    """Two-sided run length, Siegmund's approximation (1985): within 3 % of the exact one for h of 3 and more."""
    b = h + 1.166
    return (math.exp(2 * k * b) - 2 * k * b - 1) / (2 * k * k) / 2


@dataclass(frozen=True, slots=True)
class Threshold:
    """h with the false alarms per year of the whole site that were expected of it, and the days it was found on."""

    h: float
    false_alarms_per_year: float
    days: int


def independent_threshold(charts: int, wanted: float = FALSE_ALARMS_PER_YEAR) -> Threshold:
    """h for a site whose own days are not known yet: that of independent normal days and charts, a third wider."""
    h = threshold_of(max(charts, 1) * YEAR_DAYS / wanted)
    return Threshold(math.ceil(EARLY_FACTOR * h / STEP) * STEP, wanted, 0)


def calibrate(
    values: Floats, allowances: Floats, generator: "np.random.Generator", *, wanted: float = FALSE_ALARMS_PER_YEAR
) -> Threshold:
    """h for all charts of a site from the standardised values [days, H] of its fault-free days.

    Blocks of days are drawn with all hypotheses together into paths of five years, and the first passage of each path is
    counted. Normal noise is mixed in so that a short history does not cap the tails. Never below what independent normal
    days with the same number of independent charts would need.
    """
    days, count = values.shape
    values = values - values.mean(axis=0)  # a mean found by chance is no drift; its uncertainty is in the allowances
    rate = wanted / YEAR_DAYS
    floor = threshold_of(_independent(values) / rate)
    most = _longest_sums(values, allowances, generator)
    h = math.ceil(floor / STEP) * STEP
    while h < H_MOST and _rate(most, h) > rate:
        h += STEP
    return (
        Threshold(h, max(_rate(most, h) * YEAR_DAYS, wanted * math.exp(floor - h)), days)
        if count
        else Threshold(h, 0, 0)
    )


def _independent(values: Floats) -> float:
    """How many independent charts those of a site are worth: (sum of eigenvalues)^2 / sum of squares."""
    moving = values[:, values.std(axis=0) > 0]
    if min(moving.shape) < 2:
        return 1.0
    R = np.corrcoef(moving.T)
    return float(np.trace(R) ** 2 / np.square(R).sum())


SMOOTHING = 0.3  # share of new noise in the variance of a drawn day
POOL = 2048  # days of that noise, drawn from again and again: 73,000 of their own would cost ten times as much


def _longest_sums(values: Floats, allowances: Floats, generator: "np.random.Generator") -> Floats:
    """Running maximum over all charts [PATH_DAYS, PATHS] of paths drawn in blocks.

    In single precision: h is rounded up to a quarter, and a year of a thousand charts takes a third of a second so.
    """
    days, count = values.shape
    root, stored = _root(values), math.sqrt(1 - SMOOTHING) * values
    noise = (math.sqrt(SMOOTHING) * (generator.standard_normal((POOL, len(root))) @ root)).astype(np.float32)
    up, down = (stored - allowances).astype(np.float32), (-stored - allowances).astype(np.float32)
    which = generator.integers(0, POOL, (PATH_DAYS, PATHS))
    high, low, drawn = (np.zeros((PATHS, count), dtype=np.float32) for _ in range(3))
    most = np.zeros((PATH_DAYS, PATHS))
    at = np.zeros(PATHS, dtype=np.int64)
    for t in range(PATH_DAYS):
        at = generator.integers(0, days, PATHS) if t % BLOCK_DAYS == 0 else (at + 1) % days
        np.take(noise, which[t], axis=0, out=drawn)
        high += drawn
        low -= drawn
        high += np.take(up, at, axis=0, out=drawn)
        low += np.take(down, at, axis=0, out=drawn)
        np.maximum(high, 0.0, out=high)
        np.maximum(low, 0.0, out=low)
        most[t] = np.maximum(high, low, out=drawn).max(axis=1, initial=0.0)
    return np.maximum.accumulate(most, axis=0)


def _root(values: Floats) -> Floats:
    """Rows r with r'r the covariance of the values, so that noise keeps the correlation of the hypotheses."""
    return np.asarray(np.linalg.qr(values / math.sqrt(max(len(values), 1)), mode="r"))


def _rate(most: Floats, h: float) -> float:
    """False alarms per day: first passages over days at risk."""
    crossed = most[-1] > h
    first = np.where(crossed, (most > h).argmax(axis=0) + 1, len(most))
    return float(crossed.sum() / first.sum())
