"""The baseline of a watch with days taken out of it, and how likely days are under a baseline."""

import numpy as np
import pytest

from meterd.core.drift.baseline import Fit
from meterd.core.drift.monitor_state import log_evidence, part_of, posterior, sums_before
from tests.late import stats
from tests.simulator.drift_sites import grid
from tests.simulator.drift_study import replay, statistics


def test_log_evidence_is_that_of_the_normal_distribution() -> None:
    """y = X x + noise of variance 1 with x ~ N(m, C): y ~ N(X m, X C X' + I), up to a term without m and C."""
    generator = np.random.default_rng(1)
    X, y = generator.standard_normal((12, 3)), generator.standard_normal(12)
    M, b = X.T @ X, X.T @ y
    results, wanted = [], []
    for size in (0.1, 1.0, 3.0):
        base = Fit(np.array([size, 0.0, -1.0]), np.diag([size, 2.0, 0.5]))
        results.append(log_evidence(base, M, b))
        wanted.append(stats.multivariate_normal(X @ base.mean, X @ base.covariance @ X.T + np.eye(12)).logpdf(y))
    assert np.diff(results) == pytest.approx(np.diff(wanted))


def test_the_sums_without_the_newest_days_are_those_of_the_others() -> None:
    simulated = grid(3, 40)
    days = statistics(simulated)
    state = replay(simulated.net, days[:40])[0]
    cut = state.recent[15].start_ms
    sums, count = sums_before(state, cut)
    assert count == 15
    weight = 0.5 ** (1 / 120)
    wanted = sum(day.nodes[0].S0 * weight ** (state.learned - 1 - n) for n, day in enumerate(days[:15]))
    assert pytest.approx(wanted) == sums[0].S0
    assert posterior(state, sums).covariance[0, 0] > posterior(state, state.sums).covariance[0, 0]
    assert sums_before(state, 0) == ((), 0)
    assert part_of(state, 0) == 0
