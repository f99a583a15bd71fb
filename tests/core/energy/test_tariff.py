"""Published bills and rules, the local clock, and sums that are exact however a month is split."""

import csv
import json
from datetime import UTC, date, datetime
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.energy.tariff import (
    BillLine,
    Taken,
    covered,
    demand_amount,
    demand_kw,
    energy_amount,
    fixed_amount,
    hours_of_use,
    local_times,
    stepped_amount,
    total,
    used_as_long,
)
from meterd.core.model.periods import local, to_ms
from meterd.core.model.tariff import Price, PriceKind, times_in

QUARTER = 900_000
BERLIN = ZoneInfo("Europe/Berlin")
MONEY = frozenset(PriceKind) - {PriceKind.CARBON}


def example(name: str) -> tuple[dict[str, float], float, float]:
    """Inputs, published figure and tolerance of one example."""
    with (Path(__file__).parents[2] / "vectors" / "tariff_examples.csv").open(encoding="utf-8") as file:
        row = next(row for row in csv.DictReader(line for line in file if line[0] != "#") if row["id"] == name)
    return json.loads(row["inputs"]), float(row["expected"]), float(row["tolerance"])


def price(kind: str, value: float, **more: object) -> Price:
    """A price as a plan would have it."""
    return Price(f"{kind} {value}", PriceKind(kind), Fraction(str(value)), **more)  # type: ignore[arg-type]


def units(amount: int | None) -> float:
    """An amount in units of the currency."""
    assert amount is not None
    return amount / 10_000


@pytest.mark.parametrize("name", ["T1a", "T1b"])
def test_energy_charges_of_a_published_bill(name: str) -> None:
    """A charge and a credit per kWh, from the worked bill of a handbook (source beside the figures)."""
    given_, expected, tolerance = example(name)
    line = energy_amount(price("import", given_["rate"]), int(given_["kwh"]) * 1_000_000)
    assert units(line.amount) == pytest.approx(expected, abs=tolerance)


def test_a_published_bill_adds_up() -> None:
    """Its rounded lines; the demand amount is an input, since its price is not published."""
    inputs, expected, tolerance = example("T1c")
    energy, _, _ = example("T1a")
    credit, _, _ = example("T1b")
    lines = [
        fixed_amount(price("fixed", inputs["fixed"])),
        energy_amount(price("import", energy["rate"]), int(energy["kwh"]) * 1_000_000),
        energy_amount(price("import", credit["rate"]), int(credit["kwh"]) * 1_000_000),
        demand_amount(price("demand", inputs["demand_charge"]), Fraction(1)),
    ]
    assert units(total(lines, MONEY)) == pytest.approx(expected, abs=2 * tolerance)


def test_tiers_and_a_demand_above_a_free_part() -> None:
    """A published tariff with two tiers and 50 kW without charge."""
    inputs, expected, tolerance = example("T7a")
    energy, tier = int(inputs["kwh"]) * 1_000_000, Fraction(int(inputs["tier1_kwh"]))
    lines = [
        fixed_amount(price("fixed", inputs["fixed_30d"])),
        energy_amount(price("import", inputs["p1"], up_to_kwh=tier), energy),
        energy_amount(price("import", inputs["p2"], above_kwh=tier), energy),
        demand_amount(price("demand", inputs["p_kw"], above_kw=Fraction(int(inputs["free_kw"]))), Fraction(80)),
    ]
    assert units(total(lines, MONEY)) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("name", ["T8a", "T8b"])
def test_a_demand_is_at_least_a_share_of_the_highest_before(name: str) -> None:
    """A published rule: 65 % of the winter's maximum. (Its share of the apparent power is a demand of its own here.)"""
    inputs, expected, tolerance = example(name)
    present = max(Fraction(int(inputs["kw"])), Fraction("0.9") * int(inputs["kva"]))
    rule = price("demand", 1, least_share=Fraction("0.65"))
    line = demand_amount(rule, present, [Fraction(40), Fraction(int(inputs["winter_max_kw"]))])
    assert line.quantity is not None
    assert float(line.quantity) == pytest.approx(expected, abs=tolerance)


