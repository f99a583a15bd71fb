"""Axes hold their values, have round steps, and not more ticks than there is room for."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.periods import local, to_ms
from meterd.core.reports.axis import Grain, time_ticks, value_axis

VIENNA = ZoneInfo("Europe/Vienna")
VALUES = st.floats(-1e9, 1e9, allow_nan=False).filter(lambda v: v == 0 or abs(v) > 1e-6)


@given(VALUES, VALUES, st.integers(2, 12))
def test_an_axis_holds_its_values_and_zero(item: float, other: float, most: int) -> None:
    """With equal steps."""
    low, high = sorted((item, other))
    axis = value_axis(low, high, most)
    slack = 0.021 * (max(high, 0) - min(low, 0)) + 1e-6
    assert axis.low <= min(low, 0) + slack
    assert axis.high >= max(high, 0) - slack
    assert 0.0 in axis.ticks
    assert 2 <= len(axis.ticks) <= most + 3


@pytest.mark.parametrize(("high", "digits"), [(0.04, 2), (0.9, 1), (7, 0), (950, 0)])
def test_labels_have_the_digits_that_tell_them_apart(high: float, digits: int) -> None:
    """The same for all of one axis."""
    assert value_axis(0, high, 5).digits == digits


def test_a_week_on_a_phone_has_more_than_its_monday() -> None:
    """Found by looking at the page of a point on a phone: a single date below eight days."""
    low = to_ms(datetime(2026, 11, 24, 23, tzinfo=UTC))
    days = [local(tick.at_ms, VIENNA).day for tick in time_ticks(low, low + 8 * 86_400_000, VIENNA, 3)]
    assert days == [25, 28, 1]
    assert len(time_ticks(low, low + 31 * 86_400_000, VIENNA, 11)) == 4, "a month has its Mondays"


def test_bars_of_months_and_days_bear_nothing_shorter() -> None:
    """Found by looking at a year of which two months are known: two bars above nine Mondays."""
    low = to_ms(datetime(2026, 10, 31, 23, tzinfo=UTC))
    months = time_ticks(low, to_ms(datetime(2026, 12, 31, 23, tzinfo=UTC)), VIENNA, 11, 30 * 86_400_000)
    assert [(tick.grain, local(tick.at_ms, VIENNA).month) for tick in months] == [
        (Grain.MONTH, 11),
        (Grain.MONTH, 12),
        (Grain.MONTH, 1),
    ]
    begun = time_ticks(low - 29 * 86_400_000, low + 30 * 86_400_000, VIENNA, 11, 30 * 86_400_000)
    assert [local(tick.at_ms, VIENNA).month for tick in begun] == [10, 11, 12], (
        "found: the first of two bars without name"
    )
    late = time_ticks(low - 9 * 86_400_000, low + 30 * 86_400_000, VIENNA, 11, 30 * 86_400_000)
    assert [local(tick.at_ms, VIENNA).month for tick in late] == [11, 12], "no room for two names"
    days = time_ticks(low, low + 3 * 86_400_000, VIENNA, 11, 86_400_000)
    assert [tick.grain for tick in days] == [Grain.DAY] * 4


@pytest.mark.parametrize("days", [1, 2, 7, 31, 100, 366, 2000, 9000])
def test_time_ticks_fit_and_are_local(days: int) -> None:
    """Clock hours, midnights with their date, Mondays, months, years."""
    low = to_ms(datetime(2026, 3, 22, 23, tzinfo=UTC))
    high = low + days * 86_400_000
    ticks = time_ticks(low, high, VIENNA, 10)
    assert 1 <= len(ticks) <= 13
    assert all(low <= tick.at_ms <= high for tick in ticks)
    for tick in ticks:
        moment = local(tick.at_ms, VIENNA)
        assert moment.minute == 0
        assert tick.grain is not Grain.CLOCK or moment.hour
        assert tick.grain is Grain.CLOCK or moment.hour == 0
