"""What one point says about itself: register against power, phases, power factor, direction."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.balance.uncertainty import Accuracy
from meterd.core.checks.plausibility import (
    COVERED,
    Comparison,
    ComparisonVerdict,
    DirectionVerdict,
    Flow,
    PowerSum,
    accuracy_at,
    compare,
    has_source_below,
    imbalance,
    opposed,
    power_factor,
    sign,
    summed_power,
)
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site

QUARTER = 900_000
METER = Accuracy("1", "0.5", None, 100.0, 10_000, 400.0)  # class 1 by transformers, 10 Wh steps


def samples(watts: np.ndarray, step_ms: int = 10_000) -> tuple[np.ndarray, np.ndarray]:
    return np.arange(len(watts), dtype=np.int64) * step_ms, watts.astype(np.float64)


# -- power summed ------------------------------------------------------------------------------------------------------


def test_a_ramp_is_summed_exactly() -> None:
    """Trapezoids of a straight line: from 0 to 9 kW over a quarter hour is 4.5 kW for a quarter hour."""
    power_sum = summed_power(*samples(np.linspace(0, 9000, 91)), 0, QUARTER)
    assert power_sum is not None
    assert (power_sum.energy_mwh, power_sum.covered) == (1_125_000, 1.0)


def test_samples_between_the_boundaries_are_cut_there() -> None:
    """Stamps 3 s off the grid: the ends come from the samples just outside."""
    times, watts = samples(np.full(95, 4000.0))
    power_sum = summed_power(times - 13_000, watts, 0, QUARTER)
    assert power_sum is not None
    assert (power_sum.energy_mwh, power_sum.covered, power_sum.sampling_mwh) == (1_000_000, 1.0, 0.0)


def test_nothing_is_summed_across_a_gap() -> None:
    """Half the quarter hour without samples is half covered, not filled."""
    times, watts = samples(np.full(91, 4000.0))
    keep = (times <= 200_000) | (times >= 650_000)
    power_sum = summed_power(times[keep], watts[keep], 0, QUARTER)
    assert power_sum is not None
    assert power_sum.covered == pytest.approx(0.5)
    assert power_sum.energy_mwh == 500_000


@pytest.mark.parametrize("count", [0, 1])
def test_without_two_samples_nothing_is_said(count: int) -> None:
    """Also far from the interval."""
    assert summed_power(*samples(np.full(count, 1.0)), 0, QUARTER) is None
    assert summed_power(*samples(np.full(20, 1.0)), 10 * QUARTER, 11 * QUARTER) is None


def test_the_sampling_uncertainty_is_that_of_steps_at_unknown_moments() -> None:
    """One step of 6 kW between two samples 10 s apart: simulated over its moment, sd = 6 kW 10 s / sqrt(12)."""
    watts = np.where(np.arange(91) < 40, 1000.0, 7000.0)
    power_sum = summed_power(*samples(watts), 0, QUARTER)
    assert power_sum is not None
    moments = (np.arange(100_000) + 0.5) / 100_000 * 10_000  # of the step after the sample before it, ms
    true = 1000.0 * (390_000 + moments) + 7000.0 * (510_000 - moments)
    assert power_sum.sampling_mwh == pytest.approx(true.std() * 1000 / 3_600_000, rel=1e-3)
    assert power_sum.energy_mwh == pytest.approx(true.mean() * 1000 / 3_600_000, rel=1e-6)


@given(st.lists(st.floats(-1e5, 1e5), min_size=91, max_size=91), st.integers(1, 89))
def test_parts_of_an_interval_add_up_to_it(watts: list[float], cut: int) -> None:
    """Where an interval is cut makes no difference."""
    times, values = samples(np.array(watts))
    power_sums = [
        summed_power(times, values, low, high)
        for low, high in ((0, cut * 10_000), (cut * 10_000, QUARTER), (0, QUARTER))
    ]
    assert all(power_sum is not None for power_sum in power_sums)
    left, right, whole = (power_sum.energy_mwh for power_sum in power_sums if power_sum is not None)
    assert abs(left + right - whole) <= 2


# -- register against power --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("register", "limit", "word"),
    [
        (1_000_000, 0.01, ComparisonVerdict.AGREES),
        (1_025_000, 0.01, ComparisonVerdict.AGREES),
        (1_050_000, 0.01, ComparisonVerdict.DIFFERS),
        (500_000, 0.015, ComparisonVerdict.DIFFERS),
    ],
)
def test_a_difference_beyond_the_class_limit_is_said(register: int, limit: float, word: ComparisonVerdict) -> None:
    """4 kW steady at a class 1 meter with steps of 10 Wh: 1 % and two steps; 1.5 % below 5 % of 100 A (IEC 62053-21)."""
    comparison = compare(register, PowerSum(1_000_000, 0.0, 1.0), (0, QUARTER), METER)
    assert comparison.word is word
    assert comparison.allowed_mwh == pytest.approx(20_000 + limit * register, abs=2)
    assert comparison.difference_mwh == register - 1_000_000


def test_a_restless_load_is_allowed_more() -> None:
    """Twice the uncertainty of the sampling is granted."""
    comparison = compare(1_050_000, PowerSum(1_000_000, 20_000.0, 1.0), (0, QUARTER), METER)
    assert comparison.word is ComparisonVerdict.AGREES


@pytest.mark.parametrize("power", [None, PowerSum(900_000, 0.0, COVERED - 0.01)])
def test_too_few_samples_say_nothing(power: PowerSum | None) -> None:
    """Missing is not zero."""
    comparison = compare(1_000_000, power, (0, QUARTER), METER)
    assert (comparison.word, comparison.power_mwh, comparison.difference_mwh) == (ComparisonVerdict.UNKNOWN, None, None)


def test_a_missing_register_says_nothing() -> None:
    """The same the other way."""
    assert compare(None, PowerSum(1, 0.0, 1.0), (0, QUARTER), METER).word is ComparisonVerdict.UNKNOWN


def test_a_small_rest_without_samples_counts_like_the_others() -> None:
    """95 % of a steady quarter hour agrees with its register."""
    assert compare(1_000_000, PowerSum(950_000, 0.0, 0.95), (0, QUARTER), METER).word is ComparisonVerdict.AGREES


# -- phases and power factor -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "results"),
    [
        ([10.0, 10.0, 10.0], 0.0),
        ([10.0, 10.0, 13.0], 2 / 11),
        ([0.0, 15.0, 15.0], 1.0),
        ([0.0, 0.0, 0.0], None),
        ([1.0, 2.0], None),
    ],
)
def test_imbalance_is_the_largest_deviation_from_the_mean(values: list[float], results: float | None) -> None:
    """Undefined at zero and with a phase missing."""
    assert imbalance(values) == (None if results is None else pytest.approx(results))


def test_power_factor_of_sums_is_not_the_mean_of_power_factors() -> None:
    """An idle hour at 0.1 beside a full one at 0.95 hardly counts."""
    p, q = [10.0, 0.1], [10.0 * math.tan(math.acos(0.95)), 0.1 * math.tan(math.acos(0.1))]
    assert power_factor(sum(p), sum(q)) == pytest.approx(0.921, abs=0.001)
    assert power_factor(0.0, 0.0) is None
    assert power_factor(-3.0, 4.0) == -0.6


# -- direction ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "flow", "below", "pv", "results"),
    [
        (Role.FEEDER, Flow(100, 0, 5.0), False, True, DirectionVerdict.AS_DRAWN),
        (Role.FEEDER, Flow(100, 30, 5.0), False, True, DirectionVerdict.FEEDER_EXPORTS),
        (Role.SUB, Flow(100, None, -900.0), False, True, DirectionVerdict.FEEDER_EXPORTS),
        (Role.FEEDER, Flow(100, None, -3.0), False, True, DirectionVerdict.AS_DRAWN),
        (Role.FEEDER, Flow(100, 30, 5.0), True, True, DirectionVerdict.EXPLAINED),
        (Role.FEED, Flow(100, 30, 5.0), False, True, DirectionVerdict.AS_DRAWN),
        (Role.FEED, Flow(100, 30, 5.0), False, False, DirectionVerdict.FEED_EXPORTS),
        (Role.PV, Flow(100, 1, 0.0), False, True, DirectionVerdict.AS_DRAWN),
        (Role.PV, Flow(1, 100, 0.0), False, True, DirectionVerdict.SOURCE_CONSUMES),
        (Role.STORAGE, Flow(50, 60, -9000.0), False, True, DirectionVerdict.AS_DRAWN),
        (Role.FEEDER, Flow(100, 0, 5.0, True), False, True, DirectionVerdict.DISAGREES),
        (Role.FEEDER, Flow(None, None, None), False, True, DirectionVerdict.UNKNOWN),
        (Role.FEEDER, Flow(0, 0, 0.0), False, True, DirectionVerdict.UNKNOWN),
        (Role.BACKUP, Flow(0, 0, 0.0), False, True, DirectionVerdict.UNKNOWN),
    ],
)
def test_direction_is_judged_by_the_role(
    role: Role, flow: Flow, below: bool, pv: bool, results: DirectionVerdict
) -> None:
    """What a feeder must not do a storage may."""
    assert sign(role, flow, source_below=below, site_has_pv=pv) is results


def test_opposite_directions_are_seen_in_the_newest_interval_that_says_something() -> None:
    """A difference of two small numbers is none."""
    turned = Comparison(0, 1, 1_000_000, -1_000_000, 10_000, 1.0, ComparisonVerdict.DIFFERS)
    silent = Comparison(1, 2, 1_000_000, None, None, 0.0, ComparisonVerdict.UNKNOWN)
    small = Comparison(1, 2, 10, -10, 10_000, 1.0, ComparisonVerdict.AGREES)
    assert opposed([turned, silent])
    assert not opposed([turned, small])
    assert not opposed([])


# -- what the plan says ------------------------------------------------------------------------------------------------

SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"), Board("annex", fed_by="q02")),
    points=(
        Point("q01", "north", Role.FEEDER),
        Point("q02", "north", Role.FEEDER),
        Point("q03", "north", Role.FEEDER),
        Point("roof", "north", Role.PV, below="q01"),
        Point("shed", "annex", Role.PV),
    ),
    instruments=(
        Instrument("q01", 0, 1000, meter_class="1", ct_class="1", ct_primary_a=150, ct_secondary_a=5, resolution_wh=1),
        Instrument("q01", 1000, None, meter_class="B"),
    ),
    inputs=(Input("q01", "1.8.0", "s", "a", per_ct=True),),
)


def test_the_instrument_of_that_moment_counts() -> None:
    """With the ratio of its transformers where the register shows secondary energy; the defaults before the first."""
    point = SITE.point("q01")
    assert accuracy_at(SITE, point, 500).resolution_mwh == 30_000
    assert accuracy_at(SITE, point, 1000).meter_class == "B"
    assert accuracy_at(SITE, point, -5).assumed


def test_a_source_behind_a_point_is_seen_below_it_and_on_the_board_it_feeds() -> None:
    """PV behind a feeder is not on its board's own balance."""
    assert [has_source_below(SITE, SITE.point(name)) for name in ("q01", "q02", "q03")] == [True, True, False]
