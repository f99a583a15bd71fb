"""Axes of charts: round values, and moments of the local calendar, not more than there is room for."""

import math
from dataclasses import dataclass
from enum import StrEnum
from zoneinfo import ZoneInfo

from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, local, starts

SLACK = 0.02  # of the axis: an inverter's few watts at night need no step below zero, the line has a width
ROUND = (1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, slots=True)
class Axis:
    """Ends of an axis and the round values in it."""

    low: float
    high: float
    ticks: tuple[float, ...]

    @property
    def digits(self) -> int:
        """Decimal places that tell its values apart: the same for all of them."""
        step = self.ticks[1] - self.ticks[0] if len(self.ticks) > 1 else self.high - self.low
        return max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0


def value_axis(low: float, high: float, most: int) -> Axis:
    """An axis from 0 or below to 0 or above that holds both values up to SLACK, with steps of 1, 2 or 5 times a power of ten.

    >>> value_axis(0, 87, 5).ticks
    (0.0, 20.0, 40.0, 60.0, 80.0, 100.0)
    """
    low, high = min(low, 0.0), max(high, 0.0)
    if high == low:
        high = 1.0
    rough = (high - low) / max(1, most)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(item * power for item in ROUND if item * power >= rough * (1 - 1e-9))
    slack = SLACK * (high - low) / step
    first, last = math.floor(low / step + slack), math.ceil(high / step - slack)
    ticks = tuple(round(i * step, 12) for i in range(first, last + 1))
    return Axis(ticks[0], ticks[-1], ticks)


class Grain(StrEnum):
    """How a moment of an axis is written."""

    CLOCK = "clock"
    DAY = "day"
    MONTH = "month"
    YEAR = "year"


@dataclass(frozen=True, slots=True)
class TimeTick:
    """A moment of an axis in ms UTC."""

    at_ms: int
    grain: Grain


_HOURS = (1, 2, 3, 6, 12)
_DAYS = (1, 2, 3, 7, 14)
_FEW_DAYS = 14  # up to so many, every third day: of weeks there would be a single Monday
_MONTHS = (1, 2, 3, 6)


def time_ticks(low: int, high: int, zone: ZoneInfo, most: int, step_ms: int = 0) -> list[TimeTick]:
    """Local hours, days, months or years in [low, high], at most so many; a midnight among hours bears its date.

    They are not closer than the steps of the chart: a bar of a month bears its month, and no weeks. So does a first month
    of which more than half is there.
    """
    length, most = high - low, max(1, most)
    for hours in _HOURS:
        if step_ms <= hours * HOUR_MS and length / (hours * HOUR_MS) <= most:
            return _clock_ticks(low, high, zone, hours)
    for days in _DAYS:
        if (
            step_ms <= (days + 1 / 6) * DAY_MS
            and length / (days * DAY_MS) <= most
            and (days != 3 or length <= _FEW_DAYS * DAY_MS)
        ):
            return _day_ticks(low, high, zone, days)
    for months in _MONTHS:
        if step_ms <= (31 * months + 1) * DAY_MS and length / (months * 30 * DAY_MS) <= most:
            ticks = _month_ticks(low, high, zone, months)
            return [*_first_month(low, ticks), *ticks] if months == 1 and step_ms else ticks
    return _year_ticks(low, high, zone, most)


def _clock_ticks(low: int, high: int, zone: ZoneInfo, every: int) -> list[TimeTick]:
    results = []
    for at in starts(Period.HOUR, low, high + 1, zone, HOUR_MS):
        hour = local(at, zone).hour
        if hour % every == 0:
            results.append(TimeTick(at, Grain.DAY if hour == 0 else Grain.CLOCK))
    return results


def _day_ticks(low: int, high: int, zone: ZoneInfo, every: int) -> list[TimeTick]:
    """Every day, second or third day from the first on; of weeks the Mondays."""
    kind, stride = (Period.DAY, every) if every < 7 else (Period.WEEK, every // 7)
    return [TimeTick(at, Grain.DAY) for at in starts(kind, low, high + 1, zone, HOUR_MS)[::stride]]


def _month_ticks(low: int, high: int, zone: ZoneInfo, every: int) -> list[TimeTick]:
    return [
        TimeTick(at, Grain.MONTH)
        for at in starts(Period.MONTH, low, high + 1, zone, HOUR_MS)
        if (local(at, zone).month - 1) % every == 0
    ]


def _first_month(low: int, ticks: list[TimeTick]) -> list[TimeTick]:
    room = ticks[0].at_ms - low if ticks else 0
    return [TimeTick(low, Grain.MONTH)] if room > 15 * DAY_MS else []


def _year_ticks(low: int, high: int, zone: ZoneInfo, most: int) -> list[TimeTick]:
    years = starts(Period.YEAR, low, high + 1, zone, HOUR_MS)
    return [TimeTick(at, Grain.YEAR) for at in years[:: -(-len(years) // most) or 1]]
