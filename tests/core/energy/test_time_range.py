"""Ranges follow the local calendar, comparisons lie at the same clock time, and the step fits the range."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from meterd.core.energy.time_range import (
    MOST_STEPS,
    Against,
    RangeKind,
    Shift,
    TimeRange,
    calendar_range,
    edges_of,
    fitting_step,
    neighbours,
    possible_steps,
    shift_of,
    shifted,
    step_starts,
)
from meterd.core.model.periods import DAY_MS, Period, to_ms

VIENNA = ZoneInfo("Europe/Vienna")
INTERVAL_MS = 900_000


def at(*parts: int) -> int:
    """A local time of Vienna in ms."""
    year, month, day, hour, minute = (*parts, 0, 0)[:5]
    return to_ms(datetime(year, month, day, hour, minute, tzinfo=VIENNA).astimezone(UTC))


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [
        (RangeKind.TODAY, (2026, 3, 30), (2026, 3, 31)),
        (RangeKind.YESTERDAY, (2026, 3, 29), (2026, 3, 30)),
        (RangeKind.WEEK, (2026, 3, 30), (2026, 4, 6)),
        (RangeKind.LAST_WEEK, (2026, 3, 23), (2026, 3, 30)),
        (RangeKind.MONTH, (2026, 3, 1), (2026, 4, 1)),
        (RangeKind.LAST_MONTH, (2026, 2, 1), (2026, 3, 1)),
        (RangeKind.LAST_YEAR, (2025, 1, 1), (2026, 1, 1)),
    ],
)
def test_a_range_is_one_of_the_calendar(kind: RangeKind, low: tuple[int, ...], high: tuple[int, ...]) -> None:
    """Monday after the change of the clocks: yesterday has 23 hours."""
    shown = calendar_range(kind, at(2026, 3, 30, 9), VIENNA)
    assert (shown.from_ms, shown.until_ms) == (at(*low), at(*high))


def test_a_shift_keeps_the_clock_time() -> None:
    """Over a change of the clocks, and at the end of a month that is longer than the one before."""
    assert shifted(at(2026, 3, 30, 9), VIENNA, days=7) == at(2026, 3, 23, 9)
    assert shifted(at(2026, 3, 31, 9), VIENNA, months=1) == at(2026, 2, 28, 9)
    assert shifted(at(2028, 2, 29), VIENNA, months=12) == at(2027, 2, 28)
    assert shifted(at(2026, 1, 15), VIENNA, months=12) == at(2025, 1, 15)


def test_what_a_range_is_compared_with() -> None:
    """The period before has the same kind; any other span the same number of days."""
    month = TimeRange(at(2026, 3, 1), at(2026, 4, 1), Period.MONTH)
    assert shift_of(month, Against.BEFORE) == Shift(months=1)
    assert shift_of(month, Against.YEAR) == Shift(months=12)
    assert shift_of(month, Against.WEEK) == Shift(days=7)
    assert shift_of(month, Against.NONE) is None
    assert shift_of(TimeRange(at(2026, 3, 1), at(2026, 3, 11)), Against.BEFORE) == Shift(days=10)
    assert shift_of(TimeRange(at(2026, 3, 1, 8), at(2026, 3, 1, 9)), Against.BEFORE) == Shift(days=1)


def test_neighbours_touch() -> None:
    """The month before and after; a span by its length."""
    month = calendar_range(RangeKind.MONTH, at(2026, 3, 30), VIENNA)
    before, after = neighbours(month, VIENNA)
    assert (before.from_ms, before.until_ms) == (at(2026, 2, 1), at(2026, 3, 1))
    assert (after.from_ms, after.until_ms) == (at(2026, 4, 1), at(2026, 5, 1))
    before, after = neighbours(TimeRange(0, 10), VIENNA)
    assert (before, after) == (TimeRange(-10, 0), TimeRange(10, 20))


@pytest.mark.parametrize(
    ("days", "fine", "coarse"),
    [
        (1, Period.INTERVAL, Period.HOUR),
        (7, Period.HOUR, Period.DAY),
        (31, Period.DAY, Period.DAY),
        (365, Period.DAY, Period.MONTH),
        (2000, Period.MONTH, Period.YEAR),
    ],
)
def test_the_step_fits(days: int, fine: Period, coarse: Period) -> None:
    """As fine as can be seen; bars need room."""
    shown = TimeRange(0, days * DAY_MS)
    assert fitting_step(shown, coarse=False) is fine
    assert fitting_step(shown, coarse=True) is coarse
    for step in possible_steps(shown, INTERVAL_MS):
        assert 0 < len(step_starts(shown, step, VIENNA, INTERVAL_MS)) <= MOST_STEPS + 1


def test_steps_have_edges_with_the_end_of_the_last() -> None:
    """The day of the change of the clocks in autumn has 25 hours."""
    shown = calendar_range(RangeKind.DAY, at(2026, 10, 25, 12), VIENNA)
    begins = step_starts(shown, Period.HOUR, VIENNA, INTERVAL_MS)
    edges = edges_of(begins, Period.HOUR, VIENNA, INTERVAL_MS)
    assert len(begins) == 25
    assert (edges[0], edges[-1]) == (shown.from_ms, shown.until_ms)
    assert edges_of([], Period.HOUR, VIENNA, INTERVAL_MS) == []
