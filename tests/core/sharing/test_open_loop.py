"""Gains for controllers that see only the surplus, and the delay measured by small steps."""

import numpy as np
import pytest

from meterd.core.sharing.open_loop import gain_limit, measure_delay, on_probability, safe_gain, step_pattern


@pytest.mark.parametrize(("delay", "limit"), [(0, 2.0), (1, 1.0), (2, 0.618), (3, 0.445)])
def test_gain_limit_of_the_table(delay: int, limit: float) -> None:
    """N k below 2, 1, 0.618, 0.445 for a delay of 0 to 3 samples (checks.md, PV)."""
    assert gain_limit(delay) == pytest.approx(limit, abs=5e-4)


def test_negative_delay_is_refused() -> None:
    """No loop answers before it is asked."""
    with pytest.raises(ValueError, match="delay must not be negative, got -1"):
        gain_limit(-1)


def test_safe_gain_is_half_the_limit_for_all_together() -> None:
    """N controllers at the safe gain together react with half the limit, and never with more than the surplus."""
    assert 80 * safe_gain(80, 2) == pytest.approx(0.309, abs=5e-4)
    assert safe_gain(1, 0) == 1.0
    assert safe_gain(0, 2) == 0.0


def test_on_probability_uses_the_surplus_on_average() -> None:
    """A quarter of the waiting power is there: a quarter may start; less with a delay; none without surplus or loads."""
    assert on_probability(30_000, 120_000, 0) == 0.25
    assert on_probability(30_000, 120_000, 2) == pytest.approx(0.25 * 0.309, abs=1e-3)
    assert on_probability(500_000, 120_000, 0) == 1.0
    assert on_probability(0, 120_000, 0) == on_probability(1, 0, 0) == 0.0


@pytest.mark.parametrize("delay", range(7))
@pytest.mark.parametrize("seed", range(4))
def test_delay_is_found_in_the_noise(delay: int, seed: int) -> None:
    """Steps of 1 kW, a response of 0.9 with 100 W of noise: the delay is found exactly, the response within 10 %."""
    steps = np.array(step_pattern(240, 1_000, 6), dtype=np.float64)
    noise = np.random.default_rng(seed).normal(0, 100, len(steps))
    answer = 5_000 + 0.9 * np.concatenate((np.zeros(delay), steps[: len(steps) - delay])) + noise
    result = measure_delay(steps, answer)
    assert result is not None
    assert result.samples == delay
    assert result.response == pytest.approx(0.9, rel=0.1)


def test_no_delay_is_made_up() -> None:
    """Noise alone, a draw that does not answer, a draw that answers the wrong way, and too few samples give none."""
    steps = np.array(step_pattern(120, 1_000, 6), dtype=np.float64)
    assert measure_delay(steps, np.random.default_rng(2).normal(0, 100, 120)) is None
    assert measure_delay(steps, np.zeros(120)) is None
    assert measure_delay(steps, -steps) is None
    assert measure_delay(steps[:10], steps[:10]) is None
