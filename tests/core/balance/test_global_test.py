"""The global test of all balances: the statistic of published networks, its parts, and what is said of it."""

import numpy as np
import pytest

from meterd.core.balance.global_test import GlobalTest, chi_squared_quantile, global_findings, global_test
from meterd.core.balance.network_reconciliation import Intervals, reconcile_network
from meterd.core.balance.topology import network
from meterd.core.model.plan import Board, Instrument, Point, Role, Site
from tests.late import stats

QUARTER = 900_000
POINTS = (
    Point("t1", "main", Role.FEED), Point("q01", "main", Role.FEEDER, rating_a=63),
    Point("q02", "main", Role.FEEDER, rating_a=63),
    Point("s1", "main", Role.SUB, below="q02", rating_a=32), Point("s2", "main", Role.SUB, below="q02", rating_a=32),
)  # fmt: skip
SITE = Site(
    "mill", "UTC", boards=(Board("main", rating_kva=400),), points=POINTS,
    instruments=tuple(Instrument(p.name, 0, meter_class="B") for p in POINTS),
)  # fmt: skip
NET = network(SITE, 0)


def interval(**kwh: float) -> Intervals:
    energy = np.array([[round(kwh[name] * 1e6) for name in NET.points]] * 2, dtype=np.int64)
    start = np.array([0, QUARTER], dtype=np.int64)
    return Intervals(start, start + QUARTER, energy, np.ones(energy.shape, dtype=bool))


SOUND = {"t1": 10.0, "q01": 4.0, "q02": 6.0, "s1": 3.0, "s2": 3.0}


def test_a_sound_site_closes_and_says_nothing() -> None:
    result = global_test(NET, interval(**SOUND))
    assert result is not None
    assert (result.dof, result.limit) == (2, pytest.approx(stats.chi2.ppf(0.95, 2)))
    assert not result.outside
    assert global_findings("mill", [(NET, result)]) == []


def test_the_parts_add_up_to_the_statistic_and_the_largest_is_named_first() -> None:
    table = interval(**(SOUND | {"s2": 1.5}))
    result = global_test(NET, table)
    assert result is not None
    assert result.outside
    assert sum(part for _, _, part in result.residuals) == pytest.approx(result.statistic)
    assert result.statistic == pytest.approx(float(reconcile_network(NET, table).J[-1]))
    assert "q02" in result.residuals[0][0]
    (finding,) = global_findings("mill", [(NET, result)])
    assert finding.id == "network-outside-mill"
    assert "2 balances" in finding.text
    assert len(finding.evidence) == 2


def test_an_interval_that_lacks_a_point_is_tested_without_its_balance() -> None:
    table = interval(**(SOUND | {"s2": 1.5}))
    table.present[1, NET.points.index("s1")] = False
    result = global_test(NET, table)
    assert result is not None
    assert (result.dof, result.outside) == (1, False)


def test_where_nothing_can_be_computed_there_is_no_test() -> None:
    table = interval(**SOUND)
    table.present[:] = False
    assert global_test(NET, table) is None


def test_one_balance_alone_is_left_to_its_verdict() -> None:
    alone = GlobalTest(0, QUARTER, 50.0, 1, 3.8, (("board main", 1.0, 50.0),))
    assert not alone.outside


def test_quantiles_of_chi_squared_are_those_of_an_independent_program() -> None:
    """Degrees of freedom of one balance up to those of a large site."""
    for degrees in (*range(1, 40), 99, 100, 999, 1000):
        for level in (0.5, 0.95, 0.999):
            expected = stats.chi2.ppf(level, degrees)
            assert chi_squared_quantile(level, degrees) == pytest.approx(expected, rel=1e-12), (level, degrees)
