"""Ranges of time that people ask for, the span before them to compare with, and the step that fits."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds, local, starts, to_ms

MOST_STEPS = 3_000  # of one range: a month of quarter hours
# of lines and areas: up to so many days the step before fits
FINE_STEPS = ((2.2, Period.INTERVAL), (15.0, Period.HOUR), (1100.0, Period.DAY), (5000.0, Period.MONTH))
# of bars, which need room for each
COARSE_STEPS = ((2.2, Period.HOUR), (70.0, Period.DAY), (200.0, Period.WEEK), (1500.0, Period.MONTH))


class RangeKind(StrEnum):
    """What is asked for. `day` to `year` hold a moment, `span` has two ends, `all` is the whole history."""

    TODAY = "today"
    YESTERDAY = "yesterday"
    DAY = "day"
    WEEK = "week"
    LAST_WEEK = "last-week"
    MONTH = "month"
    LAST_MONTH = "last-month"
    YEAR = "year"
    LAST_YEAR = "last-year"
    SPAN = "span"
    ALL = "all"


class Against(StrEnum):
    """What a range is compared with."""

    BEFORE = "before"  # the range before it, of the same length
    WEEK = "week"
    YEAR = "year"
    NONE = "none"


_PERIOD_OF = {
    RangeKind.TODAY: Period.DAY,
    RangeKind.YESTERDAY: Period.DAY,
    RangeKind.DAY: Period.DAY,
    RangeKind.WEEK: Period.WEEK,
    RangeKind.LAST_WEEK: Period.WEEK,
    RangeKind.MONTH: Period.MONTH,
    RangeKind.LAST_MONTH: Period.MONTH,
    RangeKind.YEAR: Period.YEAR,
    RangeKind.LAST_YEAR: Period.YEAR,
}
_THE_ONE_BEFORE = (RangeKind.YESTERDAY, RangeKind.LAST_WEEK, RangeKind.LAST_MONTH, RangeKind.LAST_YEAR)


@dataclass(frozen=True, slots=True)
class TimeRange:
    """From when until when (exclusive), in ms UTC; `period` is the calendar period that it is, None for any other span."""

    from_ms: int
    until_ms: int
    period: Period | None = None


def calendar_range(kind: RangeKind, at_ms: int, zone: ZoneInfo) -> TimeRange:
    """The day, week, month or year that holds the moment, or the one before it for `yesterday` and the like."""
    period = _PERIOD_OF[kind]
    low, high = bounds(period, at_ms, zone, HOUR_MS)
    if kind in _THE_ONE_BEFORE:
        low, high = bounds(period, low - 1, zone, HOUR_MS)
    return TimeRange(low, high, period)


def neighbours(shown: TimeRange, zone: ZoneInfo) -> tuple[TimeRange, TimeRange]:
    """The range before and the range after, of the same kind and length."""
    if shown.period is not None:
        low = bounds(shown.period, shown.from_ms - 1, zone, HOUR_MS)
        high = bounds(shown.period, shown.until_ms, zone, HOUR_MS)
        return TimeRange(*low, shown.period), TimeRange(*high, shown.period)
    length = shown.until_ms - shown.from_ms
    return (
        TimeRange(shown.from_ms - length, shown.from_ms),
        TimeRange(shown.until_ms, shown.until_ms + length),
    )


def shifted(ms: int, zone: ZoneInfo, *, days: int = 0, months: int = 0) -> int:
    """The same local clock time so many days or months earlier; the last day of a month that is shorter.

    >>> shifted(1_774_944_000_000, ZoneInfo("UTC"), months=1)  # 31 March 2026 becomes 28 February, 08:00 both
    1772265600000
    """
    moment = local(ms, zone).replace(tzinfo=None)
    if months:
        count = moment.year * 12 + moment.month - 1 - months
        first = moment.replace(year=count // 12, month=count % 12 + 1, day=1)
        last = ((first + timedelta(days=32)).replace(day=1) - timedelta(days=1)).day
        moment = first.replace(day=min(moment.day, last))
    moment -= timedelta(days=days)
    return to_ms(moment.replace(tzinfo=zone).astimezone(UTC))


@dataclass(frozen=True, slots=True)
class Shift:
    """How far back a comparison lies, by the local calendar."""

    days: int = 0
    months: int = 0

    def of(self, ms: int, zone: ZoneInfo) -> int:
        """The moment that a moment is compared with."""
        return shifted(ms, zone, days=self.days, months=self.months)


def shift_of(shown: TimeRange, against: Against) -> Shift | None:
    """How far back to compare; None where nothing is to be compared.

    >>> shift_of(TimeRange(0, DAY_MS, Period.DAY), Against.BEFORE)
    Shift(days=1, months=0)
    """
    if against is Against.NONE:
        return None
    if against is Against.WEEK:
        return Shift(days=7)
    if against is Against.YEAR or shown.period is Period.YEAR:
        return Shift(months=12)
    if shown.period is Period.MONTH:
        return Shift(months=1)
    if shown.period is Period.WEEK:
        return Shift(days=7)
    return Shift(days=max(1, round((shown.until_ms - shown.from_ms) / DAY_MS)))


def fitting_step(shown: TimeRange, *, coarse: bool) -> Period:
    """The step in which a range is shown: as fine as can be seen, or `coarse` for bars."""
    days = (shown.until_ms - shown.from_ms) / DAY_MS
    table = COARSE_STEPS if coarse else FINE_STEPS
    return next((step for most, step in table if days <= most), Period.YEAR if coarse else Period.MONTH)


def possible_steps(shown: TimeRange, interval_ms: int, most: int = MOST_STEPS) -> list[Period]:
    """The steps in which a range can be shown: at least one in it, and not more than so many."""
    length = shown.until_ms - shown.from_ms
    days = {Period.DAY: 1, Period.WEEK: 7, Period.MONTH: 28, Period.YEAR: 365}
    sizes = {Period.INTERVAL: interval_ms, Period.HOUR: HOUR_MS} | {p: n * DAY_MS for p, n in days.items()}
    return [step for step, size in sizes.items() if length >= 0.9 * size and length / size <= most]


def step_starts(shown: TimeRange, step: Period, zone: ZoneInfo, interval_ms: int) -> list[int]:
    """Starts of all steps that touch a range; the first and the last may reach beyond it."""
    low = bounds(step, shown.from_ms, zone, interval_ms)[0]
    return starts(step, low, shown.until_ms, zone, interval_ms)


def edges_of(begins: Sequence[int], step: Period, zone: ZoneInfo, interval_ms: int) -> list[int]:
    """The starts with the end of the last one behind them: every step has a width."""
    return [*begins, bounds(step, begins[-1], zone, interval_ms)[1]] if begins else []
