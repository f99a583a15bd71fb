"""Warnings of the demand come in three steps and do not flicker."""

import pytest

from meterd.core.model.demand import DemandOutlook, DemandWarning, next_warning

CONTRACT = 100_000


@pytest.mark.parametrize(
    ("band", "word"),
    [
        ((60, 80, 100), "none"),
        ((60, 80, 101), "possible"),
        ((60, 101, 120), "likely"),
        ((101, 110, 120), "certain"),
    ],
)
def test_each_end_of_the_band_that_passes_the_contract_is_a_step(band: tuple[int, int, int], word: str) -> None:
    """The contract itself is not passed."""
    low, middle, high = (1000.0 * kilowatt for kilowatt in band)
    for before in (None, DemandWarning.NONE):
        assert next_warning(before, DemandOutlook(0, low, middle, high, True), CONTRACT) == word


def test_a_step_goes_two_percent_below_the_contract() -> None:
    """Noise around the contract does not switch it; what comes anew needs the contract itself."""
    steps = [DemandWarning.NONE]
    for middle in (99_000.0, 100_100.0, 99_000.0, 98_100.0, 97_900.0, 99_000.0):
        steps.append(next_warning(steps[-1], DemandOutlook(0, 0.0, middle, middle, True), CONTRACT) or steps[0])
    assert [step.value for step in steps[1:]] == ["none", "likely", "likely", "likely", "none", "none"]


def test_nothing_known_is_no_warning() -> None:
    """Neither without an outlook nor without a contract; it is not "none" either."""
    assert next_warning(DemandWarning.CERTAIN, None, CONTRACT) is None
    assert next_warning(None, DemandOutlook(0, 1.0, 2.0, 3.0, True), None) is None
