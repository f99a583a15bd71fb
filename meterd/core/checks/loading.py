"""How heavily feeders and transformers are used: means of intervals against ratings, causes of the peak, night-time base load.

Means of a quarter hour say nothing about shorter peaks; they are what is stored. From active energy alone the loading
of a cable or transformer is a lower bound: reactive power adds to its current.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from meterd.core.model.periods import HOUR_MS, Period, bounds, local, plain_hours
from meterd.core.registers.register_line import Bools, Ints

Floats = NDArray[np.float64]

NIGHT = (0, 5)  # local hours in which a building rests (common practice)
BASE_QUANTILE = 0.25  # of the night's intervals: a single cooling cycle or cleaning hour does not move it
LEAST_NIGHT = 8  # intervals of a night that must be known; two hours
PENALTY = 3.0  # times the noise variance times log(n): the Schwarz criterion asks 1 per parameter, a step has two
LEAST_STRETCH = 3  # nights between two change points: a long weekend is no change of the base


@dataclass(frozen=True, slots=True)
class Use:
    """How a feeder or transformer was used in a span: its highest mean, when, and hours above parts of its rating.

    `highest` is a ratio to the rating; `hours` in the order of the parts asked for; `known` of `of` intervals.
    """

    highest: float | None
    highest_ms: int | None
    hours: tuple[float, ...]
    known: int
    of: int


def mean_w(energy_mwh: Ints, interval_s: int) -> Floats:
    """Mean powers in W of energies of intervals in mWh.

    >>> mean_w(np.array([250_000]), 900).tolist()
    [1000.0]
    """
    return np.asarray(energy_mwh * (3.6 / interval_s), dtype=np.float64)


def apparent_w(active_w: Floats, reactive_var: Floats | None) -> Floats:
    """Apparent power in VA of interval means, or the active power's size where reactive power is not known."""
    result = np.abs(active_w) if reactive_var is None else np.hypot(active_w, reactive_var)
    return np.asarray(result, dtype=np.float64)


def rated_va(rating_a: float, nominal_v: float) -> float:
    """Apparent power of a three-phase feeder at its rated current: sqrt(3) U I, with the line-to-line voltage.

    >>> round(rated_va(63, 400))
    43648
    """
    return math.sqrt(3.0) * nominal_v * rating_a


def use(power_va: Floats, present: Bools, starts: Ints, rating_va: float, parts: Sequence[float]) -> Use:
    """Loading of one conductor over intervals; ValueError for a rating that is not above zero.

    `power_va` and `present` [T] are means of the intervals that begin at `starts` [T] ms, all of one length.

    >>> starts, known = np.array([0, 900_000, 1_800_000]), np.array([True, True, True])
    >>> one = use(np.array([50.0, 90.0, 120.0]), known, starts, 100.0, (0.8, 1.0))
    >>> one.highest, one.highest_ms, one.hours
    (1.2, 1800000, (0.5, 0.25))
    """
    if rating_va <= 0:
        raise ValueError(f"rating must be above zero, got {rating_va}")
    known = int(present.sum())
    if not known:
        return Use(None, None, tuple(0.0 for _ in parts), 0, len(starts))
    length_h = float(np.diff(starts).min()) / HOUR_MS if len(starts) > 1 else 0.25
    ratio = np.where(present, power_va / rating_va, -1.0)
    at = int(np.argmax(ratio))
    hours = tuple(float((ratio > part).sum()) * length_h for part in parts)
    return Use(float(ratio[at]), int(starts[at]), hours, known, len(starts))


@dataclass(frozen=True, slots=True)
class Contribution:
    """One feeder in the peak interval: its energy there, its mean at that hour on other days, and the excess. mWh."""

    point: str
    peak_mwh: int
    usual_mwh: int | None

    @property
    def excess_mwh(self) -> int | None:
        """What it drew more than usual; None where the usual is not known."""
        return None if self.usual_mwh is None else self.peak_mwh - self.usual_mwh


def contributors(peak: Mapping[str, int | None], usual: Mapping[str, Sequence[int]]) -> list[Contribution]:
    """Feeders of the peak interval, the largest first. `usual` holds the same local time on the other days of the span.

    The usual is the median. Feeders that are missing in the peak interval are left out: the caller says so.
    """
    contributions = [
        Contribution(name, energy, int(np.median(usual[name])) if usual.get(name) else None)
        for name, energy in peak.items()
        if energy is not None
    ]
    return sorted(contributions, key=lambda contribution: (-contribution.peak_mwh, contribution.point))


@dataclass(frozen=True, slots=True)
class Night:
    """The base of one local night in W: the lower quartile of its interval means; None if too little of it is known."""

    day_ms: int
    base_w: float | None


