"""Findings are stored with every life and every change; a store of version 1 is brought forward and loses nothing."""

import sqlite3
import threading
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding, FindingNote, FindingRow, Suppression
from meterd.core.model.periods import Period
from meterd.core.texts.notification_digest import SentNotification

# The schema as version 1 wrote it, and a row in each table.
VERSION_1 = """
CREATE TABLE channel (id INTEGER PRIMARY KEY, point TEXT NOT NULL, register TEXT NOT NULL, UNIQUE (point, register));
CREATE TABLE reading (seq INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel, at_ms INTEGER NOT NULL,
 value NUMERIC NOT NULL, received_ms INTEGER NOT NULL, marks INTEGER NOT NULL);
CREATE UNIQUE INDEX reading_once ON reading (channel, at_ms, value);
CREATE TABLE figure (channel INTEGER NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 energy INTEGER, flags INTEGER NOT NULL, anchor_ms INTEGER, anchor_raw INTEGER, anchor_plateau INTEGER,
 written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (channel, period, start_ms)) WITHOUT ROWID;
CREATE TABLE figure_old (channel INTEGER NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 energy INTEGER, flags INTEGER NOT NULL, anchor_ms INTEGER, anchor_raw INTEGER, anchor_plateau INTEGER,
 written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (channel, period, start_ms, version)) WITHOUT ROWID;
CREATE TABLE balance (board TEXT NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 end_ms INTEGER NOT NULL, feed INTEGER, outgoing INTEGER, residual INTEGER, band INTEGER, verdict TEXT NOT NULL,
 estimated INTEGER NOT NULL, missing TEXT NOT NULL, uncovered TEXT NOT NULL, covered INTEGER NOT NULL,
 of INTEGER NOT NULL, reconciled TEXT NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL,
 PRIMARY KEY (board, period, start_ms)) WITHOUT ROWID;
CREATE TABLE balance_old (board TEXT NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 end_ms INTEGER NOT NULL, feed INTEGER, outgoing INTEGER, residual INTEGER, band INTEGER, verdict TEXT NOT NULL,
 estimated INTEGER NOT NULL, missing TEXT NOT NULL, uncovered TEXT NOT NULL, covered INTEGER NOT NULL,
 of INTEGER NOT NULL, reconciled TEXT NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL,
 PRIMARY KEY (board, period, start_ms, version)) WITHOUT ROWID;
CREATE TABLE pv (period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL, end_ms INTEGER NOT NULL,
 production INTEGER, grid_import INTEGER, grid_export INTEGER, self_use INTEGER, consumption INTEGER,
 estimated INTEGER NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (period, start_ms)) WITHOUT ROWID;
CREATE TABLE pv_old (period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL, end_ms INTEGER NOT NULL,
 production INTEGER, grid_import INTEGER, grid_export INTEGER, self_use INTEGER, consumption INTEGER,
 estimated INTEGER NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL,
 PRIMARY KEY (period, start_ms, version)) WITHOUT ROWID;
CREATE TABLE finding (id TEXT PRIMARY KEY, cause TEXT NOT NULL, subject TEXT NOT NULL, at_ms INTEGER NOT NULL,
 text TEXT NOT NULL, remedy TEXT NOT NULL, points TEXT NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
 state TEXT NOT NULL, closed_ms INTEGER) WITHOUT ROWID;
CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
INSERT INTO channel VALUES (1, 'q05', '1.8.0');
INSERT INTO reading VALUES (1, 1, 1000, 5000, 1001, 1), (2, 1, 2000, 6000, 2001, 1);
INSERT INTO figure VALUES (1, 'interval', 0, 2, 7, 0, 1000, 5000, 1000, 9, 'late readings');
INSERT INTO figure_old VALUES (1, 'interval', 0, 1, 6, 0, NULL, NULL, NULL, 8, 'closed');
INSERT INTO balance VALUES ('north', 'interval', 0, 1, 900000, 5, 4, 1, 2, 'inside', 0, '[]', '[]', 3, 3, '[]', 9, 'closed');
INSERT INTO pv VALUES ('interval', 0, 1, 900000, 5, 0, 0, 5, 5, 0, 9, 'closed');
INSERT INTO finding VALUES ('stale-q05', 'stale', 'q05', 10, 'q05: nothing', 'look', '["q05"]', 10, 20, 'new', NULL);
INSERT INTO finding VALUES ('reset-q06', 'reset', 'q06', 1, 'fell', '', '["q06"]', 1, 2, 'closed', 30);
INSERT INTO fact VALUES ('epoch', '7');
PRAGMA user_version = 1;
"""


def version_1(path: Path) -> Path:
    with sqlite3.connect(path) as connection:
        connection.executescript(VERSION_1)
    connection.close()
    return path


