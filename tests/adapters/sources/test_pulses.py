"""Pulse outputs: a published count becomes the energy that the weight, and the current transformers, say it is."""

import csv
from fractions import Fraction
from pathlib import Path

import pytest

from meterd.adapters.sources.payloads import decode, group_of
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site
from meterd.core.registers.tracker import Tracker, rules_of

VECTORS = Path(__file__).parents[2] / "vectors" / "s0_pulse.csv"
COUNT = Input("q01", "1.8.0", "pulses", "pulses/q01", unit="imp")


def energy_mwh(counts: dict[int, int], instrument: Instrument, *, per_ct: bool = False) -> int:
    """Energy between the first and last of (millisecond, count), as the meter publishes them."""
    point = Point("q01", "north", Role.FEEDER)
    site = Site("mill", "Europe/London", boards=(Board("north"),), points=(point,), instruments=(instrument,))
    tracker = Tracker(rules_of(site, point, "1.8.0", per_ct=per_ct, pulses=True))
    for at_ms, count in counts.items():
        (reading,) = decode(group_of([COUNT]), b"%d" % count, at_ms, False).readings
        tracker.step(reading.at_ms, int(reading.value))
    assert tracker.total is not None
    return tracker.total


def weight(imp_per_kwh: int, **more: float) -> Instrument:
    return Instrument("q01", 0, pulse_wh=Fraction(1000, imp_per_kwh), **more)  # type: ignore[arg-type]


def row(item: str) -> str:
    with VECTORS.open(encoding="utf-8", newline="") as file:
        return next(line["value"] for line in csv.DictReader(file) if line["item"] == item)


def mean_w(mwh: int, ms: int) -> float:
    return mwh / 1000 * 3_600_000 / ms


def test_1600_pulses_a_kilowatt_hour_at_100_watts_come_every_22_5_seconds() -> None:
    assert row("1600 imp/kWh, 100 W").startswith("one pulse per 22.5 s")
    assert energy_mwh({0: 5, 22_500: 6}, weight(1600)) == 625
    assert mean_w(625, 22_500) == pytest.approx(100.0)


def test_1000_pulses_a_kilowatt_hour_3_6_seconds_apart_are_1000_watts() -> None:
    assert row("1000 imp/kWh, pulses 3.6 s apart") == "1000 W"
    assert mean_w(energy_mwh({0: 0, 3600: 1}, weight(1000)), 3600) == pytest.approx(1000.0)


def test_one_pulse_of_1000_is_4_watts_of_a_quarter_hour() -> None:
    assert row("1000 imp/kWh in 15 min").startswith("1 pulse = 1 Wh = 4 W")
    assert energy_mwh({0: 0, 900_000: 1}, weight(1000)) == 1000
    assert mean_w(1000, 900_000) == pytest.approx(4.0)


def test_pulse_behind_current_transformers_500_to_5_is_100_watt_hours() -> None:
    assert row("1000 imp/kWh on secondary side, CT 500/5 (ratio 100)") == "1 pulse = 100 Wh primary"
    instrument = weight(1000, ct_primary_a=500.0, ct_secondary_a=5.0)
    assert energy_mwh({0: 0, 900_000: 1}, instrument, per_ct=True) == 100_000


def test_fastest_pulses_of_the_standard_are_60_kilowatts() -> None:
    """IEC 62053-31: 30 ms on and 30 ms off, 16.667 pulses a second; at 1000 imp/kWh 60 kW."""
    assert "60 kW" in row("max pulse rate at 30 ms ON + 30 ms OFF")
    count = round(60_000 / 60)  # in a minute
    assert mean_w(energy_mwh({0: 0, 60_000: count}, weight(1000)), 60_000) == pytest.approx(60_000)


@pytest.mark.parametrize("constant", [400, 500, 800, 1000, 1600, 2000])
def test_common_constants_sum_exactly(constant: int) -> None:
    """Any number of pulses is its share of a kilowatt hour, and a kilowatt hour is whole again."""
    counts = {60_000 * n: 7 * n for n in range(constant // 7 + 1)} | {60_000 * (constant // 7 + 1): constant}
    assert energy_mwh(counts, weight(constant)) == 1_000_000
