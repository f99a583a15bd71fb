"""What an instrument shows becomes a reading in the base unit; what cannot be is refused with the reason."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.values import AnswerValues, Item, take, wanted
from meterd.core.model.plan import Board, Input, Limits, Point, Role, Site
from meterd.core.model.reading import UNITS

SITE = Site(
    "mill", "Europe/London", boards=(Board("north"),),
    points=(Point("q01", "north", Role.FEEDER, rating_a=63.0), Point("pv", "north", Role.PV, rating_a=10.0)),
    limits=Limits(point_max_w=200_000),
)  # fmt: skip


def taken(
    item: Item, register: str = "1.8.0", unit: str = "Wh", scale: float = 1.0, point: str = "q01"
) -> AnswerValues:
    return take([wanted(Input(point, register, "line", "a", unit=unit, scale=scale), "a", SITE)], {"a": item}, 5)


@pytest.mark.parametrize(
    ("item", "register", "unit", "scale", "value"),
    [
        (Item(12.5), "1.8.0", "kWh", 1.0, 12_500_000),
        (Item(12.5), "1.8.0", "kWh", 0.1, 1_250_000),
        (Item(12.5, "Wh"), "1.8.0", "kWh", 1.0, 12_500),  # A9: the telegram's own unit counts
        (Item(3, "kWh"), "1.8.0", "Wh", 1.0, 3_000_000),
        (Item(77), "1.8.0", "imp", 1.0, 77_000),
        (Item(1.5, "kW"), "16.7.0", "W", -1.0, -1500.0),
        (Item(50.0, "Hz"), "14.7.0", "Hz", 1.0, 50.0),
        (Item(-0.0), "16.7.0", "W", 1.0, 0.0),
    ],
)
def test_value_in_the_base_unit(item: Item, register: str, unit: str, scale: float, value: float) -> None:
    (reading,) = taken(item, register, unit, scale).readings
    assert (reading.value, reading.at_ms, reading.device_time) == (value, 5, False)
    assert math.copysign(1, reading.value) == math.copysign(1, value)


def test_a9_meter_switched_from_watt_hours_to_kilowatt_hours_stays_right() -> None:
    """A telegram that names its unit is believed, whatever the plan says: the energy is the same before and after."""
    before, after = taken(Item(123_456, "Wh"), unit="kWh"), taken(Item(123.456, "kWh"), unit="kWh")
    assert before.readings[0].value == after.readings[0].value == 123_456_000


@pytest.mark.parametrize("raw", [2**16 - 5, 2**32 - 5, 2**64 - 5])
def test_a10_negative_power_read_as_unsigned_is_refused(raw: int) -> None:
    """-5 W in 16, 32 and 64 bits at a feeder of 63 A, which carries 43.6 kW, with half as much again allowed."""
    (refusal,) = taken(Item(raw), "16.7.0", "W").refusals
    assert "check type, word order, sign and scale" in refusal.reason


def test_value_the_instrument_does_not_have_is_missing_and_no_refusal() -> None:
    assert taken(Item(None)) == AnswerValues(missing=1)


def test_absent_value_is_refused() -> None:
    result = take([wanted(Input("q01", "1.8.0", "line", "a"), "a", SITE)], {}, 5)
    assert "no value a" in result.refusals[0].reason


@pytest.mark.parametrize(
    ("item", "register", "reason"),
    [
        (Item(math.nan), "16.7.0", "NaN"),
        (Item(math.inf), "1.8.0", "NaN"),
        (Item(10**400), "1.8.0", "beyond the range"),
        (Item(1e300), "1.8.0", "2\\^53"),
        (Item(5.0, "V"), "16.7.0", "sends V"),
        (Item(65_531.0), "16.7.0", "more than this point can carry"),  # A10: -5 W read as unsigned, at a 63 A feeder
        (Item(4_294_967_291.0), "16.7.0", "more than this point can carry"),
    ],
)
def test_what_cannot_be_is_refused(item: Item, register: str, reason: str) -> None:
    result = taken(item, register, "W" if register == "16.7.0" else "Wh")
    assert not result.readings
    (refusal,) = result.refusals
    assert re.search(reason, refusal.reason), refusal.reason


def test_rating_of_a_pv_point_does_not_limit_its_power() -> None:
    """An inverter's own limit is elsewhere; the site's largest power still holds."""
    assert taken(Item(65_000.0), "16.7.0", "W", point="pv").readings
    assert taken(Item(301_000.0), "16.7.0", "W", point="pv").refusals


VALUES = st.none() | st.floats() | st.integers()


@given(VALUES, st.sampled_from(["", *UNITS]), st.sampled_from(["1.8.0", "16.7.0", "13.7.0"]), st.floats(-1e6, 1e6))
def test_any_value_gives_one_reading_refusal_or_missing(
    value: float | None, unit: str, register: str, scale: float
) -> None:
    plan_unit = {"1.8.0": "kWh", "16.7.0": "kW", "13.7.0": "/"}[register]
    result = taken(Item(value, unit), register, plan_unit, scale)
    assert len(result.readings) + len(result.refusals) + result.missing == 1
    assert all(math.isfinite(reading.value) for reading in result.readings)
