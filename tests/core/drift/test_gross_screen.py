"""What the screen says every factor would gain is what the search finds, factor by factor."""

import numpy as np
import pytest

from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.gross_screen import DEGREES, DaySums, gains_of_all

FACTORS = np.array([-1.0, -0.5, 0.004, 0.05, 0.333, 0.5, 0.577, 0.9, 0.98, 1.0, 1.02, 1.732, 2.0, 5.0, 60.0])


def _day(p: int, rows: int, draw: np.random.Generator) -> tuple[Floats, DaySums]:
    """Readings of a feed and its feeders, with a standing load and losses, and the sums of their products."""
    y = draw.uniform(0.1, 5, p) * (1 + 0.3 * draw.standard_normal((rows, p)))
    y[:, 0] = -y[:, 1:].sum(axis=1) + 0.01 * draw.standard_normal(rows)
    loading = draw.uniform(0, 0.1, rows)
    z = np.column_stack([y, np.full(rows, 0.25), loading, 0.1 + 0.2 * loading])
    floor = (0.002 * float(np.abs(y).sum(axis=1).mean()) / 2) ** 2
    return z, DaySums(z.T @ z, rows, floor)


def _by_definition(z: Floats, day: DaySums, what: tuple[Floats, Floats], column: int, factor: float) -> float:
    """2 ln of the likelihood of the rows themselves: their covariance is that of noise and of all gains, [T, T]."""
    C, mean = what
    some = z.copy()
    some[:, column] /= factor
    p, Z = z.shape[1] - 3, some[:, :-1]
    residual = some[:, :p].sum(axis=1) - some[:, -1] - Z @ mean
    covariance = np.eye(len(z)) + Z @ C @ Z.T / day.floor
    rest = float(residual @ np.linalg.solve(covariance, residual)) / day.floor
    return float(-np.linalg.slogdet(covariance)[1] - (day.count + DEGREES) * np.log(DEGREES + rest))


@pytest.mark.parametrize("p", [2, 5, 30])
def test_gains_are_those_of_the_likelihood_of_the_rows(p: int) -> None:
    """An independent way: a normal distribution of all intervals of the day, without any sums of products."""
    draw = np.random.default_rng(p)
    z, day = _day(p, 95, draw)
    shape = draw.standard_normal((p + 2, p + 2)) / 100
    C = np.diag(np.append(draw.uniform(0.001, 0.01, p) ** 2, [0.5, 0.3])) + 1e-4 * shape @ shape.T
    mean = np.append(draw.normal(0, 0.005, p), [0.01, 0.02])
    gains = gains_of_all(day, C, mean, FACTORS)
    assert gains.shape == (p, len(FACTORS))
    for column in range(p):
        plain = _by_definition(z, day, (C, mean), column, 1.0)
        wanted = [_by_definition(z, day, (C, mean), column, f) - plain for f in FACTORS]
        np.testing.assert_allclose(gains[column], wanted, atol=1e-4, rtol=1e-6)


def test_a_factor_that_was_planted_gains_most() -> None:
    draw = np.random.default_rng(1)
    z, day = _day(8, 95, draw)
    z[:, 3] *= 0.5
    planted = DaySums(z.T @ z, day.count, day.floor)
    gains = gains_of_all(planted, np.diag([1e-5] * 8 + [1e-4, 1e-4]), np.zeros(10), FACTORS)
    best = np.unravel_index(int(gains.argmax()), gains.shape)
    assert (int(best[0]), float(FACTORS[best[1]])) == (3, 0.5)
