"""Registers integrate what the instruments indicate, within their class, and roll over where the plan says."""

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.simulator.faults import fault
from meterd.adapters.simulator.history import collect, history, one_series, true_history
from meterd.adapters.simulator.instruments import (
    CT_LIMIT,
    METER_LIMIT,
    MWS_PER_WH,
    Scaling,
    instrument_at,
    limits,
    make_bank,
    ratio_of,
    scaling,
    unit_wh,
)
from meterd.adapters.simulator.physics import build
from meterd.adapters.simulator.site import Simulator
from meterd.core.model.plan import Input, Instrument
from meterd.core.model.reading import UNITS, milli
from tests.adapters.simulator.sites import DAY, FITTED, HOUR, JUNE, POINTS, harrow_mill, instrument, mill, rises

VECTORS = Path(__file__).parents[2] / "vectors"


def register(site, point, code="1.8.0", faults=(), until_ms=JUNE + 6 * HOUR, step_s=10):
    result = collect(history(site, 3, JUNE, until_ms, step_s=step_s, faults=faults))
    return one_series(result, point, code)


@pytest.mark.parametrize("point", ["t1", "bakery-ovens", "pv-roof", "riser", "studio-1"])
def test_import_less_export_is_the_integral_of_the_true_power_times_the_ratio(point):
    """Against numpy's trapezoid over a staircase of ten times as many moments."""
    site = mill()
    mill_, bank = build(site, 3), make_bank(build(site, 3), 3, (), JUNE)
    power = np.hstack([part.power for part in true_history(site, 3, JUNE, JUNE + 6 * HOUR, step_s=10)])
    row = mill_.row[point]
    fine = np.repeat(power[row, 1:] / 1000.0 * bank.ratio[row], 10)
    energy_wh = np.trapezoid(np.append(fine, fine[-1]), dx=1.0) / 3600.0
    moved = [register(site, point, code).values for code in ("1.8.0", "2.8.0")]
    counted_wh = (int(moved[0][-1] - moved[0][0]) - int(moved[1][-1] - moved[1][0])) / 1000.0
    # a step of either register at either end, and a trapezoid on each edge of the staircase
    assert abs(counted_wh - energy_wh) < 2.5 + 0.5 * np.abs(np.diff(fine)).sum() / 3600.0


def test_levels_are_the_exact_sum_of_the_indicated_power():
    simulator = Simulator(mill(), 3, start_ms=JUNE)
    before = simulator.level_wh("bakery-ovens", "1.8.0")
    simulator.step(JUNE + HOUR)
    ratio = make_bank(build(mill(), 3), 3, (), JUNE).ratio[4]
    power = np.hstack([part.power for part in true_history(mill(), 3, JUNE, JUNE + HOUR, step_s=10)])[4]
    expected = int(np.rint(power * ratio).astype(np.int64).sum()) * 10 / MWS_PER_WH
    assert abs(simulator.level_wh("bakery-ovens", "1.8.0") - before - expected) < 1e-6


@pytest.mark.parametrize("seed", range(5))
def test_ratio_errors_lie_inside_the_limits_of_class_and_current_transformer(seed):
    site = harrow_mill()
    worst = limits(site)
    errors = {i.point: abs(ratio_of(site, seed, i) - 1.0) for i in site.instruments}
    assert all(errors[point] <= worst[point] for point in errors)
    assert len({round(error, 9) for error in errors.values()}) == len(errors)
    assert max(errors[p] / worst[p] for p in errors) > 0.8  # the limits are used, not only kept


def test_instruments_on_one_set_of_current_transformers_share_its_error():
    plate = {"meter_class": "0.2S", "ct_class": "3", "ct_set": "x"}
    ratios = [ratio_of(mill(), 3, instrument(point, **plate)) for point in ("t1", "t2", "riser")]
    assert max(ratios) - min(ratios) <= 2 * 0.002 * 1.03


def test_limits_of_meters_are_those_of_the_published_tables():
    """IEC 62053-21/-22 at unity power factor from 0.05 In (meter_error_limits.csv)."""
    with (VECTORS / "meter_error_limits.csv").open(encoding="utf-8") as lines:
        rows = [r for r in csv.DictReader(lines) if r["pf_or_sinphi"] == "1" and r["current_from"] == "0.05 In"]
    result = {
        r["class"]: float(r["limit_percent"]) / 100
        for r in rows
        if r["load"] == "balanced" and "active" in r["quantity"]
    }
    for name in ("0.2S", "0.5S", "1", "2"):
        assert METER_LIMIT[name] == result[name]


