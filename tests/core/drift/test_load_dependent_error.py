"""A suspect instrument gets a factor for each kind of load: wiring, ratio and phase displacement are distinguished by it."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.drift.baseline import Fit, fit, prior
from meterd.core.drift.daily_statistics import add, daily_statistics
from meterd.core.drift.load_dependent_error import Reactive, compared, observe, onset
from meterd.core.drift.wiring_faults import Observed, dependence, match
from tests.simulator.drift_phasors import (
    DISPLACED,
    MISSING,
    RATIO,
    REVERSED,
    RIGHT,
    ROTATED,
    ROTATED_BACK,
    SWAPPED,
    Wires,
    counted,
    two_loads,
)
from tests.simulator.drift_sites import Simulated, grid

POINT = "feeder2"
ROWS = 192


@pytest.fixture(scope="module")
def solved() -> Simulated:
    return grid(5, 34)


@pytest.fixture(scope="module")
def baseline(solved: Simulated) -> Fit:
    """What a month of days without a fault teaches."""
    return fit(solved.net, add(tuple(daily_statistics(solved.net, solved.day(d)) for d in range(30))))[0]


def seen_by(solved: Simulated, wires: Wires, *, low: float = 0.72, high: float = 0.96) -> tuple[Intervals, Reactive]:
    """Two days in which one feeder's transformers are connected so, and the reactive energy it counts."""
    some = [solved.day(31), solved.day(32)]
    start = np.concatenate([d.start_ms for d in some])
    energy = np.concatenate([d.energy for d in some])
    column = solved.net.points.index(POINT)
    active, reactive = counted(energy[:, column].astype(float), two_loads(ROWS, low, high), wires)
    energy[:, column] = np.rint(active)
    known = np.ones(ROWS, dtype=np.bool_)
    table = Intervals(start, start + 900_000, energy, np.ones(energy.shape, dtype=np.bool_))
    return table, Reactive(np.rint(reactive).astype(np.int64), known)


def causes(solved: Simulated, fit: Fit, wires: Wires) -> list[str]:
    table, reactive = seen_by(solved, wires)
    return [c.name for c in match(observe(solved.net, table, POINT, fit, reactive=reactive), ct_ratio=(250.0, 5.0))]


@pytest.mark.parametrize(
    ("wires", "first"),
    [
        (ROTATED, "currents rotated by one phase"),
        (ROTATED_BACK, "currents rotated the other way"),
        (REVERSED, "one current transformer reversed"),
        (MISSING, "one phase missing"),
        (DISPLACED, "phase displacement"),
        (RATIO, "ratio 250/5 fitted but 200/5 set"),
    ],
)
def test_the_cause_is_found_from_two_loads(solved: Simulated, baseline: Fit, wires: Wires, first: str) -> None:
    results = causes(solved, baseline, wires)
    assert results[0].startswith(first)
    turned = {"currents rotated by one phase", "currents rotated the other way"}
    assert (turned & set(results)) <= {first}
    assert any("displacement" in name for name in results) == ("displacement" in first)


def test_a_phase_displacement_is_measured(solved: Simulated, baseline: Fit) -> None:
    """Four degrees ahead: at power factors of 0.72 and 0.96 the instrument reads 6.5 % and 1.8 % too much."""
    result = causes(solved, baseline, DISPLACED)[0]
    assert float(result.split()[3]) == pytest.approx(4.0, abs=0.5)
    # for small steps, where no setting or wiring can be the cause, a displacement is still reported
    small = causes(solved, baseline, Wires(lead_degrees=2.5))
    assert [name.split(" of ")[0] for name in small] == ["phase displacement"]


def test_two_swapped_phases_count_nothing_of_a_balanced_load(solved: Simulated, baseline: Fit) -> None:
    """Neither active nor reactive energy is left, so no power factor is shown and the factor is 0 at every load."""
    table, reactive = seen_by(solved, SWAPPED)
    observations = observe(solved.net, table, POINT, baseline, reactive=reactive)
    assert [round(o.factor, 3) for o in observations] == [0.0]
    assert {"currents of two phases swapped"} <= {c.name for c in match(observations)[:2]}


def test_a_factor_that_changes_with_the_load_is_no_ratio(solved: Simulated, baseline: Fit) -> None:
    """At one load alone a rotation may pass for a ratio step; two loads refute it."""
    table, reactive = seen_by(solved, ROTATED_BACK, low=0.6, high=0.5)
    both = observe(solved.net, table, POINT, baseline, reactive=reactive)
    assert len(both) == 2
    assert "currents rotated the other way" in [c.name for c in match(both)]
    assert not [c.name for c in match(both) if c.undo]
    alone = min(both, key=lambda o: abs(o.factor - 0.8))
    assert [c.name for c in match((replace(alone, shown_angle=None),)) if c.undo]


