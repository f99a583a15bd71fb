"""Whole periods are compared, and only those: the month before, the same month a year before, the year before."""

from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.cost import PeriodAccount
from meterd.core.model.periods import Period, to_ms
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import FigureRow, PvRow
from meterd.core.model.tariff import Price, PriceKind
from meterd.core.reports.comparison import compared_with, period_figures
from tests.example_plans import example

SMALL = example("small.toml")
FEED = next(p.name for p in SMALL.points if p.role == "feed")
PRICE = Price("energy", PriceKind.IMPORT, Fraction("0.2"))
SITE = replace(SMALL, zone="Europe/Vienna", interval_s=3600, tariff=(PRICE,))
HOUR = 3_600_000
MARCH = to_ms(datetime(2026, 2, 28, 23, tzinfo=UTC))
APRIL = to_ms(datetime(2026, 3, 31, 22, tzinfo=UTC))
BEGIN = MARCH - 10 * 24 * HOUR


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """Hours of a feed from ten days before March until the end of April: 2 kWh, in April 3 and once 5."""
    result = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = []
    for at in range(BEGIN, APRIL + 30 * 24 * HOUR, HOUR):
        energy = 2_000_000 if at < APRIL else 5_000_000 if at == APRIL + 7 * HOUR else 3_000_000
        rows += [FigureRow((FEED, IMPORT), Period.INTERVAL, at, energy, 0)]
        rows += [FigureRow((FEED, EXPORT), Period.INTERVAL, at, 1_000, 0)]
    with result.transaction():
        result.write_figures(rows, now_ms=0, reason="closed")
    return result


def account(store: SqliteStore, start: int, period: Period = Period.MONTH) -> PeriodAccount:
    """The account of a period with the history of the store."""
    return PeriodAccount(store, SITE, period, start, (BEGIN, APRIL + 30 * 24 * HOUR))


def test_the_figures_of_a_whole_month(store: SqliteStore) -> None:
    """743 hours of March; energies, demand and cost as they add up by hand, PV from its stored row."""
    pv = PvRow(Period.MONTH, MARCH, APRIL, 7, 8, 9, 4, 12, False)
    march = period_figures(account(store, MARCH), pv)
    april = period_figures(account(store, APRIL), None)
    assert march is not None
    assert april is not None
    assert (march.imported, march.exported) == (743 * 2_000_000, 743 * 1_000)
    assert (march.produced, march.self_use, march.demand_w) == (7, 4, 2_000.0)
    assert march.cost == 743 * 2 * 2_000
    assert (april.imported, april.demand_w, april.produced) == (719 * 3_000_000 + 5_000_000, 5_000.0, None)


def test_a_month_in_which_the_history_begins_is_not_compared(store: SqliteStore) -> None:
    """Nor one before it: ten days of February would be a small month."""
    before, year_ago = compared_with(account(store, MARCH))
    assert period_figures(before, None) is None
    assert period_figures(year_ago, None) is None


def test_a_month_is_beside_the_one_before_and_a_year_before(store: SqliteStore) -> None:
    """By the calendar of the site, clock changes and lengths of months included."""
    before, year_ago = compared_with(account(store, APRIL))
    assert before.start_ms == MARCH
    assert year_ago.start_ms == to_ms(datetime(2025, 3, 31, 22, tzinfo=UTC))
    (year,) = compared_with(account(store, to_ms(datetime(2025, 12, 31, 23, tzinfo=UTC)), Period.YEAR))
    assert year.start_ms == to_ms(datetime(2024, 12, 31, 23, tzinfo=UTC))
