"""Rows of figures keep every version: what differs is one, what only follows is none."""

from pathlib import Path

import pytest

from meterd.adapters.store.change_feed import Outbox
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.versioned_tables import Entry, VersionedTables
from meterd.core.model.periods import Period

SERIES = (1, "hour")


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A writing store."""
    return SqliteStore.writer(tmp_path / "s.sqlite")


def tables_of(store: SqliteStore) -> VersionedTables:
    """On the connection of a store."""
    return VersionedTables(
        store.connection, store.digest_writer, Outbox(store.connection), flows=store.flows, packer=store.figure_packer
    )


def entry(start_ms: int, energy: int | None, anchor: int | None = None) -> Entry:
    """An hour of one register."""
    return Entry(SERIES, start_ms, (energy, 0), (anchor, anchor, anchor))


def test_what_differs_is_a_version_and_what_only_follows_is_none(store: SqliteStore) -> None:
    """Also where one start is given several times in one call."""
    tables = tables_of(store)
    with store.transaction():
        assert tables.write("figure", [entry(0, 5), entry(9, 7), entry(0, 5), entry(0, 6)], (1, "first")) == [0, 1, 3]
        assert tables.write("figure", [entry(0, 6), entry(9, None)], (2, "second")) == [1]
        assert tables.write("figure", [entry(9, None, 3)], (3, "third")) == []
    rows = store.connection.execute(
        "SELECT start_ms, version, energy, anchor_ms, written_ms, reason FROM figure ORDER BY start_ms"
    ).fetchall()
    assert rows == [(0, 2, 6, None, 1, "first"), (9, 2, None, 3, 2, "second")]
    old = store.connection.execute("SELECT start_ms, version, energy, reason FROM figure_old ORDER BY start_ms")
    assert old.fetchall() == [(0, 1, 5, "closed"), (9, 1, 7, "closed")]
    assert verify(store.connection) == []
    store.close()


def test_series_are_kept_apart_and_the_first_of_them_needs_none(store: SqliteStore) -> None:
    """PV figures have no series but the period."""
    tables = tables_of(store)
    values = (900_000, 5, None, None, None, None, 0)
    with store.transaction():
        entries = [Entry((period.value,), 0, values) for period in (Period.HOUR, Period.DAY)]
        assert tables.write("pv", entries, (1, "x")) == [0, 1]
        other = Entry((Period.DAY.value,), 0, (900_000, 6, None, None, None, None, 0))
        assert tables.write("pv", [other], (2, "y")) == [0]
    rows = store.connection.execute("SELECT period, version, production FROM pv ORDER BY period").fetchall()
    assert rows == [("day", 2, 6), ("hour", 1, 5)]
    assert store.connection.execute(
        "SELECT kind, subject, day, count FROM digest WHERE kind LIKE 'pv%'"
    ).fetchall() == [
        ("pv", "", 0, 2),
        ("pv_old", "", 0, 1),
    ]
    store.close()
