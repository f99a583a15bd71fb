"""Costs of a period as values: nothing without prices or history, the time of a demand only where it was measured."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.cost import PeriodAccount
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import FigureRow
from meterd.core.model.tariff import Price, PriceKind
from meterd.core.reports.cost import period_cost
from tests.example_plans import example

HOUR = 3_600_000
BEGIN, MARCH, END = 1_770_159_600_000, 1_772_319_600_000, 1_774_908_000_000  # 4 Feb, 1 March, 31 March 2026 in Vienna
SMALL = example("small.toml")
FEED = next(p.name for p in SMALL.points if p.role == "feed")


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """Hours of a feed: 9 kWh in February, 5 kWh in March, 6 kWh in its second hour."""
    result = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = []
    for at in range(BEGIN, END, HOUR):
        energy = 9_000_000 if at < MARCH else 6_000_000 if at == MARCH + HOUR else 5_000_000
        rows += [FigureRow((FEED, IMPORT), Period.INTERVAL, at, energy, 0)]
        rows += [FigureRow((FEED, EXPORT), Period.INTERVAL, at, 0, 0)]
    with result.transaction():
        result.write_figures(rows, now_ms=END, reason="closed")
    return result


def site_with(**demand: object) -> Site:
    """The small site in Vienna with hours and one price for demand."""
    price = Price("demand", PriceKind.DEMAND, Fraction(2), **demand)  # type: ignore[arg-type]
    return replace(SMALL, zone="Europe/Vienna", interval_s=3600, tariff=(price,))


def of_march(store: SqliteStore, site: Site) -> PeriodAccount:
    """The account of March."""
    return PeriodAccount(store, site, Period.MONTH, MARCH, (BEGIN, END))


def test_a_demand_has_the_time_at_which_it_was_measured(store: SqliteStore) -> None:
    """Less what costs nothing."""
    cost = period_cost(of_march(store, site_with(above_kw=Fraction(4))), {})
    assert cost is not None
    (peak,) = cost.peaks
    assert (peak.start_ms, peak.line.quantity, cost.amount) == (MARCH + HOUR, 2, 40_000)
    assert (cost.tenants, cost.with_carbon, cost.carbon) == ((), False, 0)


def test_a_demand_of_an_earlier_month_has_no_time(store: SqliteStore) -> None:
    """February had 9 kW, of which nine tenths are billed in March."""
    cost = period_cost(of_march(store, site_with(least_share=Fraction(9, 10))), {})
    assert cost is not None
    (peak,) = cost.peaks
    assert (peak.start_ms, peak.line.quantity) == (None, Fraction(81, 10))


def test_without_prices_or_history_there_is_nothing(store: SqliteStore) -> None:
    """None, not zero."""
    assert period_cost(of_march(store, replace(SMALL, interval_s=3600, zone="Europe/Vienna")), {}) is None
    later = PeriodAccount(store, site_with(), Period.MONTH, END + 40 * 24 * HOUR, (BEGIN, END))
    assert period_cost(later, {}) is None


def test_tenants_are_in_order_of_name_and_missing_where_nothing_is_known(store: SqliteStore) -> None:
    """A tenant whose points have no figures has no cost."""
    site = replace(site_with(), tariff=(Price("energy", PriceKind.IMPORT, Fraction("0.2")),))
    cost = period_cost(of_march(store, site), {"Zoe": [FEED], "Ada": ["nothing"]})
    assert cost is not None
    (ada, zoe) = cost.tenants
    assert (ada[0], ada[1].amount, zoe[0], zoe[1].amount) == ("Ada", None, "Zoe", cost.amount)
