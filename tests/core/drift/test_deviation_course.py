"""The course of a deviation: level before it began, a slope of its size after it."""

from meterd.core.drift.deviation_course import LEAST_DAYS, cumulated_deviation, usual_residual


def test_the_slope_is_the_size_of_the_deviation() -> None:
    """Twenty days as usual, ten days with 500 mWh more each."""
    days = list(range(30))
    residual: list[int | None] = [(-1) ** day * 10 + 100 for day in days[:20]] + [600] * 10
    course = cumulated_deviation(days, residual, 20)
    assert all(abs(value or 0) <= 20 for value in course[:20])
    assert (course[29] or 0) - (course[19] or 0) == 10 * (600 - usual_residual(days, residual, 20))


def test_a_day_without_a_balance_is_missing_and_adds_nothing() -> None:
    """The course goes on behind it."""
    residual = [*[0] * 8, 5, None, 5]
    assert cumulated_deviation(range(11), residual, 8)[8:] == [5, None, 10]


def test_without_enough_days_before_nothing_is_usual() -> None:
    """The first days of a history."""
    days = LEAST_DAYS - 1
    assert usual_residual(range(days), [7] * days, days) == 0
    assert cumulated_deviation(range(3), [7, 7, 7], 0) == [7, 14, 21]
