"""What is usual, worked out by pandas and by hand."""

import numpy as np
import pandas as pd
import pytest

from meterd.core.unusual.days import Floats, Loads
from meterd.core.unusual.usual import FLOOR, Course, advance, course_of, habit_of, usual_w

RANDOM = np.random.default_rng(17)
CLASSES = np.array([0, 0, 0, 0, 0, 1, 2] * 20)


def loads(count: int) -> Loads:
    """Loads side by side."""
    none = np.zeros((count, count), dtype=np.bool_)
    return Loads(tuple(f"q{n}" for n in range(count)), none, np.zeros(count, dtype=np.bool_))


def worked_out(taken: Floats) -> Course:
    """Every day compared with the six weeks before it."""
    course = course_of(taken)
    for t in range(len(taken)):
        advance(course, loads(taken.shape[1]), CLASSES, t, np.full(taken.shape[1], t))
    return course


def weather(days: int, count: int, noise: float = 0.02) -> Floats:
    """Loads that all follow one weather, each with its own noise; fewer at weekends."""
    common = np.exp(0.2 * np.sin(np.arange(days) / 9.0))[:, None] * np.where(CLASSES[:days, None], 500.0, 1000.0)
    return np.asarray(common * np.exp(noise * RANDOM.standard_normal((days, count))))


def test_what_is_usual_is_the_median_of_the_days_alike_in_six_weeks() -> None:
    """As pandas works it out, with holes in between."""
    taken = weather(80, 4)
    taken[RANDOM.random(taken.shape) < 0.1] = np.nan
    course, table = worked_out(taken), pd.DataFrame(taken)
    for t in (60, 68, 69, 79):
        before = table.iloc[t - 42 : t]
        alike = before[CLASSES[t - 42 : t] == CLASSES[t]]
        assert course.median[t] == pytest.approx(alike.median().to_numpy())
        floor = FLOOR * before.mean().to_numpy()
        assert course.floor[t] == pytest.approx(floor)
        own = np.log((taken[t] + floor) / (alike.median().to_numpy() + floor))
        assert course.own[t] == pytest.approx(own, nan_ok=True)


def test_others_are_the_median_of_the_loads_beside_and_of_three_at_least() -> None:
    """Not of the load itself; with two beside it nothing is subtracted."""
    course = worked_out(weather(80, 5))
    for load in range(5):
        assert course.others[70, load] == pytest.approx(np.median(np.delete(course.own[70], load)))
    assert (worked_out(weather(80, 3)).others[50:] == 0).all()


def test_a_load_that_follows_the_weather_varies_by_its_own_noise_alone() -> None:
    """Five loads go with one weather: what is left is their noise; a load of its own is not moved by theirs."""
    taken = weather(140, 6)
    taken[:, 5] = 800 * np.exp(0.05 * RANDOM.standard_normal(140))
    habit = habit_of(worked_out(taken), 140)
    assert habit.goes[:5, 0] == pytest.approx(np.ones(5), abs=0.15)
    assert habit.goes[5, 0] < 0.3
    assert (habit.spread[:5] < 0.06).all()


def test_a_load_that_is_on_now_and_then_has_nothing_usual() -> None:
    """A charger every fifth day, a load that took nothing, and one that rests at weekends: only the last is judged."""
    taken = weather(80, 3)
    taken[:, 0] = np.where(np.arange(80) % 5 == 0, 9000.0, 0.0)
    taken[:, 1] = 0.0
    taken[:, 2] = np.where(CLASSES[:80] == 0, 1000.0, 0.0)
    assert np.isfinite(worked_out(taken).own[70]).tolist() == [False, False, True]


def test_too_little_history_has_no_habit() -> None:
    """Nineteen days are too few to say how much a load varies."""
    course = worked_out(weather(80, 4))
    first = int(np.flatnonzero(np.isfinite(course.own[:, 0]))[0])
    assert np.isnan(habit_of(course, first + 15).spread).all()
    assert np.isfinite(habit_of(course, first + 40).spread).all()
    assert np.isnan(habit_of(course, 0).spread).all()


def test_what_would_have_been_taken_moves_with_the_others() -> None:
    """Others at their usual: the median. Others a tenth above: a tenth more of what is above the floor, and the floor's."""
    course = worked_out(weather(80, 4))
    median, floor = course.median[70, 1], course.floor[70, 1]
    course.others[70, 1] = 0.0
    assert usual_w(course, np.ones(1), 70, 1) == pytest.approx(median)
    course.others[70, 1] = np.log(1.1)
    assert usual_w(course, np.ones(1), 70, 1) == pytest.approx((median + floor) * 1.1 - floor)
    assert usual_w(course, np.zeros(1), 70, 1) == pytest.approx(median)
