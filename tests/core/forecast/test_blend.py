"""Weights: those of a known mixture come back, outliers do not pull them, and without history they are sensible."""

import numpy as np

from meterd.core.forecast.blend import Columns, fitted

RANDOM = np.random.default_rng(3)
ROWS = RANDOM.normal(0, 1000, (4000, 3))
WANTED = np.array([0.5, 0.3, -0.2])
RIDGE = 0.001
PRIOR = np.array([1.0, 0.0, 0.0])
ALL = np.ones(4000, dtype=np.bool_)


def test_a_known_mixture_comes_back() -> None:
    """With noise of a tenth."""
    got = fitted(Columns(ROWS, PRIOR, RIDGE), ROWS @ WANTED + RANDOM.normal(0, 100, 4000), ALL)
    assert np.allclose(got, WANTED, atol=0.02)


def test_outliers_pull_the_least_absolute_error_little() -> None:
    """One of twenty values is far too high: the weights of least squares would follow."""
    actual = ROWS @ WANTED + RANDOM.normal(0, 50, 4000)
    actual[::20] += 20 * np.abs(ROWS[::20, 0])
    got = fitted(Columns(ROWS, PRIOR, RIDGE), actual, ALL)
    squares = np.linalg.lstsq(ROWS, actual, rcond=None)[0]
    assert np.abs(got - WANTED).max() < 0.03
    assert np.abs(squares - WANTED).max() > np.abs(got - WANTED).max()


def test_few_rows_stay_near_what_is_sensible() -> None:
    """Ten rows of noise move nothing much; none at all leave the prior as it is, and missing rows do not count."""
    few = ALL.copy()
    few[10:] = False
    got = fitted(Columns(ROWS, PRIOR, RIDGE), RANDOM.normal(0, 100, 4000), few)
    assert np.abs(got - PRIOR).max() < 0.6
    assert np.array_equal(fitted(Columns(ROWS, PRIOR, RIDGE), np.full(4000, np.nan), ALL), PRIOR)
