"""The short way of a register that only counts up gives the figures of the long way, bit for bit, or none."""

from itertools import accumulate

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.energy.batch import Followed, follow
from meterd.core.model.plan import Limits
from meterd.core.registers.plain_register import Moments, moments_of, plain_figures
from meterd.core.registers.tracker import Rule

QUARTER, LIMITS, CHANNEL = 900_000, Limits(), ("q1", "1.8.0")
STEPS = st.lists(st.sampled_from([1, 17_000, 60_000, 450_000, 900_000, 1_700_001, 30_000_000]), min_size=1, max_size=60)
RISES = st.sampled_from([0, 1, 999, 5_000, 40_000, -1, 900_000_000])
RULES = st.sampled_from([
    (Rule(),),
    (Rule(capacity=10**9, resolution=1000),),
    (Rule(numerator=7, denominator=3),),
    (Rule(numerator=2**40 + 1, denominator=2**39, limit_per_s=10**9),),
    (Rule(until_ms=2_000_000_000_000),),
    (Rule(until_ms=1_780_000_900_000, closing=5), Rule(from_ms=1_780_000_900_000, opening=0)),
    (Rule(from_ms=1_780_000_060_000),),
])  # fmt: skip


def moments(times: np.ndarray) -> Moments | None:
    gaps = {"gap_exact_ms": LIMITS.gap_exact_s * 1000, "gap_estimate_ms": LIMITS.gap_estimate_s * 1000}
    return moments_of(times, interval_ms=QUARTER, **gaps)


def followed(rules: tuple[Rule, ...], times: np.ndarray, raws: np.ndarray, known: Moments | None) -> Followed:
    return follow(CHANNEL, rules, times, raws, limits=LIMITS, interval_ms=QUARTER, moments=known)


@given(STEPS, st.lists(RISES, min_size=60, max_size=60), st.integers(0, 10**9), RULES, st.sampled_from([0, 1, 450_000]))
def test_short_way_and_long_way_give_the_same_bits(
    steps: list[int], rises: list[int], start: int, rules: tuple[Rule, ...], phase: int
) -> None:
    """Any times, any register: plain ones, falling and jumping ones, exchanged meters, ratios beyond 64 bits."""
    times = np.array(list(accumulate(steps, initial=1_780_000_200_000 + phase)), dtype=np.int64)
    raws = np.array(list(accumulate(rises[: len(steps)], initial=start)), dtype=np.int64)
    known = moments(times)
    assert known is not None
    item, other = followed(rules, times, raws, known), followed(rules, times, raws, None)
    assert (item.events, item.readings) == (other.events, other.readings)
    for name in ("start_ms", "energy", "present", "flags", "anchor"):
        mine, theirs = getattr(item.figures, name), getattr(other.figures, name)
        assert mine.dtype == theirs.dtype
        assert mine.tolist() == theirs.tolist(), name


def test_a_day_of_minutes_goes_the_short_way() -> None:
    times = np.arange(0, 86_400_001, 60_000, dtype=np.int64)
    known = moments(times)
    assert known is not None
    result = plain_figures(known, [Rule()], 5 * np.arange(len(times), dtype=np.int64))
    assert result is not None
    assert result.energy.tolist() == [75] * 96


@pytest.mark.parametrize(
    ("raws", "rule"),
    [
        ([5, 4, 6], Rule()),
        ([0, 10**9, 10**9], Rule()),
        ([0, 1, 2], Rule(capacity=2)),
        ([0, 1, 2], Rule(from_ms=1)),
        ([0, 1, 2], Rule(until_ms=1_800_000)),
    ],
)
def test_what_is_not_plain_is_left_to_the_tracker(raws: list[int], rule: Rule) -> None:
    """A fall, a jump, a full register, readings before and after the meter of the rule."""
    known = moments(np.array([0, 900_000, 1_800_000]))
    assert known is not None
    assert plain_figures(known, [rule], np.array(raws, dtype=np.int64)) is None


@pytest.mark.parametrize("times", [[], [0], [0, 0], [0, 2, 1]])
def test_times_that_do_not_rise_have_no_moments(times: list[int]) -> None:
    assert moments(np.array(times, dtype=np.int64)) is None
