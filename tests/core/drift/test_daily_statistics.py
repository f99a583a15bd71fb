"""A day leaves sums behind that add to any window and are the same when they are recalculated."""

import numpy as np
import pytest

from meterd.core.balance.network_reconciliation import Intervals, reconcile_network
from meterd.core.drift.daily_statistics import DayStatistics, add, daily_statistics
from tests.simulator.drift_sites import Simulated, grid


@pytest.fixture(scope="module")
def site() -> Simulated:
    return grid(3, 4)


def test_bytes_and_back_to_the_last_bit(site: Simulated) -> None:
    day = daily_statistics(site.net, site.day(1))
    again = DayStatistics.from_bytes(day.to_bytes())
    assert again.to_bytes() == day.to_bytes()
    assert again.energy_kwh == day.energy_kwh
    assert all(np.array_equal(a.C, b.C) and a.pairs == b.pairs for a, b in zip(again.nodes, day.nodes, strict=True))


def test_recalculated_from_the_same_figures_it_is_the_same(site: Simulated) -> None:
    assert daily_statistics(site.net, site.day(2)).to_bytes() == daily_statistics(site.net, site.day(2)).to_bytes()


def test_a_day_made_twice_with_a_correction_between_differs(site: Simulated) -> None:
    first, corrected = site.day(2), site.day(2, {"feeder1": 1.01})
    assert daily_statistics(site.net, first).to_bytes() != daily_statistics(site.net, corrected).to_bytes()


@pytest.mark.parametrize("data", [b'{"format": 9}\n', b""])
def test_bytes_of_another_kind_are_refused(site: Simulated, data: bytes) -> None:
    with pytest.raises(ValueError):
        DayStatistics.from_bytes(data)
    with pytest.raises(ValueError, match="bytes long instead of"):
        DayStatistics.from_bytes(daily_statistics(site.net, site.day(1)).to_bytes()[:-8])


def test_days_add_to_the_window_made_at_once(site: Simulated) -> None:
    """The same as whitening the residuals of both days directly, for any phi; the pair across midnight is left out."""
    days = tuple(daily_statistics(site.net, site.day(d)) for d in (1, 2))
    total = add(days)[0].whitened(0.6)
    direct = 0.0
    for d in (1, 2):
        r = reconcile_network(site.net, site.day(d)).residuals[:, 0]
        direct += float(np.square(r[1:] - 0.6 * r[:-1]).sum())
    assert total[-1, -1] == pytest.approx(direct, rel=1e-9)
    assert add(days)[0].pairs == 2 * 95


def test_days_of_two_networks_do_not_add(site: Simulated) -> None:
    other = grid(3, 1)
    day = daily_statistics(site.net, site.day(1))
    strange = DayStatistics("another", day.start_ms, day.end_ms, day.nodes, day.energy_kwh)
    assert add((day, daily_statistics(other.net, other.day(0))))
    with pytest.raises(ValueError, match="different networks"):
        add((day, strange))


def test_missing_intervals_leave_out_their_pairs_only(site: Simulated) -> None:
    table = site.day(1)
    table.present[40, 2] = False
    assert daily_statistics(site.net, table).nodes[0].pairs == 93


def test_a_gap_between_rows_is_no_pair(site: Simulated) -> None:
    table = site.day(1)
    keep = np.arange(96) != 50
    shorter = Intervals(table.start_ms[keep], table.end_ms[keep], table.energy[keep], table.present[keep])
    assert daily_statistics(site.net, shorter).nodes[0].pairs == 93


def test_a_flow_lost_in_its_uncertainty_signs_for_nothing(site: Simulated) -> None:
    """Reconciling a meter at rest gives it a share of the residual; as a signature that would explain everything."""
    table = site.day(1)
    table.energy[:, 3] = 0
    sums = daily_statistics(site.net, table).nodes[0]
    assert not sums.S0[3].any()
    assert sums.S0[1].any()
