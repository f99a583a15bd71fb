"""Quarter hours of shorter intervals, and flows that close every balance without keeping a share of the residual."""

import numpy as np

from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.drift.daily_course import COARSE_MS, coarse, signature_flows
from tests.simulator.drift_block import block

MINUTE_MS = 60_000


def rows(count: int, step_ms: int, first_ms: int = 0) -> Intervals:
    """Rows of two points that count 1, 2, 3 ... and ten times that."""
    start = first_ms + step_ms * np.arange(count, dtype=np.int64)
    energy = np.arange(1, count + 1, dtype=np.int64)[:, None] * np.array([1, 10])
    return Intervals(start, start + step_ms, energy, np.ones((count, 2), dtype=np.bool_))


def test_five_minutes_are_summed_to_quarter_hours() -> None:
    intervals = coarse(rows(6, 5 * MINUTE_MS))
    assert intervals.start_ms.tolist() == [0, COARSE_MS]
    assert intervals.energy.tolist() == [[6, 60], [15, 150]]
    assert intervals.present.all()


def test_a_quarter_hour_with_a_part_missing_is_missing_for_that_point_only() -> None:
    table = rows(6, 5 * MINUTE_MS)
    table.present[1, 0] = False
    assert coarse(table).present.tolist() == [[False, True], [True, True]]


def test_a_torn_quarter_hour_and_one_across_the_grid_are_left_out() -> None:
    intervals = coarse(rows(5, 5 * MINUTE_MS, 5 * MINUTE_MS))
    assert intervals.start_ms.tolist() == [COARSE_MS]
    assert coarse(rows(3, 10 * MINUTE_MS)).start_ms.tolist() == []


def test_quarter_hours_hours_and_no_rows_stay_as_they_are() -> None:
    for table in (rows(4, COARSE_MS), rows(4, 4 * COARSE_MS), rows(0, COARSE_MS)):
        assert coarse(table) is table


def test_flows_close_the_balance_whatever_is_missing_and_feeders_stay_as_read() -> None:
    """10 kW without a meter: the feed side takes it, so that no feeder's flow follows it."""
    simulated = block(3, 2, kind="cycling", size_kw=10.0)
    table = simulated.day(1)
    flows = signature_flows(simulated.net, table)
    residual = flows.residuals[:, 0]
    assert residual.std() > 1.0
    open_kwh = flows.x @ simulated.net.incidence[0]
    assert np.abs(open_kwh - flows.hours * 0).max() < 0.01 * np.abs(residual).max()
    moved = np.abs(flows.x - table.energy / 1e6)[:, 1:].max(axis=0)
    assert moved.max() < 0.02 * np.abs(residual).max()
