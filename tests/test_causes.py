"""A factor of the truth is matched against the short list of what is usually wrong, with the look that settles it."""

import csv
from pathlib import Path

import pytest

from meterd.causes import CAUTION, WIRINGS, Observed, match, plausible_factors, wiring_factor

VECTORS = Path(__file__).parent / "vectors"
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
    found = match((Observed(factor, 0.001, 0.95),), ct_ratio=ratio)
    assert first in [cause.name for cause in found]
    assert found[0].factor == pytest.approx(factor, rel=0.02)


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
