"""The peak that a running month is likely to end with, from the peaks of the last four weeks' days.

Peaks of days are taken as independent draws of a Gumbel distribution, one for Monday to Friday and one for Saturday and Sunday
(the distribution of largest values; Fisher and Tippett 1928, Gumbel 1958; fitted by its moments). It knows no season: in a
month of which each week takes more than the last, the band lies too low at its begin.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

PAST_DAYS = 28  # four of each weekday; longer ones follow the season too late (measured on two sites)
FEWEST = 14  # days: with fewer the scatter of the peaks is not known
EULER = 0.5772156649015329
STEPS = 60  # halvings: far below one W


@dataclass(frozen=True, slots=True)
class DayPeak:
    """The highest mean of an interval of a local day in W; `rest` marks Saturdays and Sundays."""

    watt: float
    rest: bool


@dataclass(frozen=True, slots=True)
class PeakAhead:
    """The peak of the whole month in W: one of ten months ends below `low_w`, one of ten above `high_w`."""

    low_w: float
    middle_w: float
    high_w: float
    days: int  # from whose peaks it was made


@dataclass(frozen=True, slots=True)
class _Gumbel:
    place: float
    width: float
    count: int

    def log_below(self, watt: float) -> float:
        """Logarithm of the probability that none of the days passes a power."""
        return -self.count * math.exp(min(700.0, -(watt - self.place) / self.width))


def peak_ahead(past: Sequence[DayPeak], ahead: Sequence[bool], so_far_w: float) -> PeakAhead | None:
    """The peak of a month with the days `ahead` (True: a Saturday or Sunday) that are not over; None with too little known.

    >>> past = [DayPeak(100.0 + n % 3, False) for n in range(28)]
    >>> peak_ahead(past, [], 250.0) == PeakAhead(250.0, 250.0, 250.0, 28)
    True
    """
    if len(past) < FEWEST:
        return None
    kinds = [_gumbel(past, rest, count) for rest in (False, True) if (count := sum(day is rest for day in ahead))]
    low, middle, high = (max(so_far_w, _quantile(kinds, part)) for part in (0.1, 0.5, 0.9))
    return PeakAhead(low, middle, high, len(past))


def _gumbel(past: Sequence[DayPeak], rest: bool, count: int) -> _Gumbel:
    """Of the days of a kind; of all days where there are not two of them."""
    own = [day.watt for day in past if day.rest is rest]
    values = own if len(own) > 1 else [day.watt for day in past]
    mean = math.fsum(values) / len(values)
    deviation = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))
    width = max(deviation * math.sqrt(6) / math.pi, 1e-6)
    return _Gumbel(mean - EULER * width, width, count)


def _quantile(kinds: Sequence[_Gumbel], part: float) -> float:
    """The power that the largest of all days stays below with a probability; 0 without days."""
    if not kinds:
        return 0.0
    wanted = math.log(part)
    low = min(kind.place - 10 * kind.width for kind in kinds)
    high = max(kind.place + (10 + math.log(kind.count)) * kind.width for kind in kinds)
    for _ in range(STEPS):
        middle = (low + high) / 2
        below = sum(kind.log_below(middle) for kind in kinds) < wanted
        low, high = (middle, high) if below else (low, middle)
    return high
