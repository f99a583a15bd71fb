"""A factor of the truth is matched against the short list of what is usually wrong, with the look that settles it."""

import cmath
import csv
import math
from pathlib import Path

import pytest

from meterd.core.drift.wiring_faults import (
    CAUTION,
    WIRINGS,
    Observed,
    Wiring,
    match,
    plausible_factors,
    shown_factor,
    undoing,
    wiring_factor,
    wiring_phasor,
)

VECTORS = Path(__file__).parents[2] / "vectors"
NAMES = {
    "one current sensor reversed": "one current transformer reversed",
    "currents of two phases swapped": "currents of two phases swapped",
    "all currents rotated by one phase (+120 deg)": "currents rotated by one phase",
    "all currents rotated the other way (-120 deg)": "currents rotated the other way",
    "one phase current missing": "one phase missing",
}
with (VECTORS / "wiring_fault_signatures_pf.csv").open(newline="", encoding="utf-8") as lines:
    SIGNATURES = [row for row in csv.DictReader(lines) if row["fault"] != "correct"]


@pytest.mark.parametrize("row", SIGNATURES, ids=lambda r: f"{r['fault']} {r['power_factor']}")
def test_factor_of_each_wiring_fault(row: dict[str, str]) -> None:
    """wiring_fault_signatures.csv: balanced sinusoidal load, lagging; printed to four digits."""
    wiring = next(w for w in WIRINGS if w.name == NAMES[row["fault"]])
    assert wiring_factor(wiring, float(row["power_factor"])) == pytest.approx(float(row["ratio_to_true_P"]), abs=1e-4)


@pytest.mark.parametrize(
    ("factor", "ratio", "first"),
    [
        (1 / 3, (250.0, 5.0), "one current transformer reversed"),
        (2 / 3, (250.0, 5.0), "one phase missing"),
        (0.8, (200.0, 5.0), "ratio 250/5 fitted but 200/5 set"),
        (1.25, (250.0, 5.0), "ratio 200/5 fitted but 250/5 set"),
        (0.02, (250.0, 5.0), "secondary value taken as primary, ratio not applied"),
        (2.0, None, "each pulse counted twice (bounce)"),
        (10.0, None, "pulse weight set 10 times too large"),
        (0.1, None, "pulse weight set 0.1 times too small"),
        (0.9, None, "one pulse in ten missed"),
    ],
)
def test_the_cause_is_in_the_list(factor: float, ratio: tuple[float, float] | None, first: str) -> None:
    causes = match((Observed(factor, 0.001, 0.95),), ct_ratio=ratio)
    assert first in [cause.name for cause in causes]
    assert causes[0].factor == pytest.approx(factor, rel=0.02)


def test_dependence_on_the_power_factor_tells_a_rotation_from_a_ratio() -> None:
    """At pf 0.8 currents rotated the other way read 0.1495 of the truth, at 0.5 all of it: no ratio does that."""
    seen = (Observed(0.150, 0.01, 0.8), Observed(-0.08, 0.01, 0.9))
    assert [c.name for c in match(seen)] == ["currents rotated the other way"]
    steady = (Observed(0.15, 0.01, 0.8), Observed(0.15, 0.01, 0.9))
    assert "currents rotated the other way" not in [c.name for c in match(steady)]


def test_without_a_power_factor_every_likely_one_is_tried() -> None:
    assert "currents rotated by one phase" in [c.name for c in match((Observed(-0.85, 0.01),))]


def test_a_small_step_has_no_such_cause() -> None:
    assert match((Observed(0.98, 0.001),)) == ()


def test_each_cause_says_what_to_look_at_and_the_caution_says_who_may() -> None:
    assert all(cause.check and cause.text.startswith(cause.name) for cause in match((Observed(0.5, 0.2),)))
    assert "never open a current-transformer secondary" in CAUTION
    assert "qualified" in CAUTION


def test_factors_to_try_hold_the_usual_ones_and_never_nearly_one_or_nothing() -> None:
    factors = plausible_factors()
    for wanted in (1 / 3, 2 / 3, -0.5, 0.8, 1.25, 2.0, 0.5, 10.0):
        assert min(abs(f / wanted - 1) for f in factors) < 0.04
    assert all(abs(f) >= 0.05 and abs(f - 1) >= 0.05 for f in factors)


@pytest.mark.parametrize("wiring", [w for w in WIRINGS if abs(wiring_phasor(w)) > 0.1], ids=lambda w: w.name)
@pytest.mark.parametrize("power_factor", [0.5, 0.8, 0.9, 0.99])
def test_the_angle_shown_gives_the_same_factor_as_that_of_the_load(wiring: Wiring, power_factor: float) -> None:
    """Two ways to one number: from the load's own angle, and from the angle that the wrong instrument shows of it."""
    shown = cmath.phase(wiring_phasor(wiring) * cmath.exp(1j * math.acos(power_factor)))
    assert shown_factor(wiring_phasor(wiring), shown) == pytest.approx(wiring_factor(wiring, power_factor), rel=1e-9)


def test_a_load_without_active_power_has_no_factor() -> None:
    assert shown_factor(1.0 + 0.0j, math.pi / 2) is None


def test_published_example_of_a_phase_displacement() -> None:
    """ct_phase_error_examples.csv: one degree at a power factor of 0.5 reads 515.04 for 500 W; separated by a second load."""
    at_half = (cmath.exp(-1j * math.radians(1.0)) * cmath.exp(1j * math.acos(0.5))).real / 0.5
    assert 500 * at_half == pytest.approx(515.04, abs=0.01)
    seen = (Observed(at_half, 0.001, 0.5, common=0.001), Observed(1.0, 0.001, 1.0, common=0.001))
    assert [c.name for c in match(seen)] == ["phase displacement of +1.0 degrees"]


def test_what_undoes_a_setting_is_offered_only_where_nothing_else_fits_as_well() -> None:
    """A baseline knows 250/200 from 300/250; class limits do not; a wiring fault is undone by no round number."""
    sure = match((Observed(0.8, 0.002, common=0.003),), ct_ratio=(250.0, 5.0))
    assert (sure[0].undo, undoing(sure)) == ("250/200", "250/200")
    assert undoing(match((Observed(0.815, 0.02),), ct_ratio=(250.0, 5.0))) == ""
    assert undoing(match((Observed(1 / 3, 0.002),))) == ""
    assert undoing(()) == ""
