"""The evidence of a change: which days tell of it, and whom they name."""

from dataclasses import replace

import numpy as np

from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.monitor import monitor_day
from tests.simulator.drift_sites import mill
from tests.simulator.drift_study import replay, statistics


def test_a_fault_that_begins_during_a_day_is_named_by_the_days_after_it() -> None:
    """A riser of the mill that reads a third from eleven on: its first day made a load of 10 kW, or losses of 380 kW, of it."""
    first = 38
    simulated = mill(2100, first + 6)
    state, _ = replay(simulated.net, statistics(simulated)[:first])
    column = simulated.net.points.index("riser-west")
    for d in range(first, first + 6):
        table = simulated.day(d)
        energy = table.energy.copy()
        rows = slice(44 if d == first else 0, None)
        energy[rows, column] = np.rint(energy[rows, column] / 3)
        state, suspicions = monitor_day(state, daily_statistics(simulated.net, replace(table, energy=energy)))
    (suspicion,) = suspicions
    assert (suspicion.named, suspicion.days) == ("ratio riser-west", 5)
    assert suspicion.explained > 0.99
    assert suspicion.change_ms == int(simulated.start_ms[first * 96]), "it began on that day"
