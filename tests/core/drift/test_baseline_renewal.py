"""What begins anew is free, what does not keeps its baseline; the frozen copy takes it over after eight weeks."""

import numpy as np
import pytest

from meterd.core.drift.baseline_renewal import SETTLE_DAYS, renewed
from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import WatchState
from tests.simulator.drift_sites import Simulated, grid
from tests.simulator.drift_study import replay, statistics

WARM = 70


@pytest.fixture(scope="module")
def site() -> Simulated:
    return grid(17, WARM + SETTLE_DAYS + 10)


@pytest.fixture(scope="module")
def warm(site: Simulated) -> WatchState:
    return replay(site.net, statistics(site)[:WARM])[0]


def errors(state: WatchState) -> np.ndarray:
    assert state.learner is not None
    return np.sqrt(np.diagonal(state.learner.fit.covariance))


def test_a_free_step_takes_nothing_from_the_others(warm: WatchState) -> None:
    """The ratio of feeder 1 may be anything; what is known of the others alone stays."""
    state = renewed(warm, (1,), warm.recent[-1].end_ms, free=True)
    assert errors(state)[1] > 5
    others = [0, 2, 3, 4, 5, 6, 7]
    assert errors(state)[others] == pytest.approx(errors(warm)[others], rel=0.3)


def test_the_level_before_is_forgotten_and_the_one_since_is_learned(site: Simulated, warm: WatchState) -> None:
    """After a step of 10 % that was announced, two weeks are enough to know the new ratio."""
    assert warm.learner is not None
    state = renewed(warm, (1,), warm.recent[-1].end_ms, free=True)
    for d in range(WARM, WARM + 14):
        state, suspicions = monitor_day(state, daily_statistics(site.net, site.day(d, {"feeder1": 0.9})))
        assert suspicions == ()
    assert state.learner is not None
    before, after = warm.learner.fit.mean[1], state.learner.fit.mean[1]
    assert (1 - before) / (1 - after) == pytest.approx(0.9, abs=0.03)  # linear in reconciled flows


def test_the_frozen_copy_takes_it_over_and_learns_nothing_of_the_others(site: Simulated, warm: WatchState) -> None:
    state = renewed(warm, (1,), warm.recent[-1].end_ms, free=True)
    assert state.frozen is not None
    assert state.frozen.fit.covariance[1, 1] > 50
    begun, frozen_at = state.frozen, state.frozen_at
    for d in range(WARM, WARM + SETTLE_DAYS + 1):
        if state.frozen_at != frozen_at:
            break
        begun = state.frozen
        state, _ = monitor_day(state, daily_statistics(site.net, site.day(d, {"feeder1": 0.9})))
    assert state.settled == len(state.renewals) or state.frozen_at != frozen_at
    assert state.frozen is not None
    assert begun is not None
    assert state.frozen.fit.covariance[1, 1] < 0.01
