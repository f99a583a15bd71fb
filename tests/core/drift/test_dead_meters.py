"""An instrument that counts nothing any more is listed first; a load that is switched off is no fault at all."""

import numpy as np
import pytest

from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.dead_meters import dead_meters
from meterd.core.drift.identification import Suspicion
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import WatchState
from tests.simulator.drift_sites import Simulated, grid
from tests.simulator.drift_study import replay

WARM = 40


@pytest.fixture(scope="module")
def site() -> Simulated:
    return grid(21, 60)


@pytest.fixture(scope="module")
def warm(site: Simulated) -> WatchState:
    return replay(site.net, [daily_statistics(site.net, site.day(d)) for d in range(WARM)])[0]


def run(site: Simulated, state: WatchState, days: int, factors: dict[str, float], off: str = "") -> list[Suspicion]:
    """What is said on days with such instruments; `off` is a load that draws nothing, so that the feed sees less too."""
    suspicions: list[Suspicion] = []
    for d in range(WARM, WARM + days):
        table = site.day(d, factors)
        if off:
            columns = [site.net.points.index(name) for name in (off, "main")]
            load = table.energy[:, columns[0]].copy()
            table.energy[:, columns[0]] = 0
            of, feed = (site.ratios[column] for column in columns)  # the feed misses what it read of the load
            table.energy[:, columns[1]] -= np.rint(load * feed / of).astype(np.int64)
        state, results = monitor_day(state, daily_statistics(site.net, table))
        suspicions += results
    return suspicions


@pytest.mark.parametrize("point", ["feeder1", "feeder6", "feeder7"])
def test_a_meter_that_counts_nothing_is_first_of_the_list(site: Simulated, warm: WatchState, point: str) -> None:
    suspicions = run(site, warm, 5, {point: 0.0})
    assert suspicions
    best = suspicions[-1].candidates[0]
    assert (best.hypothesis, best.text) == (f"ratio {point}", f"{point} counts nothing any more")
    assert "of its usual" in best.measured
    assert suspicions[-1].named in (None, f"ratio {point}")


def test_a_load_that_is_switched_off_is_no_fault(site: Simulated, warm: WatchState) -> None:
    assert run(site, warm, 12, {}, off="feeder6") == []


def test_a_standing_point_is_not_blamed_for_what_is_not_its_size(site: Simulated, warm: WatchState) -> None:
    """Feeder 7, a twentieth of the energy, is switched off, and the feed reads 15 % too much: that is not its size."""
    suspicions = run(site, warm, 6, {"main": 1.15}, off="feeder7")
    assert suspicions
    assert "ratio feeder7" not in [c.hypothesis for c in suspicions[-1].candidates]


def test_a_week_must_have_passed_before(site: Simulated) -> None:
    days = [daily_statistics(site.net, site.day(d, {"feeder1": 0.0} if d > 5 else None)) for d in range(9)]
    mean = np.zeros(len(site.net.points) + 2 * len(site.net.nodes))
    assert dead_meters(site.net, days[:6], days[6:], mean) == ()
    assert dead_meters(site.net, days, (), mean) == ()