def test_hours_of_use_decide_between_two_prices() -> None:
    """The step of German grid fees at 2,500 h: site A lies just above it."""
    inputs, expected, tolerance = example("T9")
    energy, peak = round(inputs["import_kwh"] * 1_000_000), Fraction(str(inputs["year_peak_kw"]))
    hours = hours_of_use(energy, peak)
    assert hours is not None
    assert float(hours) == pytest.approx(expected, abs=tolerance)
    below = price("demand", 1, per="year", use_hours_below=Fraction(2500))
    above = price("demand", 1, per="year", use_hours_from=Fraction(2500))
    assert (used_as_long(below, hours), used_as_long(above, hours)) == (False, True)
    higher = hours_of_use(energy, peak * Fraction("1.003"))
    assert (used_as_long(below, higher), used_as_long(above, higher)) == (True, False)
    assert not used_as_long(above, None)


def test_carbon_of_a_year() -> None:
    """Energy times a published factor, in whole mg."""
    inputs, expected, tolerance = example("C5")
    line = energy_amount(price("carbon", inputs["g_per_kwh"]), round(inputs["import_kwh"] * 1_000_000))
    assert line.amount is not None
    assert line.amount / 1e6 == pytest.approx(expected, abs=tolerance)


def starts(first: datetime, days: int) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    """Quarter hours from a local midnight on."""
    return to_ms(first) + QUARTER * np.arange(96 * days, dtype=np.int64)


@pytest.mark.parametrize(("month", "day", "hours"), [(3, 29, 23), (10, 25, 25), (6, 7, 24)])
def test_hours_follow_the_local_clock_over_its_changes(month: int, day: int, hours: int) -> None:
    """A Sunday of 23, 25 and 24 hours: the night price counts the hours that the clock shows."""
    rows = starts(datetime(2026, month, day, tzinfo=BERLIN), 1)
    rows = rows[0] + QUARTER * np.arange(4 * hours, dtype=np.int64)
    night = covered(price("import", 1, times=times_in("sun 00:00-06:00")), local_times(rows, BERLIN))
    assert night.sum() == 4 * (hours - 18)


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu", "UTC"])
def test_local_clock_of_every_interval_of_a_year_is_that_of_the_zone(zone: str) -> None:
    """Asked one by one, also where clocks change by half an hour or are ahead by 5:45."""
    place = ZoneInfo(zone)
    rows = starts(datetime(2025, 12, 31, 22, tzinfo=UTC), 366)
    at, clocks = local_times(rows, place), [local(ms, place) for ms in rows.tolist()]
    assert at.month.tolist() == [clock.month for clock in clocks]
    assert at.weekday.tolist() == [clock.weekday() for clock in clocks]
    assert at.minute.tolist() == [clock.hour * 60 + clock.minute for clock in clocks]


def test_hours_over_midnight_belong_to_the_day_on_which_they_begin() -> None:
    """Friday night goes into Saturday; the rest is what `not_times` counts."""
    rows = starts(datetime(2026, 6, 5, tzinfo=BERLIN), 2)  # a Friday
    at = local_times(rows, BERLIN)
    night = covered(price("import", 1, times=times_in("fri 22:00-06:00")), at)
    assert rows[night].tolist() == (rows[0] + QUARTER * np.arange(88, 120)).tolist()
    rest = covered(price("import", 1, not_times=times_in("fri 22:00-06:00")), at)
    assert (night ^ rest).all()


def test_dates_end_before_their_until() -> None:
    """A new price from the first of a month counts from that midnight on, the old one until then."""
    rows = starts(datetime(2026, 6, 30, tzinfo=BERLIN), 2)
    change = to_ms(datetime(2026, 7, 1, tzinfo=BERLIN))
    old, new = price("import", 1, until_ms=change), price("import", 2, from_ms=change)
    at = local_times(rows, BERLIN)
    assert covered(old, at).tolist() == [True] * 96 + [False] * 96
    assert (covered(old, at) ^ covered(new, at)).all()


def test_missing_is_missing_only_where_it_counts() -> None:
    """A missing quarter hour of the night leaves the day's line whole."""
    rows = starts(datetime(2026, 6, 2, tzinfo=BERLIN), 1)
    energy = np.full(96, 250_000, dtype=np.int64)
    present = np.ones(96, dtype=np.bool_)
    present[3] = False
    taken, at = Taken(energy, present), local_times(rows, BERLIN)
    day = covered(price("import", 1, times=times_in("08:00-20:00")), at)
    night = covered(price("import", 1, not_times=times_in("08:00-20:00")), at)
    assert (taken.sum(day), taken.sum(night), taken.largest(night)) == (48 * 250_000, None, None)
    assert energy_amount(price("import", 1), None).amount is None
    assert total([BillLine(price("import", 1), None, None)], MONEY) is None
    assert demand_kw(taken.largest(day), QUARTER) == 1


