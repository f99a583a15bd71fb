"""A change is named, lasts, goes on and ends; only what changed begins anew. The running daemon: tests/faults/test_i_drift.py."""

import numpy as np
import pytest

from meterd.core.drift.change_life import accepted, corrected, exchanged, free
from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import WatchState
from tests.simulator.drift_lives import lived
from tests.simulator.drift_sites import Simulated, grid
from tests.simulator.drift_study import replay, statistics

WARM = 80
LOW = {"feeder1": 0.95}


@pytest.fixture(scope="module")
def site() -> Simulated:
    return grid(11, 170)


@pytest.fixture(scope="module")
def warm(site: Simulated) -> WatchState:
    return replay(site.net, statistics(site)[:WARM])[0]


def test_a_repair_ends_the_change_and_brings_the_old_baseline_back(site: Simulated, warm: WatchState) -> None:
    """To the last bit where nothing else changed: no renewal is left."""
    states: list[WatchState] = []
    life = lived(
        site,
        warm,
        WARM,
        lambda d: LOW if d < 20 else {},
        lambda d, state: states.append(state) or state,  # type: ignore[func-returns-value]
    )
    assert list(life.named) == ["ratio feeder1"]
    assert max(life.open_days) <= 22
    assert states[-1].renewals == ()
    (end,) = states[-1].ended
    assert (end.how, end.at_ms) == ("as-before", int(site.start_ms[(WARM + 20) * 96]))


def test_a_second_fault_is_named_while_the_first_lasts_and_each_ends_for_itself(
    site: Simulated, warm: WatchState
) -> None:
    def factors(d: int) -> dict[str, float]:
        return (LOW if d < 30 else {}) | ({"feeder6": 0.9} if 10 <= d < 45 else {})

    life = lived(site, warm, WARM, factors)
    assert set(life.named) == {"ratio feeder1", "ratio feeder6"}
    first, second = life.named["ratio feeder1"], life.named["ratio feeder6"]
    assert (first[0] <= 4, 10 <= second[0] <= 14) == (True, True)
    assert (30 <= first[1] <= 33, 45 <= second[1] <= 48) == (True, True)


def test_a_further_step_of_the_same_meter_is_the_same_change(site: Simulated, warm: WatchState) -> None:
    """5 %, then 9 % low: one change, measured from the baseline before the first step and since its day."""
    states: list[WatchState] = []
    lived(
        site,
        warm,
        WARM,
        lambda d: LOW if d < 30 else {"feeder1": 0.91},
        lambda d, s: states.append(s) or s,  # type: ignore[func-returns-value]
    )
    (suspicion,) = states[-1].suspicions
    assert suspicion.named == "ratio feeder1"
    assert suspicion.change_ms == int(site.start_ms[WARM * 96])
    assert suspicion.candidates[0].step == pytest.approx(-0.09, abs=0.02)


def test_what_is_accepted_is_silent_until_it_changes_again(site: Simulated, warm: WatchState) -> None:
    def order(d: int, state: WatchState) -> WatchState:
        return accepted(state, state.changes, 1) if d == 6 else state

    life = lived(site, warm, WARM, lambda d: LOW if d < 50 else {"feeder1": 0.9}, order)
    assert [d for d in life.open_days if 6 <= d < 50] == []
    assert max(life.open_days) > 50
    assert list(life.named) == ["ratio feeder1"]


def test_an_exchanged_meter_starts_within_its_class_and_the_others_keep_their_baseline(warm: WatchState) -> None:
    assert warm.learner is not None
    state = exchanged(warm, ["feeder1"], warm.recent[-1].end_ms)
    assert state.learner is not None
    before, after = (np.sqrt(np.diagonal(s.learner.fit.covariance)) for s in (warm, state) if s.learner)
    i = warm.network.points.index("feeder1")
    assert after[i] == pytest.approx(np.sqrt(warm.first.covariance[i, i]), rel=0.25)
    others = [j for j in range(len(warm.network.points)) if j != i]
    assert np.all(after[others] < 1.5 * before[others])


def test_before_there_is_a_baseline_a_new_meter_begins_all_anew(site: Simulated) -> None:
    young = replay(site.net, statistics(site)[:4])[0]
    assert exchanged(young, ["feeder1"], young.recent[-1].end_ms).seen == 0
    freed = free(young, ["feeder1"], young.recent[0].start_ms)
    assert freed.seen == 4
    assert freed.start.covariance[1, 1] > 50
    assert corrected(young, ["feeder1"], young.recent[-1].end_ms).changes == ()


def test_a_corrected_meter_is_watched_without_a_word(site: Simulated, warm: WatchState) -> None:
    """The corrected figures are half a percent off; where the correction ends and the meter still reads wrong, it is found."""
    state = corrected(warm, ["feeder1"], warm.recent[-1].end_ms)
    life = lived(site, state, WARM, lambda d: {"feeder1": 1.005 if d < 30 else 0.9})
    assert min(life.open_days) >= 30
    assert list(life.named) == ["ratio feeder1"]


def test_a_dead_meter_is_reported_until_it_counts_again(site: Simulated, warm: WatchState) -> None:
    life = lived(site, warm, WARM, lambda d: {"feeder2": 0.0} if d < 20 else {})
    assert set(life.named) <= {"ratio feeder2"}
    assert "ratio feeder2" in life.listed
    assert max(life.open_days) == 19


def test_nothing_is_said_of_quiet_days_after_a_repair(site: Simulated, warm: WatchState) -> None:
    state = warm
    for d in range(WARM, 165):
        state, suspicions = monitor_day(state, daily_statistics(site.net, site.day(d, LOW if d < WARM + 3 else {})))
        assert d < WARM + 8 or not suspicions
