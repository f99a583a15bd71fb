"""Least squares against certified values, and what it refuses.

Data and values: NIST Statistical Reference Datasets, linear regression (itl.nist.gov/div898/strd), public domain as works of the
United States: Norris, Longley, Wampler1 and Wampler4. The figures of Wampler4 but the coefficients have ten digits here.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from meterd.core.savings.regression import least_squares
from meterd.core.unusual.days import Floats

VECTORS = Path(__file__).parents[2] / "vectors"
# coefficients, their standard deviations, residual standard deviation, R squared
CERTIFIED = {
    "norris": (
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-03],
        0.884796396144373,
        0.999993745883712,
    ),
    "longley": (
        [
            -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359,
            -0.0511041056535807, 1829.15146461355,
        ],
        [
            890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699, 0.214274163161675,
            0.226073200069370, 455.478499142212,
        ],
        304.854073561965,
        0.995479004577296,
    ),
    "wampler1": ([1.0] * 6, [0.0] * 6, 0.0, 1.0),
    "wampler4": (
        [1.0] * 6,
        [215232.6247, 236355.1735, 77934.35243, 10147.55076, 564.5665122, 11.23248547],
        236014.5024,
        0.957478441,
    ),
}  # fmt: skip


def data(name: str) -> tuple[Floats, Floats]:
    """Terms with a constant, and what they explain."""
    with (VECTORS / "strd_linear.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["set"] == name]
    columns = [key for key in ("x1", "x2", "x3", "x4", "x5", "x6") if rows[0][key]]
    X = np.array([[1.0, *(float(row[key]) for key in columns)] for row in rows])
    return X, np.array([float(row["y"]) for row in rows])


@pytest.mark.parametrize("name", CERTIFIED)
def test_certified_values_are_met(name: str) -> None:
    """To seven digits, and the exact polynomial of Wampler1 with no residual but rounding."""
    coefficients, errors, sd, r2 = CERTIFIED[name]
    fit = least_squares(*data(name))
    assert fit is not None
    assert fit.coefficients == pytest.approx(coefficients, rel=1e-7)
    assert fit.errors == pytest.approx(errors, rel=1e-7, abs=1e-6)
    assert fit.residual_sd == pytest.approx(sd, rel=1e-8, abs=1e-6)
    assert fit.r2 == pytest.approx(r2, rel=1e-9)


def test_what_has_no_one_answer_is_refused() -> None:
    """As many terms as rows, a term that is zero, one that follows from the others; what does not vary has no R squared."""
    ones = np.ones(5)
    slope = np.arange(5.0)
    assert least_squares(np.column_stack([ones, slope])[:2], ones[:2]) is None
    assert least_squares(np.column_stack([ones, 0 * slope]), slope) is None
    assert least_squares(np.column_stack([ones, slope, 2 * slope + 3]), slope) is None
    flat = least_squares(np.column_stack([ones, slope]), 7 * ones)
    assert flat is not None
    assert flat.r2 is None
