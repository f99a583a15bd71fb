"""Forecasts are kept as they were given out: what is read is what was written, and nothing replaces it."""

import sqlite3
from pathlib import Path

import pytest

from meterd.adapters.store.forecasts import Forecasts
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.forecast import Course, Quantity, SiteForecast

QUARTER_MS, AT_MS = 900_000, 1_767_225_600_000


def forecast(at_ms: int = AT_MS, watt: int = 4000) -> SiteForecast:
    """One of the PV, with a hole, and one of the load."""
    pv = Course((0, None, 10), (watt, None, 20), (123_456_789, None, 30))
    load = Course((1,) * 192, (2,) * 192, (3,) * 192)
    return SiteForecast(at_ms, QUARTER_MS, True, 12, ((Quantity.PV, pv), (Quantity.LOAD, load)))


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return SqliteStore.writer(tmp_path / "s.sqlite")


def test_a_forecast_comes_back_as_it_was_given_out(store: SqliteStore) -> None:
    """Each quantity with its band and its missing intervals."""
    with store.transaction():
        store.forecasts.keep(forecast())
    again = store.forecasts.issued_at(AT_MS)
    assert again is not None
    assert again == forecast()
    assert store.forecasts.issued_at(AT_MS + QUARTER_MS) is None
    store.close()


def test_a_second_forecast_of_the_same_moment_changes_nothing(store: SqliteStore) -> None:
    """What was said is said."""
    for watt in (4000, 9000):
        with store.transaction():
            store.forecasts.keep(forecast(watt=watt))
    assert store.forecasts.between(Quantity.PV, AT_MS, AT_MS + 1)[0][2].middle[0] == 4000
    store.close()


def test_forecasts_of_a_span_come_in_order_and_old_ones_go(store: SqliteStore) -> None:
    """The span is half open."""
    moments = [AT_MS + n * QUARTER_MS for n in (2, 0, 1)]
    with store.transaction():
        for moment in moments:
            store.forecasts.keep(forecast(moment))
    rows = store.forecasts.between(Quantity.LOAD, AT_MS, AT_MS + 2 * QUARTER_MS)
    assert [row[:2] for row in rows] == [(AT_MS, QUARTER_MS), (AT_MS + QUARTER_MS, QUARTER_MS)]
    with store.transaction():
        store.forecasts.forget_before(AT_MS + 2 * QUARTER_MS)
    assert store.forecasts.between(Quantity.LOAD, AT_MS, AT_MS + 2 * QUARTER_MS) == []
    assert store.forecasts.issued_at(AT_MS + 2 * QUARTER_MS) is not None
    store.close()


def test_a_store_without_the_table_has_no_forecasts() -> None:
    """A reader may come before the daemon of this version."""
    db = sqlite3.connect(":memory:")
    assert Forecasts(db).between(Quantity.PV, 0, 2**60) == []
    db.close()
