"""Random numbers depend on key and moment alone: not on the block asked for, not on the other keys."""

import numpy as np
import pytest

from meterd.adapters.simulator.noise import draw, keys, smooth, steps, stream, uniform

NAMES = ["bakery", "cold-store", "studio-01"]
AT_MS = 1_781_000_000_000 + 10_000 * np.arange(500, dtype=np.int64)


@pytest.mark.parametrize("kind", [steps, smooth])
def test_one_moment_at_a_time_equals_all_at_once(kind):
    source = stream(keys(7, NAMES), 3)
    whole = kind(source, AT_MS, 300.0)
    single = np.hstack([kind(source, AT_MS[i : i + 1], 300.0) for i in range(len(AT_MS))])
    assert np.array_equal(whole, single)


@pytest.mark.parametrize("kind", [steps, smooth])
def test_moments_far_apart_have_the_numbers_they_have_among_neighbours(kind):
    source = stream(keys(7, NAMES), 3)
    assert np.array_equal(kind(source, AT_MS, 30.0)[:, ::100], kind(source, AT_MS[::100], 30.0))


def test_a_name_keeps_its_numbers_when_others_are_added():
    alone = smooth(stream(keys(7, ["cold-store"]), 1), AT_MS, 60.0)
    among = smooth(stream(keys(7, NAMES), 1), AT_MS, 60.0)
    assert np.array_equal(alone[0], among[1])


def test_another_seed_stream_or_name_gives_other_numbers():
    base = draw(keys(7, NAMES), 0)
    assert len(set(base.tolist())) == 3
    assert not np.array_equal(base, draw(keys(8, NAMES), 0))
    assert not np.array_equal(base, draw(keys(7, NAMES), 1))


def test_uniform_numbers_have_the_moments_of_the_uniform_distribution():
    """Mean 1/2 and variance 1/12, within five standard errors of 200,000 numbers."""
    numbers = uniform(keys(1, NAMES[:2]), np.arange(100_000, dtype=np.int64))
    assert numbers.min() >= 0.0
    assert numbers.max() < 1.0
    assert abs(numbers.mean() - 0.5) < 5 * (1 / 12 / numbers.size) ** 0.5
    assert abs(numbers.var() - 1 / 12) < 5 * (1 / 180 / numbers.size) ** 0.5
    assert abs(np.corrcoef(numbers)[0, 1]) < 0.02


def test_smooth_numbers_remember_ten_seconds_and_forget_ten_scales():
    result = smooth(stream(keys(1, [f"p{i}" for i in range(50)]), 0), AT_MS, 60.0)
    near = np.corrcoef(result[:, :-1].ravel(), result[:, 1:].ravel())[0, 1]
    far = np.corrcoef(result[:, :-60].ravel(), result[:, 60:].ravel())[0, 1]
    assert near > 0.9
    assert abs(far) < 0.1


def test_steps_hold_for_their_scale():
    result = steps(stream(keys(1, ["a"]), 0), AT_MS, 600.0)[0]
    changes = np.flatnonzero(np.diff(result))
    assert np.array_equal(np.diff(changes), np.full(len(changes) - 1, 60))