def shape(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Tables with their columns: name, type, must it be there, default, part of the key."""
    with sqlite3.connect(path) as connection:
        names = [
            name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
        ]
        results = {name: [tuple(r) for r in connection.execute(f"PRAGMA table_info({name})")] for name in names}
    connection.close()
    return results


def test_store_of_version_1_is_brought_forward_and_keeps_everything(tmp_path: Path) -> None:
    """Every row of every table is there afterwards, and findings have their first life."""
    store = SqliteStore.writer(version_1(tmp_path / "s.sqlite"))
    assert [t.tolist() for t in store.history(("q05", "1.8.0"), 0)] == [[1000, 2000], [5000, 6000]]
    assert [v.energy for v in store.versions(("q05", "1.8.0"), Period.INTERVAL, 0)] == [6, 7]
    assert [b.residual for b in store.balances("north", Period.INTERVAL, 0, 1)] == [1]
    assert [p.production for p in store.pv(Period.INTERVAL, 0, 1)] == [5]
    assert store.fact("epoch") == "7"
    assert store.finding_tables.all() == [
        FindingRow(Finding("stale", "q05", 10, "q05: nothing", "look", ("q05",)), 10, 20, "new"),
        FindingRow(Finding("reset", "q06", 1, "fell", "", ("q06",)), 1, 2, "closed", 30),
    ]
    store.close()


def test_a_new_store_and_one_brought_forward_have_the_same_tables(tmp_path: Path) -> None:
    """One way for both, so that no installation is special."""
    for path in (tmp_path / "new.sqlite", version_1(tmp_path / "old.sqlite")):
        SqliteStore.writer(path).close()
    assert shape(tmp_path / "new.sqlite") == shape(tmp_path / "old.sqlite")


def test_step_that_fails_leaves_the_old_version_whole(tmp_path: Path) -> None:
    """E7: a file in which the step cannot be made is as before, and the message says what stands in the way."""
    path = version_1(tmp_path / "s.sqlite")
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE suppression (mine TEXT)")
    connection.close()
    before = shape(path)
    with pytest.raises(StoreError, match="suppression already exists"):
        SqliteStore.writer(path)
    assert shape(path) == before


def test_store_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    """E7: an old program does not write into what it does not know."""
    path = tmp_path / "s.sqlite"
    SqliteStore.writer(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()
    with pytest.raises(StoreError, match="run the newer version"):
        SqliteStore.writer(path)


def test_findings_lives_notes_windows_and_what_was_reported_come_back(tmp_path: Path) -> None:
    """All that is written is read again, by a reader beside the writer."""
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    finding = Finding("stale", "q05", 1, "Zähler steht; 'quoted'", "look", ("q05", "q06"), ("also this",))
    row = FindingRow(finding, 5, 6, "explained", None, 2, 3, True, "", 4)
    old = FindingRow(finding, 1, 2, "closed", 4, 1, 1, False, "Ada", part_of="silent-mill")
    note = FindingNote(finding.id, 2, 9, "explained", "Жанна", "cable cut", "order-1")
    tables = store.finding_tables
    with store.transaction():
        tables.archive(old)
        tables.write(row)
        tables.add_note(note)
        number = tables.add_suppression(Suppression("q0*", 10, 20, "Ada", "works", "stale"), "order-2")
        tables.write_sent_notification("e-mail", [(finding.id, SentNotification(2, 8, over=True))])
    reader = SqliteStore.reader(path)
    finding_tables = reader.finding_tables
    assert (finding_tables.all(), finding_tables.former(finding.id), finding_tables.notes(finding.id)) == (
        [row],
        [old],
        [note],
    )
    assert finding_tables.suppressions(19) == [Suppression("q0*", 10, 20, "Ada", "works", "stale", number)]
    assert finding_tables.suppressions(20) == []
    assert (finding_tables.sent_notifications("e-mail"), finding_tables.sent_notifications("webhook")) == (
        {finding.id: SentNotification(2, 8, over=True)},
        {},
    )
    assert [finding_tables.carried_out(name) for name in ("order-1", "order-2", "order-3")] == [True, True, False]
    reader.close()
    with store.transaction():
        tables.end_suppression(number, 12)
    assert [w.until_ms for w in tables.suppressions(0)] == [12]
    store.close()


def test_reader_sees_findings_while_another_thread_writes(tmp_path: Path) -> None:
    """`meterd findings` beside a running daemon never waits and never sees half a change."""
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    stop = threading.Event()

    def write() -> None:
        count = 0
        while not stop.is_set():
            count += 1
            row = FindingRow(Finding("stale", "q05", 1, f"{count}"), 1, count, "new", count=count)
            with store.transaction():
                store.finding_tables.write(row)
                store.finding_tables.add_note(FindingNote("stale-q05", count, 1, "new", "", ""))

    thread = threading.Thread(target=write)
    thread.start()
    reader = SqliteStore.reader(path)
    for _ in range(50):
        rows = reader.finding_tables.all()
        assert all(row.finding.text == str(row.count) for row in rows)
    stop.set()
    thread.join()
    reader.close()
    store.close()