@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=40), st.integers(0, 40))
def test_energy_of_a_price_is_exact_however_the_intervals_are_split(energies: list[int], place: int) -> None:
    """Sums telescope: only the last step rounds, by at most half a unit for each line."""
    rule = price("import", 0.18743)
    whole = energy_amount(rule, sum(energies)).amount
    halves = [energy_amount(rule, sum(part)).amount for part in (energies[:place], energies[place:])]
    assert whole is not None
    assert abs(whole - sum(half for half in halves if half is not None)) <= 1


def test_carbon_by_time_is_each_energy_times_the_factor_of_its_time() -> None:
    """Rounded once; where no factor is known the carbon is missing and the energy is not; where the energy is, both are."""
    start = np.arange(4, dtype=np.int64) * QUARTER
    values = ((0, Fraction(400)), (2 * QUARTER, Fraction("33.5")), (3 * QUARTER, None))
    factor = Price("grid", PriceKind.CARBON, Fraction(0), values=values)
    taken = Taken(np.array([1_000_000, 2_000_000, 3_000_001, 5_000_000]), np.array([True, True, True, False]))
    line = stepped_amount(factor, taken, np.array([True, True, True, False]), start)
    assert line.amount == round(3 * 400_000 + 3.000001 * 33_500)
    assert line.quantity == Fraction(6_000_001, 1_000_000)
    known = Taken(taken.energy, np.ones(4, dtype=np.bool_))
    beyond = stepped_amount(factor, known, np.ones(4, dtype=np.bool_), start)
    assert (beyond.amount, beyond.quantity) == (None, Fraction(11_000_001, 1_000_000))
    assert stepped_amount(factor, taken, np.ones(4, dtype=np.bool_), start).quantity is None
    before = stepped_amount(factor, known, np.array([True, False, False, False]), start - 1)
    assert before.amount is None
    nothing = stepped_amount(factor, known, np.zeros(4, dtype=np.bool_), start)
    assert (nothing.amount, nothing.quantity) == (0, 0)


@given(st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 900)), min_size=1, max_size=30))
def test_a_factor_that_stays_is_the_same_as_values_that_stay(rows: list[tuple[int, int]]) -> None:
    """Two routes: one factor for all, and the same factor again and again."""
    energy = np.array([e for e, _ in rows], dtype=np.int64)
    start = np.arange(len(rows), dtype=np.int64) * QUARTER
    taken, every = Taken(energy, np.ones(len(rows), np.bool_)), np.ones(len(rows), np.bool_)
    factor = Fraction(rows[0][1])
    steps = Price("s", PriceKind.CARBON, Fraction(0), values=tuple((at, factor) for at in start.tolist()))
    assert stepped_amount(steps, taken, every, start).amount == energy_amount(
        Price("c", PriceKind.CARBON, factor), int(energy.sum())
    ).amount  # fmt: skip


def test_a_holiday_has_the_hours_of_a_sunday() -> None:
    """25 December 2026 is a Friday; the hours of Thursday night that go over midnight still belong to Thursday."""
    start = to_ms(datetime(2026, 12, 24, tzinfo=BERLIN))
    grid = start + 3_600_000 * np.arange(48, dtype=np.int64)
    peak, night = (
        price("import", 1, times=times_in("mon-fri 08:00-20:00")),
        times_in("thu 22:00-06:00; sun 22:00-06:00"),
    )
    holiday = frozenset({(date(2026, 12, 25) - date(1970, 1, 1)).days})
    plain, with_holiday = local_times(grid, BERLIN), local_times(grid, BERLIN, holiday)
    assert np.flatnonzero(covered(peak, plain)).tolist() == [*range(8, 20), *range(32, 44)]
    assert np.flatnonzero(covered(peak, with_holiday)).tolist() == [*range(8, 20)]
    of_night = covered(price("import", 1, times=night), with_holiday)
    assert np.flatnonzero(of_night).tolist() == [*range(22, 30), 46, 47]
