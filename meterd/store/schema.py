"""The tables of the embedded store, version by version."""

import sqlite3
from pathlib import Path

from meterd.errors import StoreError
from meterd.store.corrections import CORRECTIONS, READS
from meterd.store.drift_days import VERSION_4
from meterd.store.findings import VERSION_2
from meterd.store.issued import ISSUED
from meterd.store.outbox import VERSION_3
from meterd.store.records import RECORDS

SCHEMA_VERSION = 6

# The newest version of a figure stands in `figure`, superseded ones in `figure_old`: reading a year touches no old rows.
_FIGURE = """channel INTEGER NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 energy INTEGER, flags INTEGER NOT NULL, anchor_ms INTEGER, anchor_raw INTEGER, anchor_plateau INTEGER,
 written_ms INTEGER NOT NULL, reason TEXT NOT NULL"""
_BALANCE = """board TEXT NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 end_ms INTEGER NOT NULL, feed INTEGER, outgoing INTEGER, residual INTEGER, band INTEGER, verdict TEXT NOT NULL,
 estimated INTEGER NOT NULL, missing TEXT NOT NULL, uncovered TEXT NOT NULL, covered INTEGER NOT NULL,
 of INTEGER NOT NULL, reconciled TEXT NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL"""
_PV = """period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL, end_ms INTEGER NOT NULL,
 production INTEGER, grid_import INTEGER, grid_export INTEGER, self_use INTEGER, consumption INTEGER,
 estimated INTEGER NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL"""
_SCHEMA = f"""
CREATE TABLE channel (id INTEGER PRIMARY KEY, point TEXT NOT NULL, register TEXT NOT NULL, UNIQUE (point, register));
CREATE TABLE reading (seq INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel, at_ms INTEGER NOT NULL,
 value NUMERIC NOT NULL, received_ms INTEGER NOT NULL, marks INTEGER NOT NULL);
CREATE UNIQUE INDEX reading_once ON reading (channel, at_ms, value);
CREATE TABLE figure ({_FIGURE}, PRIMARY KEY (channel, period, start_ms)) WITHOUT ROWID;
CREATE TABLE figure_old ({_FIGURE}, PRIMARY KEY (channel, period, start_ms, version)) WITHOUT ROWID;
CREATE TABLE balance ({_BALANCE}, PRIMARY KEY (board, period, start_ms)) WITHOUT ROWID;
CREATE TABLE balance_old ({_BALANCE}, PRIMARY KEY (board, period, start_ms, version)) WITHOUT ROWID;
CREATE TABLE pv ({_PV}, PRIMARY KEY (period, start_ms)) WITHOUT ROWID;
CREATE TABLE pv_old ({_PV}, PRIMARY KEY (period, start_ms, version)) WITHOUT ROWID;
CREATE TABLE finding (id TEXT PRIMARY KEY, cause TEXT NOT NULL, subject TEXT NOT NULL, at_ms INTEGER NOT NULL,
 text TEXT NOT NULL, remedy TEXT NOT NULL, points TEXT NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
 state TEXT NOT NULL, closed_ms INTEGER) WITHOUT ROWID;
CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
"""
VERSION_5 = CORRECTIONS + ISSUED + RECORDS
# A new store goes the same way as an old one: version 1, then every step in turn. A step is never changed once it is out.
_STEPS = {1: _SCHEMA, 2: VERSION_2, 3: VERSION_3, 4: VERSION_4, 5: VERSION_5, 6: READS}


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Set what we rely on, and create or check the schema."""
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")  # a committed reading survives a power cut: 4 ms a commit
    connection.execute("PRAGMA busy_timeout = 5000")
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"the store {path} has schema {version}, this version knows {SCHEMA_VERSION}; run the newer version"
        )
    for step in range(version + 1, SCHEMA_VERSION + 1):  # each step whole or not at all, also through a power cut
        connection.executescript(f"BEGIN IMMEDIATE; {_STEPS[step]} PRAGMA user_version = {step}; COMMIT;")
