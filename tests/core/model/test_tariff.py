"""Months and hours of a tariff as people write them."""

import pytest

from meterd.core.model.tariff import Times, months_in, times_in


def test_months_go_over_the_turn_of_the_year() -> None:
    """A season, single months, both."""
    assert months_in("10-4") == {10, 11, 12, 1, 2, 3, 4}
    assert months_in("5 - 5, 7") == {5, 7}
    assert months_in("1-12") == set(range(1, 13))


def test_weekdays_and_hours_may_be_left_out() -> None:
    """Weekdays alone are whole days, hours alone every day; capitals do not matter."""
    every, whole = frozenset(range(7)), (0, 1440)
    assert times_in("08:00-24:00") == (Times(every, 480, 1440),)
    assert times_in("Sat-Sun,wed") == (Times(frozenset({5, 6, 2}), *whole),)
    assert times_in("fri-mon 22:00-06:00; tue") == (
        Times(frozenset({4, 5, 6, 0}), 1320, 360),
        Times(frozenset({1}), *whole),
    )


@pytest.mark.parametrize("text", ["13", "0-3", "may", "", "5-"])
def test_months_that_are_none_are_refused(text: str) -> None:
    """With words for the plan's reader."""
    with pytest.raises(ValueError, match="is no month"):
        months_in(text)


@pytest.mark.parametrize(
    "text", ["mon 08:00", "08:00-08:00", "xyz 08:00-20:00", "mon-fri 25:00-26:00", "mon fri sat", ""]
)
def test_hours_that_are_none_are_refused(text: str) -> None:
    """With words for the plan's reader."""
    with pytest.raises(ValueError, match=r"is (no|not)"):
        times_in(text)
