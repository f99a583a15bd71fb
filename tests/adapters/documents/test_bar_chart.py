"""The axis of bars."""

import pytest

from meterd.adapters.documents.bar_chart import scale


@pytest.mark.parametrize("largest", [0.003, 1.0, 7.9, 8.1, 99.0, 4321.0, 7.7e6])
def test_axis_has_four_to_eight_round_steps(largest: float) -> None:
    """1, 2 or 5 times a power of ten."""
    step = scale(largest)
    assert 3 < largest / step <= 8
    assert float(f"{step:.0e}") == pytest.approx(step)
    assert f"{step:e}"[0] in "125"
