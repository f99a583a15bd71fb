"""Demand and fixed prices divided: by the share of the consumption, exactly, at the moment that set the demand."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.cost import PeriodAccount, imports_of_points
from meterd.core.energy.divided_price import DividedPrice, divided_prices, part_of
from meterd.core.energy.energy_items import EnergyItem
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import FigureRow
from meterd.core.model.tariff import Division, Price, PriceKind, Times

HOUR = 3_600_000
BEGIN, MARCH, END = 1_770_159_600_000, 1_772_319_600_000, 1_774_994_400_000  # 4 Feb, 1 March, 1 April 2026 in Vienna
NEW_YEAR, FEBRUARY = 1_767_222_000_000, 1_769_900_400_000
PEAK = MARCH + 50 * HOUR
PLAN = """
site = { name = "mill", zone = "Europe/Vienna", interval_s = 3600 }
board = [{ name = "main" }]
source = [{ name = "meters" }]
point = [{ point = "t1", role = "feed" }, { point = "bakery" }, { point = "hall" }, { point = "dark" }]
input = [
    { point = "*", source = "meters", address = "m/{point}", fields = { "1.8.0" = "/in" } },
    { point = "t1", source = "meters", address = "m/t1", fields = { "1.8.0" = "/in", "2.8.0" = "/out" } },
]
"""
DEMAND = Price("demand", PriceKind.DEMAND, Fraction("9.80"))
FIXED = Price("metering", PriceKind.FIXED, Fraction(45))
BOTH = [imports_of_points(name, [name]) for name in ("bakery", "hall")]


def energies() -> dict[tuple[str, str], np.ndarray]:
    """mWh of each hour: the bakery takes more in February, the hall makes the peak of March; nobody counts 3 Wh an hour."""
    n = (END - BEGIN) // HOUR
    bakery = np.arange(n) * 7919 % 9_000_000 + 1_000_001
    bakery[: (MARCH - BEGIN) // HOUR] += 9_000_000
    hall = np.arange(n) * 613 % 2_000_000 + 7
    hall[(PEAK - BEGIN) // HOUR] = 40_000_000
    return {
        ("t1", IMPORT): bakery + hall + 3_000, ("t1", EXPORT): np.zeros(n, dtype=np.int64),
        ("bakery", IMPORT): bakery, ("hall", IMPORT): hall,
    }  # fmt: skip


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The plan, without prices."""
    path = tmp_path_factory.mktemp("plan") / "mill.toml"
    path.write_text(PLAN)
    return load_plan(path).site


class March:
    """The account of March by some prices, with the history up to a moment."""

    def __init__(self, site: Site, store: SqliteStore) -> None:
        self.site, self.store = site, store

    def __call__(self, *prices: Price, end: int = END, start: int = MARCH) -> PeriodAccount:
        """Or that of the month before."""
        return PeriodAccount(self.store, replace(self.site, tariff=prices), Period.MONTH, start, (BEGIN, end))


@pytest.fixture(scope="module")
def march(site: Site, tmp_path_factory: pytest.TempPathFactory) -> March:
    """Hours of two months, and the month of March as a period of its own."""
    result = SqliteStore.writer(tmp_path_factory.mktemp("divided") / "s.sqlite")
    first = (MARCH - BEGIN) // HOUR
    with result.transaction():
        for channel, energy in energies().items():
            rows = [FigureRow(channel, Period.INTERVAL, BEGIN + i * HOUR, e, 0) for i, e in enumerate(energy.tolist())]
            rows.append(FigureRow(channel, Period.MONTH, MARCH, int(energy[first:].sum()), 0))
            result.write_figures(rows, now_ms=END, reason="closed")
    return March(site, result)


def one(account: PeriodAccount, items: list[EnergyItem] = BOTH) -> DividedPrice:
    """The only price that is divided."""
    (result,) = divided_prices(account, items)
    return result


def by_hand(amount: int, channel: tuple[str, str], rows: slice) -> Fraction:
    """The exact part of a point in some hours."""
    made = energies()
    return Fraction(amount * int(made[channel][rows].sum()), int(made["t1", IMPORT][rows].sum()))


