"""A ratio follows its feeder within the hour; a load with the same daily shape does not."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.balance.topology import Network, NodeKind
from meterd.core.drift.baseline import Fit, Hypothesis, hypotheses, prior
from meterd.core.drift.daily_course import Course, course_of, signature_flows
from meterd.core.drift.identification import GAP
from meterd.core.drift.load_shape import MOST, Profile, ShapeEvidence, shape_evidence
from tests.simulator.drift_block import block
from tests.simulator.drift_sites import Simulated

DAYS = 10


def courses(simulated: Simulated, days: range, factors: dict[str, float] | None = None) -> list[Course]:
    """Of days with meters that read `factors` of what they read before."""
    results = []
    for d in days:
        table = simulated.day(d, factors)
        results.append(course_of(table, signature_flows(simulated.net, table)))
    return results


def known(simulated: Simulated) -> Fit:
    """A baseline that knows the instruments' own errors: seen against the feed, and the rest as a standing load."""
    net = simulated.net
    mean = np.zeros(len(net.points) + 2 * len(net.nodes))
    return Fit(mean, prior(net).covariance)


def asked(
    simulated: Simulated, name: str, step: float, days: tuple[Sequence[Course], Sequence[Course]]
) -> ShapeEvidence:
    tests = [test for test in hypotheses(simulated.net) if test.name == name]
    return shape_evidence(simulated.net, tests, np.array([step]), days, known(simulated))


@pytest.mark.parametrize(("point", "factor"), [("offices", 0.95), ("flats", 1.06), ("kitchen", 0.9), ("main", 1.03)])
def test_a_ratio_is_distinguished_from_any_load(point: str, factor: float) -> None:
    simulated = block(31, 2 * DAYS)
    days = courses(simulated, range(DAYS)), courses(simulated, range(DAYS, 2 * DAYS), {point: factor})
    assert asked(simulated, f"ratio {point}", factor - 1, days).odds[0] > GAP


@pytest.mark.parametrize(
    ("kind", "point", "step"), [("work", "offices", -0.08), ("evening", "flats", -0.07), ("noon", "kitchen", -0.1)]
)
def test_a_load_with_the_daily_shape_of_a_feeder_is_distinguished_from_its_ratio(
    kind: str, point: str, step: float
) -> None:
    """A weekend day and work days; and the hours in which the load runs are reported."""
    simulated = block(32, 2 * DAYS, kind=kind, size_kw=4.0, from_day=DAYS)
    days = courses(simulated, range(DAYS)), courses(simulated, range(DAYS, 2 * DAYS))
    result = asked(simulated, f"ratio {point}", step, days)
    assert result.odds[0] < -GAP
    power, first, last = result.profiles["board house"].peak
    hours = {"work": (9, 18), "evening": (18, 24), "noon": (11, 15)}[kind]  # local: one hour more than the generator's
    assert abs(first - hours[0]) <= 1
    assert abs(last - hours[1]) <= 1
    assert 2.0 < power < 4.6


def test_one_day_alone_tells_a_gross_factor_from_a_load() -> None:
    simulated = block(33, 3, kind="work", size_kw=8.0, from_day=2)
    after = courses(simulated, range(1, 2), {"offices": 0.8})
    assert asked(simulated, "ratio offices", 1 - 1 / 0.8, ((), after)).odds[0] > GAP
    load = courses(simulated, range(2, 3))
    assert asked(simulated, "ratio offices", 1 - 1 / 0.8, ((), load)).odds[0] < -GAP


def test_a_change_of_another_size_is_no_evidence_for_the_meter() -> None:
    """The residual follows the feeder, but three times less than the step that was asked for."""
    simulated = block(31, 2 * DAYS)
    days = courses(simulated, range(DAYS)), courses(simulated, range(DAYS, 2 * DAYS), {"offices": 0.97})
    assert asked(simulated, "ratio offices", -0.1, days).odds[0] <= 0.0


def test_nothing_is_said_without_days_or_with_few_hours() -> None:
    simulated = block(31, 2)
    assert asked(simulated, "ratio offices", -0.05, ((), ())).odds.tolist() == [0.0]
    table = simulated.day(1)
    some = Intervals(table.start_ms[:16], table.end_ms[:16], table.energy[:16], table.present[:16])
    short = course_of(some, signature_flows(simulated.net, some))
    assert asked(simulated, "ratio offices", -0.05, ((), (short,))).odds.tolist() == [0.0]
    gone = Intervals(table.start_ms, table.end_ms, table.energy, np.zeros_like(table.present))
    empty = course_of(gone, signature_flows(simulated.net, gone))
    assert asked(simulated, "ratio offices", -0.05, ((), (empty,))).profiles == {}


def test_loads_and_losses_are_not_asked_and_two_instruments_on_one_current_leave_no_room() -> None:
    simulated = block(31, 2)
    net, days = simulated.net, ((), courses(simulated, range(2)))
    standing = [test for test in hypotheses(net) if test.kind == "standing"]
    assert shape_evidence(net, standing, np.array([1.0]), days, known(simulated)).odds.tolist() == [0.0]
    assert shape_evidence(_checked(net), _ratio(net), np.array([0.1]), days, known(simulated)).odds.tolist() == [MOST]


def _ratio(net: Network) -> list[Hypothesis]:
    return [test for test in hypotheses(net) if test.name == "ratio offices"]


def _checked(net: Network) -> Network:
    return replace(net, nodes=(replace(net.nodes[0], kind=NodeKind.CHECK),))


@pytest.mark.parametrize(
    ("power", "peak"),
    [
        ([5.0] * 24, (5.0, 0, 24)),
        ([0.0] * 8 + [4.0, 6.0] + [0.0] * 14, (5.0, 8, 10)),
        ([3.0] + [0.0] * 22 + [5.0], (4.0, 23, 1)),
        ([-2.0] * 3 + [1.0] * 21, (-2.0, 0, 3)),
    ],
)
def test_peak_is_the_stretch_of_hours_around_the_largest(power: list[float], peak: tuple[float, int, int]) -> None:
    assert Profile("board house", tuple(power)).peak == peak
