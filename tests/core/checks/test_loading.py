"""Loading, peaks and the night base: figures worked out by hand, and steps planted in noise."""

from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.checks.loading import (
    LEAST_STRETCH,
    Night,
    apparent_w,
    base_changes,
    contributors,
    nights,
    piece_begins,
    rated_va,
    use,
)
from meterd.core.model.periods import DAY_MS

QUARTER = 900_000
VIENNA = ZoneInfo("Europe/Vienna")
MAY = 1_777_586_400_000  # 2026-05-01 00:00 in Vienna


def test_rated_power_is_that_of_the_trade_table() -> None:
    """630 kVA at 400 V is 909 A per phase (common practice)."""
    assert rated_va(909.3, 400) == pytest.approx(630_000, rel=1e-4)


def test_reactive_power_adds_as_a_right_angle() -> None:
    """3, 4, 5."""
    assert apparent_w(np.array([3.0, -3.0]), np.array([4.0, 4.0])).tolist() == [5.0, 5.0]
    assert apparent_w(np.array([-3.0]), None).tolist() == [3.0]


def test_hours_above_count_only_what_is_known() -> None:
    """A missing interval is neither above nor below, and is reported."""
    starts = np.arange(8) * QUARTER
    power = np.array([50.0, 81, 90, 101, 120, 999, 10, 10])
    known = np.array([1, 1, 1, 1, 1, 0, 1, 1], dtype=bool)
    result = use(power, known, starts, 100.0, (0.8, 1.0))
    assert result.hours == (1.0, 0.5)
    assert (result.highest, result.highest_ms, result.known, result.of) == (1.2, 4 * QUARTER, 7, 8)


def test_nothing_known_is_nothing_said() -> None:
    """No highest, no moment."""
    result = use(np.zeros(4), np.zeros(4, dtype=bool), np.arange(4) * QUARTER, 100.0, (0.8,))
    assert (result.highest, result.highest_ms, result.known) == (None, None, 0)


def test_a_rating_of_zero_is_refused() -> None:
    """It would make every load infinite."""
    with pytest.raises(ValueError, match="above zero"):
        use(np.zeros(1), np.ones(1, dtype=bool), np.zeros(1, dtype=np.int64), 0.0, ())


def test_contributors_come_by_size_with_what_is_usual() -> None:
    """The median of the other days; a feeder that is missing at the peak is left out."""
    contributions = contributors(
        {"ovens": 9_000, "lift": 1_000, "gone": None, "new": 2_000}, {"ovens": [3, 5_000, 4_000], "lift": [1_000]}
    )
    assert [(contribution.point, contribution.excess_mwh) for contribution in contributions] == [
        ("ovens", 5_000),
        ("new", None),
        ("lift", 0),
    ]


def test_the_night_is_local_and_a_hole_in_it_is_reported() -> None:
    """Three nights from 00:00 to 05:00 in Vienna; the second has too few intervals."""
    starts = MAY + np.arange(3 * 96, dtype=np.int64) * QUARTER
    hour = np.tile(np.arange(96) // 4, 3)
    power = np.where(hour < 5, 2_000.0, 9_000.0)
    known = ~((np.arange(3 * 96) >= 96) & (np.arange(3 * 96) < 96 + 15))
    results = nights(power, known, starts, VIENNA)
    assert [night.base_w for night in results] == [2_000.0, None, 2_000.0]
    assert [night.day_ms for night in results] == [MAY + i * DAY_MS for i in range(3)]


def series(levels: list[tuple[int, float]], noise: float, seed: int) -> list[Night]:
    """Nights with these stretches of levels in Gaussian noise."""
    values = np.concatenate([np.full(length, level) for length, level in levels])
    values = values + np.random.default_rng(seed).normal(0, noise, len(values))
    return [Night(MAY + i * DAY_MS, float(value)) for i, value in enumerate(values)]


@pytest.mark.parametrize("seed", range(20))
def test_a_step_of_five_sigma_is_found_at_its_night(seed: int) -> None:
    """From 10 to 10.5 kW in noise of 0.1 kW: one change, on the right night or beside it."""
    (change,) = base_changes(series([(40, 10_000.0), (40, 10_500.0)], 100.0, seed))
    assert abs((change.day_ms - MAY) // DAY_MS - 40) <= 1
    assert change.after_w - change.before_w == pytest.approx(500, abs=120)


def test_quiet_nights_have_no_change() -> None:
    """Of 100 quiet winters with 120 nights at most five show one."""
    assert sum(bool(base_changes(series([(120, 10_000.0)], 150.0, 1000 + seed))) for seed in range(100)) <= 5


def test_a_long_weekend_is_no_change() -> None:
    """Two low nights are fewer than a stretch."""
    changes = base_changes(series([(20, 10_000.0), (LEAST_STRETCH - 1, 6_000.0), (20, 10_000.0)], 50.0, 5))
    assert changes == []


@given(st.lists(st.one_of(st.none(), st.floats(0, 1e6)), max_size=40))
def test_any_nights_give_changes_in_order(values: list[float | None]) -> None:
    """Whatever is missing, nothing raises, and changes lie LEAST_STRETCH apart."""
    changes = base_changes([Night(i * DAY_MS, value) for i, value in enumerate(values)])
    times = [change.day_ms for change in changes]
    assert times == sorted(set(times))


def plain_cuts(values: np.ndarray, penalty: float) -> list[int]:
    """The same search piece by piece, as it is written in words: the cheapest end of every beginning."""
    n = len(values)
    sums, squares = [0.0, *np.cumsum(values).tolist()], [0.0, *np.cumsum(values**2).tolist()]
    best, last = [0.0] + [float("inf")] * n, [0] * (n + 1)
    for end in range(LEAST_STRETCH, n + 1):
        for begin in (0, *range(LEAST_STRETCH, end - LEAST_STRETCH + 1)):
            total = sums[end] - sums[begin]
            cost = best[begin] + (squares[end] - squares[begin] - total * total / (end - begin)) + penalty
            if cost < best[end] - 1e-9:
                best[end], last[end] = cost, begin
    results, at = [], n
    while last[at] > 0:
        at = last[at]
        results.append(at)
    return results[::-1]


@given(
    st.lists(st.tuples(st.integers(0, 40), st.sampled_from([0.0, 1.0, 1e-5, 200.0, 1e6])), max_size=8),
    st.sampled_from([0.0, 1e-9, 1.0, 500.0, 5e4]),
    st.integers(0, 2**32 - 1),
)
def test_pieces_are_those_of_the_plain_search(pieces: list[tuple[int, float]], penalty: float, seed: int) -> None:
    """Bit for bit, also where pieces cost the same."""
    noise = np.random.default_rng(seed).normal(0, 1, sum(length for length, _ in pieces)).round(seed % 3)
    values = np.repeat([level for _, level in pieces], [length for length, _ in pieces]) + noise * (seed % 2)
    assert piece_begins(values, penalty) == plain_cuts(values, penalty)