def test_limits_of_current_transformers_are_those_of_iec_61869_2():
    with (VECTORS / "ct_classes_61869_2.csv").open(encoding="utf-8") as lines:
        rows = [r for r in csv.DictReader(lines) if r["percent_of_rated_current"] in ("100", "120")]
    result = {r["class"]: float(r["ratio_error_limit_percent"]) / 100 for r in rows}
    for name in ("0.2", "0.2S", "0.5", "0.5S", "1", "3"):
        assert CT_LIMIT[name] == result[name]


@pytest.mark.parametrize(
    ("plate", "source", "level_wh", "shown"),
    [
        ({}, {"unit": "Wh"}, 1234.9, 1234),
        ({"resolution_wh": Fraction(100)}, {"unit": "Wh"}, 1234.9, 1200),
        ({"resolution_wh": Fraction(100)}, {"unit": "kWh"}, 1234.9, 1.2),
        ({"resolution_wh": Fraction(0)}, {"unit": "kWh"}, 1234.5, 1.2345),
        ({"resolution_wh": Fraction(10)}, {"unit": "kWh", "scale": 0.01}, 1234.9, 123),
        ({"pulse_wh": Fraction(5, 4)}, {"unit": "imp"}, 1234.9, 987),
        ({"ct_primary_a": 150.0, "ct_secondary_a": 5.0}, {"unit": "Wh", "per_ct": True}, 1234.9, 41),
        ({"ct_primary_a": 150.0, "ct_secondary_a": 5.0}, {"unit": "Wh"}, 1234.9, 1234),
        ({"register_max_wh": Fraction(1000)}, {"unit": "Wh"}, 1234.9, 234),
        ({"register_max_wh": Fraction(100), "pulse_wh": Fraction(5, 4)}, {"unit": "imp"}, 1234.9, 87),
    ],
)
def test_a_register_is_cut_to_its_step_and_rolls_over(plate, source, level_wh, shown):
    scale = scaling(instrument("t1", **plate), Input("t1", "1.8.0", "net", "x", **source))
    count = scale.count(round(level_wh * MWS_PER_WH))
    assert scale.shown(count) == shown
    assert scale.counts(np.array([round(level_wh * MWS_PER_WH)]))[0] == count
    unit = UNITS[source["unit"]][1] * source.get("scale", 1.0)
    assert scale.milli(np.array([count]))[0] == milli(float(shown), unit)


def test_halves_of_a_milli_unit_are_rounded_to_even_as_readings_are():
    scale = Scaling(Fraction(1800), Fraction(1, 2000), Fraction(1, 2000), None)
    assert scale.milli(np.arange(6)).tolist() == [milli(n / 2000, 1.0) for n in range(6)]


def test_one_shown_unit_is_pulse_weight_times_ratio():
    plate = instrument("t1", pulse_wh=Fraction(1, 2), ct_primary_a=200.0, ct_secondary_a=5.0)
    assert unit_wh(plate, True, True) == 20
    assert unit_wh(plate, False, True) == Fraction(1, 2)
    assert unit_wh(plate, False, False) == 1


def test_rollover_soon_wraps_at_the_configured_width_and_loses_nothing():
    plain = register(mill(), "bakery-ovens").values
    wrapped = register(mill(), "bakery-ovens", faults=[fault("rollover-soon", "bakery-ovens", 500.0)]).values
    drops = np.flatnonzero(np.diff(wrapped) < 0)
    assert len(drops) == 1
    assert wrapped.max() < 10**12
    steps = [step % 10**12 for step in rises(wrapped.tolist())]
    assert abs(sum(steps) - int(plain[-1] - plain[0])) <= 1000


@pytest.mark.parametrize(
    ("name", "factor"),
    [
        ("drift", 0.98),
        ("reversed-ct", 1 / 3),
        ("missing-phase", 2 / 3),
        ("wrong-ratio", 0.8),
        ("bounce", 2.0),
        ("swapped", 0.0),
    ],
)
def test_ratio_faults_change_the_energy_from_their_start_on(name, factor):
    start_s = 3 * 3600.0
    plain = register(mill(), "bakery-ovens").values
    faulty = register(mill(), "bakery-ovens", faults=[fault(name, "bakery-ovens", start_s=start_s)]).values
    split = 3 * 360
    assert np.array_equal(plain[: split + 1], faulty[: split + 1])
    after = int(plain[-1] - plain[split])
    assert abs(int(faulty[-1] - faulty[split]) - factor * after) <= 2000


