"""How far a metered energy may be off, from class, current transformer, load and resolution."""

import csv
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.balance.uncertainty import (
    CT_CLASSES,
    METER_CLASSES,
    Accuracy,
    accuracy_of,
    class_uncertainty,
    clock_uncertainty,
    covariance,
    ct_limits,
    energy_uncertainty,
    meter_steps,
    phase_error,
    propagate,
    resolution_uncertainty,
    step_limit,
)
from meterd.core.model.plan import Board, Instrument, Point, Role

VECTORS = Path(__file__).parents[2] / "vectors"
BOARD = Board("msb")
POINT = Point("f01", "msb", Role.FEEDER, rating_a=250.0)


def table(name: str) -> list[dict[str, str]]:
    with (VECTORS / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


# -- limits of classes -------------------------------------------------------------------------------------------------


def start_of(row: dict[str, str]) -> float:
    """The current a row of the table begins at, as a fraction of In or Ib."""
    text, direct = row["current_from"], "direct" in row["connection"]
    if text == "Imin":
        return meter_steps(row["class"], "direct" if direct else "transformer", 1.0)[0][0]
    if text == "Itr":
        return 0.05
    number = text.split()[0]
    return float(number.rstrip("%")) / 100 if "%" in number else float(number)


@pytest.mark.parametrize("row", table("meter_error_limits"), ids=lambda r: f"{r['class']} {r['current_from']}")
def test_meter_limits_are_those_of_the_standards(row: dict[str, str]) -> None:
    """IEC 62053-21 and -22, IEC 61557-12, Directive 2014/32/EU; the vector says which cell was verified where."""
    connection = "direct" if "direct" in row["connection"] else "transformer"
    start, limit = start_of(row), float(row["limit_percent"]) / 100
    for power_factor in {"1": [1.0, 0.9], "0.5 ind": [0.5], "0.8 cap": [0.8]}.get(row["pf_or_sinphi"], [0.5, 0.8]):
        result = step_limit(meter_steps(row["class"], connection, power_factor), np.array([start, start * 1.5]))
        assert result.tolist() == pytest.approx([limit, limit], rel=1e-12)


@pytest.mark.parametrize("name", ["0.2", "0.5"])
def test_classes_without_s_have_the_limits_of_those_with_it(name: str) -> None:
    """From memory of IEC 61557-12; the table of cells has them at unity power factor only."""
    assert METER_CLASSES[name] == METER_CLASSES[f"{name}S"]


@pytest.mark.parametrize(("name", "starts"), [("A", (0.02, 0.05)), ("B", (0.01, 0.05)), ("C", (0.01, 0.03))])
def test_the_limits_of_mid_classes_begin_at_the_smallest_current(name: str, starts: tuple[float, float]) -> None:
    """Imin over In by transformer and over Ib of a direct meter; from memory of 2014/32/EU Annex V."""
    limits = METER_CLASSES[name]
    assert (limits.transformer[0][0], limits.direct[0][0]) == starts
    assert (limits.transformer_low, limits.direct_low) == (limits.transformer, limits.direct)


def test_limits_of_class_0_1_s_at_low_power_factor_are_half_as_large_again() -> None:
    """Common practice, by the ratio of class 0.2S: the standard's own figure is not known."""
    unity, low = (step_limit(meter_steps("0.1S", "transformer", pf), np.array([0.5]))[0] for pf in (1.0, 0.5))
    assert (unity, low) == (pytest.approx(0.001, rel=1e-12), pytest.approx(0.0015, rel=1e-12))


@pytest.mark.parametrize("row", table("ct_classes_61869_2"), ids=lambda r: f"{r['class']} at {r[list(r)[1]]} %")
def test_ct_limits_meet_every_tabulated_point(row: dict[str, str]) -> None:
    """IEC 61869-2 measuring classes."""
    ratio, phase = ct_limits(row["class"], np.array([float(row["percent_of_rated_current"]) / 100]))
    assert ratio[0] * 100 == pytest.approx(float(row["ratio_error_limit_percent"]), rel=1e-12)
    minutes = row["phase_displacement_limit_minutes"]
    assert math.degrees(phase[0]) * 60 == pytest.approx(180.0 if minutes == "no limit" else float(minutes), rel=1e-12)


@pytest.mark.parametrize("row", table("ct_class_limits"), ids=lambda r: f"{r['class']} {r[list(r)[1]]}")
def test_ct_standard_uncertainty_is_limit_over_root_three(row: dict[str, str]) -> None:
    """The same classes with u = limit / sqrt(3), three digits."""
    loads = np.array([float(p) / 100 for p in row["percent_of_rated_current"].split("-")])
    ratio, _ = ct_limits(row["class"], loads)
    published = float(row["standard_uncertainty_percent (limit/sqrt3)"])
    assert [100 * class_uncertainty(float(r)) for r in ratio] == pytest.approx([published] * len(loads), abs=0.0006)


def test_ct_limits_between_points_are_linear_and_outside_constant() -> None:
    loads = np.array([0.001, 0.05, 0.125, 0.2, 0.6, 1.0, 3.0])
    ratio, phase = ct_limits("1", loads)
    assert (100 * ratio).tolist() == pytest.approx([3.0, 3.0, 2.25, 1.5, 1.25, 1.0, 1.0])
    # second route: the interpolation of numpy
    known = np.array(CT_CLASSES["1"])
    assert np.rad2deg(phase) * 60 == pytest.approx(np.interp(loads, known[:, 0], known[:, 2]))


@pytest.mark.parametrize("row", table("ct_phase_error_examples"))
def test_phase_displacement_reads_too_much_at_low_power_factor(row: dict[str, str]) -> None:
    """Published: 1 degree at power factor 0.5 reads 515.04 for 500 W; error = ratio error + delta tan(phi)."""
    factor, shift = float(row["power_factor_lagging"]), math.radians(float(row["phase_displacement_minutes"]) / 60)
    ratio = float(row["ratio_error_percent"] or 0) / 100
    exact = (1 + ratio) * math.cos(math.acos(factor) - shift) / factor - 1
    assert 100 * exact == pytest.approx(float(row["active_power_error_percent_exact"]), abs=0.0006)
    if row["published_kW"]:
        assert 1000 * factor * (1 + exact) == pytest.approx(float(row["published_kW"]), abs=0.006)
    approximate = row["active_power_error_percent_approx(eps + delta*tan phi)"]
    if approximate:
        assert 100 * (ratio + phase_error(shift, factor)) == pytest.approx(float(approximate), abs=0.0006)


def test_negative_limit_is_refused() -> None:
    with pytest.raises(ValueError, match="must not be negative, got -1"):
        class_uncertainty(-1)


# -- uncertainty of energies -------------------------------------------------------------------------------------------


def full_load_mwh(rated_a: float, power_factor: float) -> float:
    return math.sqrt(3) * 400 * rated_a * power_factor * 1000


def test_reference_case_at_unity_power_factor() -> None:
    """ref_single_balance.csv: feed CT 0.5 with meter 0.5S, feeders CT 0.5 with meter 1, direct meter 1, full load."""
    rows = {row["flow"]: row for row in table("ref_single_balance") if row["case"] == "REF-A"}
    for flow, meter_class, ct_class in (("feed", "0.5S", "0.5"), ("F1", "1", "0.5"), ("F3", "1", None)):
        kwh = float(rows[flow]["measured"])
        rated = kwh * 1e6 / full_load_mwh(1.0, 1.0) / (1 + 1e-9)
        accuracy = Accuracy(meter_class, ct_class, None, rated, 0, 400.0)
        meter, ct, step = energy_uncertainty(np.array([round(kwh * 1e6)]), 1.0, accuracy, power_factor=1.0)
        assert math.hypot(meter[0], ct[0]) / 1e6 == pytest.approx(float(rows[flow]["u"]), rel=1e-9)
        assert step == 0


def test_below_the_lowest_current_the_error_stays_constant_in_mwh() -> None:
    """The stated assumption: the limit grows inversely with current, so the error no longer falls with the load."""
    accuracy = Accuracy("1", "0.5", None, 100.0, 0, 400.0)
    full = full_load_mwh(100, 0.9)
    energy = np.array([0, round(full * 0.001), round(full * 0.02), -round(full * 0.001)])
    meter, ct, _ = energy_uncertainty(energy, 1.0, accuracy)
    assert meter.tolist() == pytest.approx([full * 0.02 * 0.015 / math.sqrt(3)] * 4, rel=1e-6)
    tangent = math.tan(math.acos(0.9))
    limit = math.hypot(0.015, 90 * math.pi / 10_800 * tangent)
    assert ct.tolist() == pytest.approx([full * 0.05 * limit / math.sqrt(3)] * 4, rel=1e-6)


def test_unknown_rating_is_taken_as_twenty_percent_load() -> None:
    accuracy = Accuracy("1", "1", None, None, 0, 400.0)
    meter, ct, _ = energy_uncertainty(np.array([1_000_000, 0]), 0.25, accuracy, power_factor=1.0)
    assert meter.tolist() == pytest.approx([10_000 / math.sqrt(3), 0.0])
    assert ct.tolist() == pytest.approx([15_000 / math.sqrt(3), 0.0])


def test_unknown_rating_never_falls_below_the_table() -> None:
    """Class 5 begins at half of rated current; 20 % load is then read there."""
    accuracy = Accuracy("1", "5", None, None, 0, 400.0)
    _, ct, _ = energy_uncertainty(np.array([1_000_000]), 0.25, accuracy, power_factor=1.0)
    assert ct[0] == pytest.approx(50_000 / math.sqrt(3))


def test_direct_meter_has_no_transformer_part_and_its_own_steps() -> None:
    """Class 1 direct: 1.5 % from 0.05 Ib, 1.0 % from 0.1 Ib, with Ib a tenth of the rating."""
    accuracy = Accuracy("1", None, None, 60.0, 0, 400.0)
    full = full_load_mwh(60, 1.0)
    energy = np.array([round(full * 0.0075), round(full * 0.02)])
    meter, ct, _ = energy_uncertainty(energy, 1.0, accuracy, power_factor=1.0)
    limits = meter / energy * math.sqrt(3)
    assert limits.tolist() == pytest.approx([0.015, 0.010])
    assert ct.tolist() == [0.0, 0.0]


def test_a_clock_that_is_off_without_a_known_rating_shifts_twice_the_mean_power() -> None:
    """1 kWh of a quarter hour shifted by 9 s, which is a hundredth of it; nothing where nothing flows; all of it at most."""
    unknown = Accuracy("B", None, None, None, 0, 400.0)
    results = clock_uncertainty(np.array([1_000_000, -1_000_000, 0]), np.array([0.25]), np.array([9.0]), unknown)
    assert results == pytest.approx(np.array([20_000, 20_000, 0]) / math.sqrt(3))
    whole = clock_uncertainty(np.array([1_000_000]), np.array([0.25]), np.array([7_200.0]), unknown)
    assert whole == pytest.approx(2_000_000 / math.sqrt(3))


def test_interval_without_duration_is_refused() -> None:
    with pytest.raises(ValueError, match="must be positive"):
        energy_uncertainty(np.array([1, 1]), np.array([1.0, 0.0]), Accuracy("1", None, None, 60.0, 0, 400.0))


def test_resolution_of_a_difference_is_triangular() -> None:
    """Second route: the variance of the difference of two rectangular distributions, each step^2 / 12."""
    assert resolution_uncertainty(1000.0) == pytest.approx(math.sqrt(2 * 1000.0**2 / 12))
    _, _, step = energy_uncertainty(np.array([0]), 1.0, Accuracy("1", None, None, 60.0, 1000, 400.0))
    assert step == pytest.approx(408.248, abs=0.001)


# -- the plan's instruments --------------------------------------------------------------------------------------------


def test_accuracy_of_a_complete_instrument() -> None:
    instrument = Instrument(
        "f01", 0, meter_class=" 0.5s", ct_class="0.5S", ct_set="k1", ct_primary_a=200.0, resolution_wh=Fraction(10)
    )
    assert accuracy_of(POINT, instrument, BOARD) == Accuracy("0.5S", "0.5S", "k1", 200.0, 10_000, 400.0)


def test_accuracy_defaults_are_marked() -> None:
    unknown = accuracy_of(POINT, None, BOARD)
    assert unknown == Accuracy("2", "1", None, 250.0, 0, 400.0, assumed=True)
    odd = accuracy_of(POINT, Instrument("f01", 0, meter_class="9", ct_class="x", ct_primary_a=100.0), BOARD)
    assert (odd.meter_class, odd.ct_class, odd.assumed) == ("2", "1", True)
    silent = accuracy_of(POINT, Instrument("f01", 0, meter_class="1", ct_primary_a=100.0), BOARD)
    assert (silent.ct_class, silent.assumed) == ("1", True)
    unrated = accuracy_of(Point("f02", "msb", Role.FEEDER), Instrument("f02", 0, meter_class="B"), BOARD)
    assert (unrated.ct_class, unrated.rated_a, unrated.assumed) == (None, None, True)
    direct = accuracy_of(POINT, Instrument("f01", 0, meter_class="B"), BOARD)
    assert (direct.ct_class, direct.rated_a, direct.assumed) == (None, 250.0, False)


def test_resolution_on_the_secondary_side_is_scaled_and_a_pulse_is_a_step() -> None:
    secondary = Instrument("f01", 0, meter_class="1", ct_class="1", ct_primary_a=250.0, resolution_wh=Fraction(1))
    assert accuracy_of(POINT, secondary, BOARD, shown_factor=Fraction(50)).resolution_mwh == 50_000
    pulses = Instrument("f01", 0, meter_class="1", ct_class="1", ct_primary_a=250.0, pulse_wh=Fraction(1000, 3))
    assert accuracy_of(POINT, pulses, BOARD).resolution_mwh == 333_334


# -- correlation -------------------------------------------------------------------------------------------------------


def test_correlated_inputs_of_the_guide() -> None:
    """JCGM 100:2008 H.2: resistance, reactance and impedance from five simultaneous observations (data: table H.2)."""
    V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    current = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    inputs = np.cov(np.array([V, current, phi])) / 5
    v, i, p = V.mean(), current.mean(), phi.mean()
    c, s, z = math.cos(p), math.sin(p), v / i
    gradient = np.array([[c / i, -z * c / i, -z * s], [s / i, -z * s / i, z * c], [1 / i, -z / i, 0.0]])
    out = propagate(gradient, inputs)
    u = np.sqrt(np.diagonal(out))
    alone = np.sqrt(np.diagonal(propagate(gradient, np.diag(np.diagonal(inputs)))))
    r_in, r_out = inputs / np.sqrt(np.outer(np.diagonal(inputs), np.diagonal(inputs))), out / np.outer(u, u)
    results = {
        "R (ohm)": z * c, "X": z * s, "Z": z, "u(R)": u[0], "u(X)": u[1], "u(Z)": u[2],
        "r(V,I)": r_in[0, 1], "r(V,phi)": r_in[0, 2], "r(I,phi)": r_in[1, 2],
        "r(R,X)": r_out[0, 1], "r(R,Z)": r_out[0, 2], "r(X,Z)": r_out[1, 2],
        "u(R) if correlations ignored": alone[0], "u(X) if correlations ignored": alone[1],
    }  # fmt: skip
    rows = [row for row in table("gum_examples") if row["example"] == "GUM H.2"]
    assert {row["quantity"] for row in rows} == set(results)
    for row in rows:
        assert results[row["quantity"]] == pytest.approx(float(row["computed"]), abs=0.001), row["quantity"]
        if row["published"]:
            assert results[row["quantity"]] == pytest.approx(float(row["published"]), abs=0.01), row["quantity"]


def test_shared_reference_adds_linearly() -> None:
    """JCGM 100:2008 5.2.2: ten resistors against one reference: u of the sum is 1 ohm, not 0.32."""
    ones = np.ones((1, 10))
    assert math.sqrt(propagate(ones, np.full((10, 10), 0.01))[0, 0]) == pytest.approx(1.0, abs=1e-9)
    assert math.sqrt(propagate(ones, 0.01 * np.eye(10))[0, 0]) == pytest.approx(0.32, abs=0.004)


def test_instruments_on_one_ct_set_share_its_error() -> None:
    """The CT part of a check meter cancels in the difference, its own part does not; the sign follows the energy."""
    main, check = Accuracy("0.5S", "0.5", "t1", 1000.0, 0, 400.0), Accuracy("1", "0.5", "t1", 1000.0, 0, 400.0)
    other = Accuracy("1", "0.5", "f1", 1000.0, 0, 400.0)
    energy = np.array([[300_000_000, 300_000_000, 300_000_000], [300_000_000, -300_000_000, 0]])
    V = covariance((main, check, other), energy, 1.0)
    m1, ct, _ = energy_uncertainty(energy[:, 0], 1.0, main)
    m2, _, _ = energy_uncertainty(energy[:, 1], 1.0, check)
    difference = propagate(np.array([[1.0, -1.0, 0.0]]), V)[:, 0, 0]
    assert difference[0] == pytest.approx(m1[0] ** 2 + m2[0] ** 2)
    assert difference[1] == pytest.approx(m1[1] ** 2 + m2[1] ** 2 + 4 * ct[1] ** 2)
    assert V[:, :2, 2].tolist() == [[0.0, 0.0], [0.0, 0.0]]


ACCURACIES = st.builds(
    Accuracy,
    st.sampled_from([None, *METER_CLASSES]),
    st.sampled_from([None, *CT_CLASSES]),
    st.sampled_from([None, "k1", "k2"]),
    st.sampled_from([None, 5.0, 63.0, 250.0, 1250.0]),
    st.sampled_from([0, 1, 1000, 333_334]),
    st.sampled_from([400.0, 690.0]),
)
ENERGY = st.integers(-(10**12), 10**12)


@given(st.lists(ACCURACIES, min_size=1, max_size=4), st.data(), st.sampled_from([0.25, 1.0, 0.05]))
def test_a_row_alone_equals_the_row_in_the_batch(accuracies: list[Accuracy], data: st.DataObject, hours: float) -> None:
    rows = data.draw(st.lists(st.lists(ENERGY, min_size=4, max_size=4), min_size=1, max_size=40))
    energy = np.array(rows, dtype=np.int64)[:, : len(accuracies)]
    V = covariance(accuracies, energy, hours)
    for i in range(len(rows)):
        assert covariance(accuracies, energy[i : i + 1], hours)[0].tobytes() == V[i].tobytes()
    assert np.array_equal(V, np.swapaxes(V, 1, 2))
    assert np.linalg.eigvalsh(V).min() >= -1e-9 * max(V.max(), 1.0)
