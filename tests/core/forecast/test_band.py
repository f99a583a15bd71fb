"""The band is made of errors of the same time of day; where there are too few, of all."""

import numpy as np

from meterd.core.forecast.band import band_of


def test_a_band_is_the_quantiles_of_errors_around_the_same_time() -> None:
    """Compared with numpy's own quantile of the same 42 days and slots."""
    days = np.random.default_rng(1).normal(0, 1, (42, 96)) * np.linspace(1, 5, 96)
    got = band_of(days.ravel(), 96, 2, tail=0.1)
    for slot in (2, 50, 93):
        near = days[:, slot - 2 : slot + 3].ravel()
        assert np.allclose(got[slot], np.quantile(near, (0.1, 0.5, 0.9)))


def test_midnight_has_neighbours_on_both_sides() -> None:
    """Slot 0 takes the end of the day too."""
    days = np.zeros((42, 96))
    days[:, 95] = 7.0
    assert band_of(days.ravel(), 96, 1, tail=0.1)[0, 2] == 7.0
    assert band_of(days.ravel(), 96, 1, tail=0.1)[2, 2] == 0.0


def test_few_errors_of_a_time_give_way_to_those_of_all_times() -> None:
    """One day only: half an hour of it says nothing of its own."""
    errors = np.full(42 * 96, np.nan)
    errors[-96:] = np.arange(96)
    got = band_of(errors, 96, 2, tail=0.1)
    assert (got == got[0]).all()
    assert np.allclose(got[0], np.quantile(np.arange(96), (0.1, 0.5, 0.9)))


def test_without_errors_the_band_is_nothing() -> None:
    """No number comes out of nothing, and no NaN."""
    assert (band_of(np.full(42 * 96, np.nan), 96, 2, tail=0.1) == 0).all()
