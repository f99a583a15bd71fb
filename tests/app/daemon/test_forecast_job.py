"""The daemon's forecasts: made beside the loop, stored before they are shown, the same after a restart."""

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.forecast_job import ForecastJob
from meterd.core.model.forecast import PUBLISHED, Quantity
from meterd.core.model.periods import DAY_MS
from tests.app.operations.test_forecast_history import BEGIN, QUARTER_MS, SITE, filled

CLOSED_TO = BEGIN + 5 * DAY_MS
LIMIT_S = 60.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "s.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteStore]:
    """A store with six days of history."""
    result = SqliteStore.writer(path)
    filled(result, 6)
    yield result
    result.close()


def ticked(job: ForecastJob, closed_to: int) -> None:
    """Ticks, as the loop does, until the forecast of a moment is there."""
    until = time.monotonic() + LIMIT_S
    while (job.newest is None or job.newest.issued_ms < closed_to) and time.monotonic() < until:
        job.tick(closed_to)
        job.join(1.0)
    assert job.newest is not None


def everything(store: SqliteStore) -> list[object]:
    """Every row of the tables of figures."""
    tables = ("figure", "figure_old", "balance", "pv", "reading")
    return [store.connection.execute(f"SELECT * FROM {table}").fetchall() for table in tables]


def test_a_forecast_is_stored_as_it_is_shown_and_changes_nothing_of_the_past(store: SqliteStore, path: Path) -> None:
    """Figures, balances and readings are what they were."""
    before = everything(store)
    job = ForecastJob(store, path, SITE)
    assert job.newest is None
    ticked(job, CLOSED_TO)
    assert job.newest == store.forecasts.issued_at(CLOSED_TO)
    assert job.newest is not None
    assert (job.newest.young, job.newest.days) == (True, 5)
    assert {quantity for quantity, _ in job.newest.courses} == set(PUBLISHED)
    assert everything(store) == before


def test_each_closed_interval_renews_it_and_a_restart_repeats_what_was_given_out(
    store: SqliteStore, path: Path
) -> None:
    """The figures have changed since: what was said stays what was said."""
    job = ForecastJob(store, path, SITE)
    ticked(job, CLOSED_TO)
    ticked(job, CLOSED_TO + QUARTER_MS)
    given_out = job.newest
    with store.transaction():
        store.connection.execute("UPDATE figure SET energy = energy + 1000000")
    again = ForecastJob(store, path, SITE)
    again.tick(CLOSED_TO + QUARTER_MS)
    assert again.newest == given_out
    assert len(store.forecasts.between(Quantity.LOAD, CLOSED_TO, CLOSED_TO + DAY_MS)) == 2


def test_a_site_that_cannot_be_forecast_has_none(store: SqliteStore, path: Path) -> None:
    """An interval that divides no day; a history that ends before the moment."""
    job = ForecastJob(store, path, replace(SITE, interval_s=420))
    job.tick(CLOSED_TO)
    job.join(LIMIT_S)
    assert job.newest is None
    late = ForecastJob(store, path, SITE)
    late.tick(BEGIN + 9 * DAY_MS)
    late.join(LIMIT_S)
    late.tick(BEGIN + 9 * DAY_MS)
    assert late.newest is None


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # ended from outside
def test_a_thread_that_died_is_begun_again(store: SqliteStore, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only if it died: one that ended in order is not."""
    job = ForecastJob(store, path, SITE)
    assert not job.revive()
    ticked(job, CLOSED_TO)
    assert not job.revive()

    def ended(*_: object) -> None:
        raise SystemExit

    with monkeypatch.context() as patch:
        patch.setattr(job, "_forecast", ended)
        job.tick(CLOSED_TO + QUARTER_MS)
        job.join(LIMIT_S)
    assert job.revive()
    job.tick(CLOSED_TO + QUARTER_MS)
    job.join(LIMIT_S)
    job.tick(CLOSED_TO + QUARTER_MS)
    assert job.newest is not None
    assert job.newest.issued_ms == CLOSED_TO + QUARTER_MS
