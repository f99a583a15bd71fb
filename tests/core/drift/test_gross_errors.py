"""Gross faults are named on their first day, without any baseline; what a day cannot tell apart is listed together."""

import numpy as np
import pytest

from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.drift.gross_errors import gross
from meterd.core.drift.load_dependent_error import Reactive
from tests.simulator.drift_sites import Simulated, grid, mill


@pytest.fixture(scope="module")
def solved() -> Simulated:
    return grid(5, 12)


@pytest.fixture(scope="module")
def harrow() -> Simulated:
    return mill(5, 5)


@pytest.mark.parametrize("point", ["main", "feeder1", "feeder2", "feeder3", "feeder6", "feeder7"])
@pytest.mark.parametrize("factor", [1 / 3, 2.0, -0.5, 2 / 3])
def test_wiring_faults_and_double_counts_are_named_within_a_day(solved: Simulated, point: str, factor: float) -> None:
    suspicion = gross(solved.net, solved.day(3, {point: factor}))
    assert suspicion is not None
    assert suspicion.named == f"ratio {point}"
    assert 1 + suspicion.candidates[0].step == pytest.approx(factor, rel=0.06)
    assert suspicion.days == 1
    assert "never open a current-transformer secondary" in suspicion.remedy


def test_the_cause_is_said(solved: Simulated) -> None:
    suspicion = gross(solved.net, solved.day(4, {"feeder1": 1 / 3}))
    assert suspicion is not None
    assert any("one current transformer reversed" in cause for cause in suspicion.candidates[0].causes)
    assert suspicion.text == "feeder1 reads 0.333 of the true energy, seen on 2026-01-05 without waiting for a baseline"
    assert "common to all instruments" in suspicion.notes[-1]


@pytest.mark.parametrize("day", range(0, 12, 2))
def test_days_without_a_fault_say_nothing(solved: Simulated, harrow: Simulated, day: int) -> None:
    assert gross(solved.net, solved.day(day)) is None
    assert gross(harrow.net, harrow.day(day % 5)) is None


def test_a_meter_in_two_balances_is_named_at_the_mill(harrow: Simulated) -> None:
    suspicion = gross(harrow.net, harrow.day(2, {"riser-east": 0.8}))
    assert suspicion is not None
    assert suspicion.named == "ratio riser-east"


@pytest.mark.parametrize("hour", [7, 10, 14])
def test_a_transformer_reversed_in_the_course_of_a_day_is_named_that_day(solved: Simulated, hour: int) -> None:
    """Work is done by day: a day that is half right hid its other half."""
    day = solved.day(3)
    column = solved.net.points.index("feeder1")
    day.energy[4 * hour :, column] = np.rint(day.energy[4 * hour :, column] / 3)
    suspicion = gross(solved.net, day)
    assert suspicion is not None
    assert suspicion.named == "ratio feeder1"
    assert 1 + suspicion.candidates[0].step == pytest.approx(1 / 3, abs=0.04)


@pytest.mark.parametrize(("turn", "name"), [(1, "rotated by one phase"), (-1, "rotated the other way")])
def test_rotated_currents_are_undone_by_the_reactive_energy(solved: Simulated, turn: int, name: str) -> None:
    """Motors by day and a better power factor by night: no single factor fits, and the complex energy turned back does."""
    day = solved.day(3)
    column, hour = solved.net.points.index("feeder2"), np.arange(96) // 4
    angle = np.where((hour >= 7) & (hour < 17), np.arccos(0.72), np.arccos(0.96))
    true = day.energy[:, column] * (1 + 1j * np.tan(angle))
    shown = true * np.exp(turn * 2j * np.pi / 3)
    day.energy[:, column] = np.rint(shown.real)
    seen = Reactive(np.rint(shown.imag).astype(np.int64), np.ones(96, dtype=np.bool_))
    suspicion = gross(solved.net, day, reactive={"feeder2": seen})
    assert suspicion is not None
    assert suspicion.named == "ratio feeder2"
    assert f"currents {name}" in suspicion.candidates[0].causes[0]


def test_right_reactive_energy_makes_no_fault(solved: Simulated) -> None:
    day = solved.day(3)
    column = solved.net.points.index("feeder2")
    seen = Reactive(day.energy[:, column] // 2, np.ones(96, dtype=np.bool_))
    assert gross(solved.net, day, reactive={"feeder2": seen}) is None


def test_a_large_load_without_a_meter_is_never_blamed_on_an_instrument(solved: Simulated) -> None:
    """20 kW day and night: standing load and loss are listed together, since one balance cannot tell them apart."""
    suspicion = gross(solved.net, solved.day(3, extra={"main": np.full(96, 20 * 0.25e6)}))
    assert suspicion is not None
    assert {"standing", "loss"} <= {c.kind for c in suspicion.candidates}
    assert suspicion.named is None
    assert suspicion.candidates[0].kind in ("standing", "loss")


def test_one_interval_or_a_few_never_name(solved: Simulated) -> None:
    day = solved.day(3, {"feeder1": 1 / 3})
    for rows in (1, 4, 20):
        part = Intervals(day.start_ms[:rows], day.end_ms[:rows], day.energy[:rows], day.present[:rows])
        assert gross(solved.net, part) is None


def test_a_day_that_cannot_be_computed_says_nothing(solved: Simulated) -> None:
    day = solved.day(3, {"feeder1": 1 / 3})
    day.present[:, 0] = False
    assert gross(solved.net, day) is None


def test_a_factor_near_one_is_left_to_the_watch(solved: Simulated) -> None:
    assert gross(solved.net, solved.day(3, {"main": 0.955})) is None