def test_factors_come_from_sums_and_their_error_holds(solved: Simulated, baseline: Fit) -> None:
    """The factor of a right instrument is 1 within its error at both loads, and of 0.8 is 0.8."""
    for wires, wanted in ((RIGHT, 1.0), (RATIO, 0.8)):
        table, reactive = seen_by(solved, wires)
        observations = observe(solved.net, table, POINT, baseline, reactive=reactive)
        assert len(observations) == 2
        for o in observations:
            assert o.factor == pytest.approx(wanted, abs=4 * np.hypot(o.error, o.common or 0.0))
            assert np.hypot(o.error, o.common or 0.0) < 0.02
        shown = sorted(round(float(np.cos(o.shown_angle or 0.0)), 2) for o in observations)
        assert shown == [0.72, 0.96]
        assert match(observations) == () or wanted != 1.0


def test_one_kind_of_load_is_one_group(solved: Simulated, baseline: Fit) -> None:
    table, reactive = seen_by(solved, REVERSED, low=0.9, high=0.9)
    (only,) = observe(solved.net, table, POINT, baseline, reactive=reactive)
    assert only.shown_angle == pytest.approx(np.arccos(0.9), abs=1e-3)
    assert "this power factor only" in dependence((only,))


def test_without_reactive_energy_there_is_one_factor_and_the_words_say_so(solved: Simulated, baseline: Fit) -> None:
    table, reactive = seen_by(solved, REVERSED)
    for nothing in (None, replace(reactive, present=np.zeros(ROWS, dtype=np.bool_))):
        (only,) = observe(solved.net, table, POINT, baseline, reactive=nothing)
        assert only.shown_angle is None
        assert only.factor == pytest.approx(1 / 3, abs=0.04)
        text = dependence((only,))
        assert text == "power factor not measured: causes that depend on it cannot be told apart"
    assert "one current transformer reversed" in [c.name for c in match((only,))]


def test_a_feed_is_judged_by_what_leaves_the_board(solved: Simulated, baseline: Fit) -> None:
    """Its own reading must not make the losses it is judged by."""
    for factor in (1 / 3, 2.0):
        (observed,) = observe(solved.net, solved.day(31, {"main": factor}), "main", baseline)
        assert observed.factor == pytest.approx(factor, rel=0.03)


def test_nothing_known_is_nothing_said(solved: Simulated, baseline: Fit) -> None:
    table, reactive = seen_by(solved, REVERSED)
    table.present[:, 0] = False
    assert observe(solved.net, table, POINT, baseline, reactive=reactive) == ()
    assert onset(solved.net, table, POINT, baseline, 0) is None


@pytest.mark.parametrize("row", [37, 100, 150])
def test_the_quarter_hour_of_a_change_is_found(solved: Simulated, baseline: Fit, row: int) -> None:
    """An electrician sets 200/5 for 250/5 in the middle of a day."""
    table, _ = seen_by(solved, RIGHT)
    column = solved.net.points.index(POINT)
    table.energy[row:, column] = np.rint(table.energy[row:, column] * 0.8)
    begun = onset(solved.net, table, POINT, baseline, int(table.start_ms[row // 96 * 96]))
    assert begun is not None
    assert abs(begun.from_ms - int(table.start_ms[row])) <= 2 * 900_000
    assert begun.factor == pytest.approx(0.8, abs=0.04)


def test_words_of_the_dependence() -> None:
    two = (Observed(0.15, 0.01, shown_angle=0.5), Observed(-0.08, 0.01, shown_angle=-0.4))
    assert "power factor of 0.88 inductive" in dependence(two)
    assert "0.92 capacitive: depends on the power factor" in dependence(two)
    steady = (Observed(0.8, 0.01, 0.9), Observed(0.8, 0.01, 0.7))
    assert dependence(steady).endswith("does not depend on the power factor")


def test_a_change_is_measured_against_the_time_before_it(solved: Simulated) -> None:
    """With class limits alone the factor is that of all errors of the board together; compared with itself it is 0.8."""
    table, _ = seen_by(solved, RIGHT)
    column, row = solved.net.points.index(POINT), 110
    table.energy[row:, column] = np.rint(table.energy[row:, column] * 0.8)
    since, limits = int(table.start_ms[row]), prior(solved.net)
    later = replace(table, present=table.present & (table.start_ms >= since)[:, None])
    plain = observe(solved.net, later, POINT, limits)
    (whole,) = compared(solved.net, table, POINT, fit=limits, seen=plain, from_ms=since)
    assert whole.factor == pytest.approx(0.8, abs=0.01)
    assert abs(whole.factor - 0.8) < abs(plain[0].factor - 0.8)
    # less than most of a day before it is nothing to compare with
    assert compared(solved.net, table, POINT, fit=limits, seen=plain, from_ms=int(table.start_ms[20])) == plain
