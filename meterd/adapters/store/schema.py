"""The tables of the embedded store, version by version."""

import sqlite3
from contextlib import ExitStack, closing
from pathlib import Path

from meterd.adapters.store.change_feed import VERSION_3
from meterd.adapters.store.corrections import CORRECTIONS, READS
from meterd.adapters.store.digests import VERSION_7, VERSION_8, keep_digests
from meterd.adapters.store.drift_statistics import VERSION_4
from meterd.adapters.store.figure_blocks import VERSION_12
from meterd.adapters.store.findings import VERSION_2
from meterd.adapters.store.forecasts import FORECASTS
from meterd.adapters.store.issued_documents import ISSUED
from meterd.adapters.store.maintenance_log import RECORDS
from meterd.adapters.store.reading_blocks import VERSION_11
from meterd.adapters.store.reading_connection import NO_STORE_YET, SCHEMA_VERSION, refuse_newer
from meterd.adapters.store.reading_digests import reading_hash
from meterd.adapters.store.reconciled_flows import VERSION_10
from meterd.core.errors import StoreError

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
_STEPS = {1: _SCHEMA, 2: VERSION_2, 3: VERSION_3, 4: VERSION_4, 5: VERSION_5, 6: READS, 7: VERSION_7, 8: VERSION_8,
          9: FORECASTS, 10: VERSION_10, 11: VERSION_11, 12: VERSION_12}  # fmt: skip


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Set what we rely on, and create or check the schema."""
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")  # a committed reading survives a power cut: 4 ms a commit
    connection.execute("PRAGMA busy_timeout = 5000")
    version = refuse_newer(connection, path)
    if version == NO_STORE_YET:  # all tables at once: who reads meanwhile finds all of them or none
        _add(connection, "".join(_STEPS.values()), SCHEMA_VERSION)
    else:
        for step in range(version + 1, SCHEMA_VERSION + 1):
            _add(connection, _STEPS[step], step)
    keep_digests(connection, reading_hash)


def _add(connection: sqlite3.Connection, tables: str, version: int) -> None:
    """Whole or not at all, also through a power cut."""
    connection.executescript(f"BEGIN IMMEDIATE; {tables} PRAGMA user_version = {version}; COMMIT;")


def connection_of(path: Path) -> sqlite3.Connection:
    """A connection that writes, with the schema of this version. StoreError where there can be none."""
    with ExitStack() as undo:
        try:
            connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            undo.callback(connection.close)
            prepare(connection, path)
        except sqlite3.Error as exc:
            raise StoreError(f"cannot open the store {path}: {exc}; move the file away to begin a new one") from exc
        undo.pop_all()
        return connection


def tables_of(version: int) -> set[str]:
    """Which tables a store of a version has."""
    return {name for kind, name, *_ in described(version) if kind == "table"}


def described(version: int) -> list[tuple[str, str, str, int, str | None]]:
    """How a new store of a version describes its tables and indexes: kind, name, table, first page, words."""
    with closing(_new_store(version)) as memory:
        return memory.execute("SELECT type, name, tbl_name, rootpage, sql FROM sqlite_schema").fetchall()


def differently_described(connection: sqlite3.Connection, version: int) -> list[str]:
    """Tables whose columns or indexes are not those of their version, whatever their description is worded like."""
    with closing(_new_store(version)) as memory:
        return [table for table in sorted(tables_of(version)) if _parts(connection, table) != _parts(memory, table)]


def _parts(connection: sqlite3.Connection, table: str) -> list[tuple[object, ...]]:
    """Columns, indexes and their columns; the number of an index in its list is left out."""
    columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
    results: list[tuple[object, ...]] = [tuple(row) for row in columns]
    for _, name, *rest in sorted(connection.execute(f"PRAGMA index_list({table})"), key=lambda row: str(row[1])):
        results += [(name, *rest), *connection.execute(f"PRAGMA index_info({name})")]
    return results


def _new_store(version: int) -> sqlite3.Connection:
    memory = sqlite3.connect(":memory:", isolation_level=None)
    for step in range(1, version + 1):
        memory.executescript(_STEPS[step])
    return memory
