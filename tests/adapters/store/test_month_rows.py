"""Rows of a month out of a store and into another one: the same rows, and a fingerprint that follows every change."""

import sqlite3
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.store.backup import inspect
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.month_rows import CLOSED_TO, FIGURES, READINGS, STATE, MonthRows, Refill
from meterd.core.errors import StoreError
from meterd.core.model.archived_month import spans_of
from meterd.core.model.periods import Period, bounds
from tests.app.two_meters import BEGIN, DAY, HOUR, fill

ZONE = ZoneInfo("Europe/Vienna")
JANUARY = spans_of(bounds(Period.MONTH, BEGIN + DAY, ZONE, HOUR), ZONE, HOUR)
TABLES = (READINGS, *FIGURES, STATE)


def test_there_and_back(tmp_path: Path) -> None:
    """Every table, with the digests of a store that was written by the program."""
    path, other = fill(tmp_path, 33), tmp_path / "other.sqlite"
    with closing(MonthRows(path)) as rows, closing(Refill(other)) as refill:
        counts = {table: refill.fill(table, rows.rows(table, JANUARY)) for table in TABLES}
        refill.finish(BEGIN + 31 * DAY)
        originals = {table: list(rows.rows(table, JANUARY)) for table in TABLES[:-1]}
    assert counts[READINGS] > 1000
    assert counts["energy"] > 1500
    assert counts["balance"] > 800
    SqliteStore.writer(other).close()
    assert inspect(other).changed == ()
    with closing(MonthRows(other)) as rows:
        assert {table: list(rows.rows(table, JANUARY)) for table in TABLES[:-1]} == originals
        assert rows.fact(CLOSED_TO) == str(BEGIN + 31 * DAY)
        assert rows.first_ms() is not None


@pytest.mark.parametrize(
    ("table", "change"),
    [
        (READINGS, "DELETE FROM reading WHERE seq = (SELECT MIN(seq) FROM reading)"),
        (READINGS, "UPDATE reading SET value = value + 1 WHERE seq = (SELECT MIN(seq) FROM reading)"),
        ("energy", "UPDATE figure SET version = 2 WHERE period = 'day' AND start_ms < 1767400000000"),
        ("energy", "UPDATE figure SET energy = energy + 1 WHERE period = 'hour' AND start_ms < 1767400000000"),
        ("balance", "UPDATE balance SET written_ms = written_ms + 1 WHERE period = 'day'"),
        (STATE, "INSERT INTO fact VALUES ('something', 'new')"),
    ],
)
def test_the_fingerprint_follows(table: str, change: str, tmp_path: Path) -> None:
    """Of the table that has changed, and of no other."""
    path = fill(tmp_path, 33)
    before = _fingerprints(path)
    assert _fingerprints(path) == before
    with closing(sqlite3.connect(path)) as db:
        db.execute(change)
        db.commit()
    after = _fingerprints(path)
    assert {name for name in before if before[name] != after[name]} == {table}


def _fingerprints(path: Path) -> dict[str, str]:
    with closing(MonthRows(path)) as rows:
        return {table: rows.fingerprint(table, JANUARY) for table in TABLES}


def test_not_into_a_store_that_is_there(tmp_path: Path) -> None:
    """Nor rows that fit into none."""
    path = fill(tmp_path, 2)
    with pytest.raises(StoreError, match="already there"):
        Refill(path)
    with (
        closing(Refill(tmp_path / "new.sqlite")) as refill,
        pytest.raises(StoreError, match="the rows of energy do not fit"),
    ):
        refill.fill("energy", [("day", 1)])
    with pytest.raises(StoreError, match="there is no store at"):
        MonthRows(tmp_path / "none.sqlite")