def added(result: DividedPrice) -> int:
    """Parts and rest, all of which are known."""
    known = [value for value in (*result.parts, result.rest) if value is not None]
    assert len(known) == len(result.parts) + 1
    return sum(known)


def near(result: DividedPrice, rows: slice) -> bool:
    """Whether the parts of both are next to the exact ones."""
    assert result.amount is not None
    exact = [by_hand(result.amount, (name, IMPORT), rows) for name in ("bakery", "hall")]
    return all(part is not None and abs(part - own) < 1 for part, own in zip(result.parts, exact, strict=True))


def test_demand_falls_to_those_who_made_it(march: March) -> None:
    """In the interval of the highest demand; parts and rest add up to the line of the bill."""
    account = march(DEMAND)
    result, place = one(account), (PEAK - BEGIN) // HOUR
    assert (result.at_ms, result.amount) == (PEAK, account.bill[0].amount)
    assert added(result) == result.amount
    assert near(result, slice(place, place + 1))


@pytest.mark.parametrize("hours", [None, 100], ids=["month as stored", "first days of it"])
def test_fixed_price_falls_by_energy(march: March, hours: int | None) -> None:
    """Of the month, or of the part that has a history."""
    first = (MARCH - BEGIN) // HOUR
    result = one(march(FIXED, end=END if hours is None else MARCH + hours * HOUR))
    assert (result.at_ms, result.amount, added(result)) == (None, 450_000, 450_000)
    assert near(result, slice(first, None if hours is None else first + hours))


def test_demand_of_an_earlier_month_is_divided_where_it_was(march: March) -> None:
    """On Mondays February was higher, and counts with nine tenths."""
    mondays = replace(DEMAND, times=(Times(frozenset({0})),), least_share=Fraction(9, 10), least_months=1)
    february = march(mondays, start=FEBRUARY)
    result = one(march(mondays))
    assert result.at_ms == one(february).at_ms is not None
    place = (result.at_ms - BEGIN) // HOUR
    assert result.at_ms < MARCH
    assert near(result, slice(place, place + 1))


def test_year_adds_the_parts_of_its_months(march: March) -> None:
    """And has no moment of its own."""
    account = march(DEMAND)
    year = PeriodAccount(march.store, account.site, Period.YEAR, NEW_YEAR, (BEGIN, END))
    first, second = one(march(DEMAND, start=FEBRUARY)), one(account)
    result = one(year)
    assert (result.at_ms, result.amount) == (None, year.bill[0].amount)
    assert added(result) == added(first) + added(second) == result.amount
    assert part_of([result], 1) == (part_of([first], 1) or 0) + (part_of([second], 1) or 0)


def test_part_is_missing_without_a_figure_and_so_is_the_rest(march: March) -> None:
    """The others keep theirs."""
    result = one(march(DEMAND), [*BOTH, imports_of_points("dark", ["dark"])])
    assert (result.parts[2], result.rest, part_of([result], 2)) == (None, None, None)
    assert near(replace(result, parts=result.parts[:2]), slice((PEAK - BEGIN) // HOUR, (PEAK - BEGIN) // HOUR + 1))


def test_what_is_not_to_be_divided_is_not(march: March) -> None:
    """By the key of the plan, and prices of a kWh never."""
    energy = Price("energy", PriceKind.IMPORT, Fraction("0.2"))
    assert divided_prices(march(replace(DEMAND, divide=Division.NONE), energy), BOTH) == ()
    by_energy = one(march(replace(DEMAND, divide=Division.ENERGY)))
    assert by_energy.at_ms is None
    assert by_energy.parts != one(march(DEMAND)).parts


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(names=st.lists(st.sampled_from(["bakery", "hall"]), max_size=4), price=st.sampled_from([DEMAND, FIXED]))
def test_parts_and_rest_are_the_whole_whoever_asks(march: March, names: list[str], price: Price) -> None:
    """Also where one is asked for twice: the rest is below zero then."""
    result = one(march(price), [imports_of_points(name, [name]) for name in names])
    assert added(result) == result.amount