def nights(power_w: Floats, present: Bools, starts: Ints, zone: ZoneInfo) -> list[Night]:
    """The base of every local night that begins in the span; intervals [T] in order of time."""
    by_day: dict[int, list[float]] = {}
    low = high = 0  # of the day that was looked at last: asking the calendar for each interval took a third of the time
    begin = end = 0  # of a day of 24 plain hours: asking for each took half of the rest
    for watt, known, start in zip(power_w.tolist(), present.tolist(), starts.tolist(), strict=True):
        if not begin <= start < end:
            begin, end = plain_hours(start, zone)
        plain = begin <= start < end
        hour = (start - begin) // HOUR_MS if plain else local(start, zone).hour
        if NIGHT[0] <= hour < NIGHT[1]:
            if not low <= start < high:
                low, high = bounds(Period.DAY, start, zone, HOUR_MS)
            some = by_day.setdefault(low, [])
            if known:
                some.append(watt)
    bases = _bases(by_day)
    return [Night(day_ms, bases.get(day_ms)) for day_ms in sorted(by_day)]


def _bases(by_day: Mapping[int, list[float]]) -> dict[int, float]:
    """The base of each day of which enough is known; days with equally many intervals together."""
    results: dict[int, float] = {}
    for count in {len(some) for some in by_day.values() if len(some) >= LEAST_NIGHT}:
        days = [day for day, some in by_day.items() if len(some) == count]
        bases = np.quantile([by_day[day] for day in days], BASE_QUANTILE, axis=1)
        results.update(zip(days, bases.tolist(), strict=True))
    return results


@dataclass(frozen=True, slots=True)
class Change:
    """A lasting step of the night-time base load: from `day_ms` on, `before_w` became `after_w` (medians)."""

    day_ms: int
    before_w: float
    after_w: float


def base_changes(results: Sequence[Night]) -> list[Change]:
    """Nights at which the base changed for good, in order of time.

    The series is cut where the sum of squared deviations from the means of the pieces, plus a penalty for each cut, is the
    least (optimal partitioning). The noise variance is taken from differences of neighbours by their median (MAD), so that
    the steps themselves do not hide it.

    Source: Jackson et al., An algorithm for optimal partitioning of data on an interval, IEEE Signal Processing Letters 12
    (2005) 105; penalty after Schwarz (1978). Both from memory.
    """
    known = [(night.day_ms, night.base_w) for night in results if night.base_w is not None]
    if len(known) < 2 * LEAST_STRETCH:
        return []
    values = np.array([base for _, base in known])
    cuts = piece_begins(_without_guests(values), PENALTY * _noise_variance(values) * math.log(len(values)))
    edges = [0, *cuts, len(values)]
    levels = [float(np.median(values[low:high])) for low, high in pairwise(edges)]
    return [Change(known[cut][0], levels[i], levels[i + 1]) for i, cut in enumerate(cuts)]


def _without_guests(values: Floats) -> Floats:
    """Running median: excursions shorter than LEAST_STRETCH are gone, lasting steps stay where they are."""
    reach = LEAST_STRETCH - 1
    padded = np.pad(values, reach, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1)


def _noise_variance(values: Floats) -> float:
    """Of a series with few steps; never less than a thousandth of its level, so that a flat line has no steps of 1 W."""
    steps = np.abs(np.diff(values))
    sigma = float(np.median(steps)) * 1.4826 / math.sqrt(2.0)
    return max(sigma, 0.005 * float(np.median(np.abs(values))), 1e-9) ** 2


def piece_begins(values: Floats, penalty: float) -> list[int]:
    """Where the pieces begin that make cost plus penalties the least; each at least LEAST_STRETCH long."""
    n = len(values)
    sums, squares = np.append(0.0, np.cumsum(values)), np.append(0.0, np.cumsum(values**2))
    best, last, places = np.full(n + 1, math.inf), [0] * (n + 1), np.arange(n + 1)
    best[0] = 0.0
    for end in range(LEAST_STRETCH, n + 1):
        best[end] = squares[end] - sums[end] * sums[end] / end + penalty
        some = slice(LEAST_STRETCH, end - LEAST_STRETCH + 1)
        total = sums[end] - sums[some]
        cost = best[some] + (squares[end] - squares[some] - total * total / (end - places[some])) + penalty
        if not len(cost) or not cost.min() < best[end] - 1e-9:
            continue
        lowest = int(np.argmin(cost))
        alike = int(np.count_nonzero(cost[: lowest + 1] <= cost[lowest] + 1e-9)) > 1
        for place in range(len(cost)) if alike else (lowest,):  # of pieces that cost the same the first counts
            if cost[place] < best[end] - 1e-9:
                best[end], last[end] = cost[place], LEAST_STRETCH + place
    cuts, at = [], n
    while last[at] > 0:
        at = last[at]
        cuts.append(at)
    return cuts[::-1]
