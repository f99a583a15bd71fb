"""Costs of a span are those of its intervals, priced one by one; a year is its months; missing stays missing."""

from dataclasses import replace
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.cost import (
    CARBON,
    GIVEN,
    Cost,
    PeriodAccount,
    accounts_of,
    cost_of,
    imports_of_points,
    in_span,
    together,
)
from meterd.core.energy.energy_items import point_items
from meterd.core.energy.tariff import Taken, total
from meterd.core.model.periods import Period, local
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import FigureRow
from meterd.core.model.tariff import Price, PriceKind

VIENNA = ZoneInfo("Europe/Vienna")
HOUR = 3_600_000
BEGIN, END = 1_770_159_600_000, 1_775_343_600_000  # 4 February 2026 00:00 until 5 April 01:00 in Vienna
STARTS = np.arange(BEGIN, END, HOUR)
N = len(STARTS)
ENERGY = {
    ("t1", IMPORT): np.arange(N) * 7919 % 40_000_000 + 10_000_001,
    ("t1", EXPORT): np.arange(N) * 31 % 900_000,
    ("bakery", IMPORT): np.arange(N) * 613 % 9_000_000 + 123,
    ("hall", IMPORT): np.arange(N) * 811 % 5_000_000 + 7,
}
PLAN = """
site = { name = "mill", zone = "Europe/Vienna", interval_s = 3600 }
board = [{ name = "main" }, { name = "lower", fed_by = "hall" }]
source = [{ name = "meters" }]
point = [
    { point = "t1", role = "feed", board = "main" },
    { point = "bakery", board = "main" },
    { point = "hall", board = "main" },
    { point = "t2", role = "feed", board = "lower" },
    { point = "lights", board = "lower" },
]
[[input]]
point = "*"
source = "meters"
address = "meters/{point}"
fields = { "1.8.0" = "/in" }
[[input]]
point = "t1"
source = "meters"
address = "meters/t1"
fields = { "1.8.0" = "/in", "2.8.0" = "/out" }
[[tariff]]
name = "day"
kind = "import"
price = 0.2190
times = "mon-fri 06:00-22:00"
[[tariff]]
name = "night"
kind = "import"
price = 0.1740
not_times = "mon-fri 06:00-22:00"
[[tariff]]
name = "levy, first part"
kind = "import"
price = 0.03
up_to_kwh = 9000
[[tariff]]
name = "levy of the year"
kind = "import"
price = 0.011
per = "year"
[[tariff]]
name = "feed-in"
kind = "export"
price = 0.07
[[tariff]]
name = "demand"
kind = "demand"
price = 9.80
[[tariff]]
name = "CO2"
kind = "carbon"
price = 380
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """A plan with a tariff and a lower board with a feed meter of its own."""
    path = tmp_path_factory.mktemp("plan") / "mill.toml"
    path.write_text(PLAN)
    return load_plan(path).site


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> SqliteStore:
    """Two months of hours; the hall begins three hours late."""
    result = SqliteStore.writer(tmp_path_factory.mktemp("cost") / "s.sqlite")
    with result.transaction():
        for channel, energy in ENERGY.items():
            late = 3 if channel[0] == "hall" else 0
            rows = [
                FigureRow(channel, Period.INTERVAL, at, value, 0)
                for at, value in zip(STARTS.tolist()[late:], energy.tolist()[late:], strict=True)
            ]
            result.write_figures(rows, now_ms=END, reason="closed")
    return result


def by_hand(energy: np.ndarray, low: int, high: int) -> tuple[Fraction, Fraction]:
    """Day and night kWh of a span, hour by hour on the local clock."""
    day = night = 0
    for at, value in zip(STARTS.tolist(), energy.tolist(), strict=True):
        if low <= at < high:
            clock = local(at, VIENNA)
            if clock.weekday() < 5 and 6 <= clock.hour < 22:
                day += value
            else:
                night += value
    return Fraction(day, 1_000_000), Fraction(night, 1_000_000)


def of_point(account: PeriodAccount, name: str) -> Taken:
    """What one point took."""
    return account.imports_of([imports_of_points(name, [name])])[0]


def of(cost: Cost, name: str) -> tuple[Fraction | None, int | None]:
    """Quantity and amount of one line."""
    (line,) = [line for line in cost.lines if line.price.name == name]
    return line.quantity, line.amount


def test_any_span_is_priced_interval_by_interval(store: SqliteStore, site: Site) -> None:
    """A span over the end of a month and the change of the clocks: kWh by hand, amounts within a rounding per month."""
    low, high = BEGIN + 40 * 24 * HOUR + 5 * HOUR, END - 30 * HOUR
    (bakery,) = [item for item in point_items(site) if item.name == "bakery"]
    accounts = accounts_of(store, site, (low, high), (BEGIN, END))
    assert [account.period for account in accounts] == [Period.MONTH, Period.MONTH]
    costs = []
    for account in accounts:
        rows = in_span(account, (low, high))
        costs.append(cost_of(account, account.imports_of([bakery], rows)[0], rows))
    cost = together(site, costs)
    day, night = by_hand(ENERGY["bakery", IMPORT], low, high)
    assert (of(cost, "day")[0], of(cost, "night")[0]) == (day, night)
    assert cost.energy == (day + night) * 1_000_000
    wanted = (day * Fraction("0.2190") + night * Fraction("0.1740")) * 10_000
    assert abs((of(cost, "day")[1] or 0) + (of(cost, "night")[1] or 0) - wanted) <= 2
    assert cost.carbon == pytest.approx(float((day + night) * 380_000), abs=2)
    assert cost.amount == sum(line.amount or 0 for line in cost.lines if line.price.name != "CO2")


def test_the_cost_of_a_year_is_that_of_its_months_and_of_what_is_billed_once(store: SqliteStore, site: Site) -> None:
    """Exactly, in hundredths of a cent; the whole connection costs what the bill says of its kilowatt hours."""
    year = PeriodAccount(store, site, Period.YEAR, 1_767_222_000_000, (BEGIN, END))
    assert (year.start_ms, len(year.months)) == (1_767_222_000_000, 3)
    whole = cost_of(year, year.taken)
    months = [cost_of(month, month.taken) for month in year.months]
    for name in ("day", "night", "levy, first part", "CO2"):
        assert of(whole, name)[1] == sum(of(month, name)[1] or 0 for month in months)
    levy = Fraction(int(ENERGY["t1", IMPORT].sum()), 1_000_000) * Fraction("0.011") * 10_000
    assert of(whole, "levy of the year")[1] == pytest.approx(float(levy), abs=0.5)
    energies = frozenset({"day", "night", "levy, first part", "levy of the year"})
    assert whole.amount == sum(line.amount or 0 for line in year.bill if line.price.name in energies)
    given = cost_of(year, year.given, kinds=GIVEN)
    assert given.amount == of(given, "feed-in")[1] == next(b.amount for b in year.bill if b.price.name == "feed-in")
    assert total(year.bill, CARBON) == whole.carbon


def test_a_price_with_bounds_counts_with_its_mean_and_parts_give_the_whole(store: SqliteStore, site: Site) -> None:
    """Two halves of the connection pay what the whole pays, within a hundredth of a cent."""
    march = PeriodAccount(store, site, Period.MONTH, 1_772_319_600_000, (BEGIN, END))
    half = in_span(march, (march.start_ms, march.start_ms + 11 * 24 * HOUR))
    parts = [cost_of(march, march.taken, rows) for rows in (half, ~half)]
    assert abs(sum(of(p, "levy, first part")[1] or 0 for p in parts) - 9000 * 300) <= 1
    assert sum((of(p, "levy, first part")[0] or Fraction(0)) for p in parts) == 9000


def test_a_lower_feed_is_no_connection(store: SqliteStore, site: Site) -> None:
    """The meter of a board that a feeder supplies is missing in the store, and the bill is whole."""
    march = PeriodAccount(store, site, Period.MONTH, 1_772_319_600_000, (BEGIN, END))
    assert march.missing() == 0
    rows = (march.start_ms <= STARTS) & (march.end_ms > STARTS)
    assert march.taken.sum(np.ones(len(march.grid), np.bool_)) == int(ENERGY["t1", IMPORT][rows].sum())


def test_the_highest_demand_and_when_it_was(store: SqliteStore, site: Site) -> None:
    """The largest hour of March."""
    march = PeriodAccount(store, site, Period.MONTH, 1_772_319_600_000, (BEGIN, END))
    rows = (march.start_ms <= STARTS) & (march.end_ms > STARTS)
    energy = np.where(rows, ENERGY["t1", IMPORT], 0)
    (demand,) = [p for p in site.tariff if p.name == "demand"]
    assert march.highest(demand) == (Fraction(int(energy.max()), 1_000_000), int(STARTS[energy.argmax()]))


def test_missing_intervals_make_a_cost_missing_but_not_those_before_the_first(store: SqliteStore, site: Site) -> None:
    """The hall begins three hours after the history: its cost counts since then; lights were never read."""
    february = PeriodAccount(store, site, Period.MONTH, 1_769_900_400_000, (BEGIN, END))
    hall, lights = (cost_of(february, of_point(february, name)) for name in ("hall", "lights"))
    inside = february.end_ms > STARTS[3:]
    assert hall.energy == int(ENERGY["hall", IMPORT][3:][inside].sum())
    assert hall.amount is not None
    assert (lights.energy, lights.amount, lights.carbon) == (None, None, None)
    march = PeriodAccount(store, site, Period.MONTH, 1_772_319_600_000, (BEGIN, END))
    assert together(site, [hall, cost_of(march, of_point(march, "lights"))]).amount is None
    assert together(site, []).energy is None
    assert accounts_of(store, site, (0, 1_769_900_400_000), (BEGIN, END)) == []


def test_carbon_by_time_of_a_bill_and_of_a_point(store: SqliteStore, site: Site) -> None:
    """Hour by hour in the bill, in a point and in a span; beyond the last value the carbon is missing and the money is not."""
    march = 1_772_319_600_000
    hours = [at for at in STARTS.tolist() if march <= at < march + 10 * 24 * HOUR]
    values = tuple((at, Fraction(300 + i % 24)) for i, at in enumerate(hours))
    end = ((hours[-1] + HOUR, None),)
    factor = Price("CO2", PriceKind.CARBON, Fraction(0), values=(*values, *end))
    site = replace(site, tariff=(*(p for p in site.tariff if p.kind is not PriceKind.CARBON), factor))
    account = PeriodAccount(store, site, Period.MONTH, march, (BEGIN, END))
    assert total(account.bill, CARBON) is None
    rows = in_span(account, (march, march + 10 * 24 * HOUR))
    cost = cost_of(account, of_point(account, "bakery"), rows)
    energies = dict(zip(STARTS.tolist(), ENERGY["bakery", IMPORT].tolist(), strict=True))
    assert cost.carbon == round(sum(energies[at] * factor for at, factor in values) / 1000)
    whole = cost_of(account, of_point(account, "bakery"))
    assert (whole.carbon, whole.amount is None) == (None, False)