def test_rotated_phases_count_backwards():
    faults = [fault("rotated", "bakery-ovens", start_s=0.0)]
    plain = register(mill(), "bakery-ovens").values
    imported = register(mill(), "bakery-ovens", faults=faults).values
    exported = register(mill(), "bakery-ovens", "2.8.0", faults=faults).values
    assert imported[-1] - imported[1] == 0
    assert abs(2 * int(exported[-1] - exported[0]) - int(plain[-1] - plain[0])) < 0.01 * int(plain[-1] - plain[0])


def test_stuck_register_stands_while_the_power_goes_on_and_then_catches_up():
    result = fault("stuck", "bakery-ovens", start_s=1800.0)
    planted = [type(result)(result.name, result.target, result.value, 1800.0, 3600.0)]
    plain = register(mill(), "bakery-ovens").values
    stuck = register(mill(), "bakery-ovens", faults=planted).values
    assert set(stuck[180:540].tolist()) == {int(plain[180])}
    assert np.array_equal(stuck[540:], plain[540:])


def test_stuck_register_does_not_depend_on_the_steps():
    planted = [fault("stuck", "bakery-ovens", start_s=1800.0)]
    item, two = (Simulator(mill(), 3, planted, start_ms=JUNE) for _ in range(2))
    whole = item.step(JUNE + HOUR)
    assert whole == [sent for k in range(361) for sent in two.step(JUNE + 10_000 * k)]


def test_reset_starts_again_at_its_value():
    values = register(mill(), "bakery-ovens", faults=[fault("reset", "bakery-ovens", 25.0, 600.0)]).values
    plain = register(mill(), "bakery-ovens").values
    assert values[60] == 25_000
    assert int(values[-1]) - 25_000 == pytest.approx(int(plain[-1] - plain[60]), abs=1000)


def test_single_zero_and_spike_last_one_message():
    faults = [fault("zero", "bakery-ovens", start_s=600.0), fault("spike", "workshops", 10.0, 600.0)]
    result = collect(history(mill(), 3, JUNE, JUNE + HOUR, step_s=10, faults=faults, power=True))
    plain = collect(history(mill(), 3, JUNE, JUNE + HOUR, step_s=10, power=True))
    for point, shown in (("bakery-ovens", 0), ("workshops", 10 * plain["workshops", "1.8.0"].values[60])):
        same = result[point, "1.8.0"].values == plain[point, "1.8.0"].values
        assert np.flatnonzero(~same).tolist() == [60]
        assert result[point, "1.8.0"].values[60] == shown
    assert result["workshops", "16.7.0"].values[60] == pytest.approx(
        10 * plain["workshops", "16.7.0"].values[60], abs=5
    )


def others(name):
    return tuple(instrument(p.name) for p in POINTS if p.name != name)


def test_a_register_begins_above_its_opening_reading():
    opened = instrument("workshops", opening=(("1.8.0", 777_000_000),))
    site = mill(instruments=(opened, *others("workshops")))
    assert register(site, "workshops").values[0] > 777_000_000


def test_an_exchange_in_the_plan_is_lived_through():
    """The old instrument ends, nothing is sent in between, the new one begins at its opening reading."""
    old = instrument("workshops", until_ms=JUNE + HOUR)
    new = instrument("workshops", from_ms=JUNE + 2 * HOUR, meter_class="2", opening=(("1.8.0", 5_000_000),))
    site = mill(instruments=(old, new, *others("workshops")))
    series = register(site, "workshops")
    true_ms = series.at_ms - series.at_ms[0] + JUNE
    assert not ((true_ms >= JUNE + HOUR) & (true_ms < JUNE + 2 * HOUR)).any()
    first = int(np.searchsorted(true_ms, JUNE + 2 * HOUR))
    assert series.values[first] == 5_000_000
    plain = register(mill(), "workshops").values
    change = ratio_of(site, 3, new) / ratio_of(site, 3, old)
    assert int(series.values[-1]) - 5_000_000 == pytest.approx(change * int(plain[-1] - plain[720]), rel=0.01)


def test_before_the_first_instrument_nothing_is_sent():
    later = tuple(instrument(p.name, from_ms=JUNE + HOUR) for p in POINTS)
    series = register(mill(instruments=later), "workshops")
    assert series.at_ms[0] >= JUNE + HOUR - 1000


def test_which_instrument_is_fitted():
    plates = (Instrument("t1", FITTED, JUNE), Instrument("t1", JUNE + DAY))
    site = mill(instruments=plates)
    assert instrument_at(site, "t1", FITTED - 1) is plates[0]
    assert instrument_at(site, "t1", JUNE + HOUR) is plates[0]
    assert instrument_at(site, "t1", JUNE + DAY) is plates[1]
    assert instrument_at(site, "t2", JUNE).meter_class is None
