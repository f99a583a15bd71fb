"""The course of a deviation: level before it began, a slope of its size after it."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

from meterd.adapters.store.journal import SqliteStore
from meterd.core.drift.deviation_course import LEAST_DAYS, board_course, cumulated_deviation, usual_residual
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow


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


def test_the_course_of_a_board_is_that_of_its_daily_balances(tmp_path: Path) -> None:
    """From two months before the change on; a board with fewer than a week of days has none."""
    day, began = 86_400_000, 100 * 86_400_000
    rows = [
        BalanceRow("north", Period.DAY, at, at + day, 9, 9 - residual, residual, 5, "inside", False)
        for at, residual in ((i * day, 2 if i < 100 else 7) for i in range(110))
    ]
    with closing(SqliteStore.writer(tmp_path / "s.sqlite")) as store:
        with store.transaction():
            store.write_balances([*rows, *(replace(row, board="south") for row in rows[:3])], now_ms=0, reason="closed")
        course = board_course(store, "north", began, 110 * day)
        assert course is not None
        assert (course.days_ms[0], len(course.days_ms), course.usual) == (40 * day, 70, 2)
        assert (course.cumulated[-1], set(course.band)) == (50, {5})
        assert board_course(store, "south", 0, 110 * day) is None
