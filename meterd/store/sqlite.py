"""The embedded store: SQLite with write-ahead log and full synchronisation, one writer guarded by a file lock."""

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meterd.completeness import Kept
from meterd.errors import StoreError
from meterd.figure import BalanceRow, Channel, FigureRow, PvRow, Version
from meterd.finding import FindingRow
from meterd.interval import Period
from meterd.knots import Anchor, Ints
from meterd.reading import Reading
from meterd.rollup import Columns
from meterd.store.corrections import Corrections
from meterd.store.drift_days import DriftDays
from meterd.store.findings import FindingTables
from meterd.store.issued import IssuedTable
from meterd.store.lock import take_lock
from meterd.store.outbox import Outbox
from meterd.store.records import Records
from meterd.store.schema import prepare

Floats = NDArray[np.float64]
DEVICE_TIME, OLD = 1, 2


@dataclass(frozen=True, slots=True)
class Entry:
    """One row to be kept under its series and start: what makes a version, and what is only kept up to date."""

    series: tuple[object, ...]
    start_ms: int
    values: tuple[object, ...]
    extra: tuple[object, ...] = ()

    @property
    def key(self) -> tuple[object, ...]:
        """Values of the key columns."""
        return (*self.series, self.start_ms)


Failure = sqlite3.Error  # what the database says inside a transaction, which makes a StoreError of it
# a value that no database could hold, and not a database that cannot write: trying again changes nothing
UNFIT = (
    sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.DataError, sqlite3.IntegrityError, OverflowError, ValueError,
    TypeError,
)  # fmt: skip

ONE_BY_ONE = 8  # readings below which a savepoint is not worth its two statements


class SqliteStore:
    """A store in one file. Open it with `writer` (takes the lock) or `reader` (any number, also while a daemon runs)."""

    def __init__(self, connection: sqlite3.Connection, lock: int | None) -> None:
        self._db = connection
        self._lock = lock
        self._ids: dict[Channel, int] = _channels(connection)
        self.outbox = Outbox(connection)
        self.finding_tables = FindingTables(connection)
        self.drift_days = DriftDays(connection)
        self.corrections = Corrections(connection)
        self.issued = IssuedTable(connection)
        self.records = Records(connection)

    @classmethod
    def writer(cls, path: Path) -> "SqliteStore":
        """The one writing store of a file, created if it does not exist.

        Raises StoreError if another process has it, if the file is not a store, or if it was written by a newer version.
        """
        with ExitStack() as undo:
            lock = take_lock(path)
            undo.callback(os.close, lock)
            try:
                connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
                undo.callback(connection.close)
                prepare(connection, path)
                store = cls(connection, lock)
            except sqlite3.Error as exc:
                raise StoreError(f"cannot open the store {path}: {exc}; move the file away to begin a new one") from exc
            undo.pop_all()
            return store

    @classmethod
    def reader(cls, path: Path) -> "SqliteStore":
        """A reading store; StoreError if there is none."""
        if not path.exists():
            raise StoreError(f"there is no store at {path}; has the daemon or a replay written one yet?")
        with ExitStack() as undo:
            try:
                connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
                undo.callback(connection.close)
                store = cls(connection, None)
            except sqlite3.Error as exc:
                raise StoreError(f"cannot read the store {path}: {exc}") from exc
            undo.pop_all()
            return store

    def close(self) -> None:
        """End; nothing accepted is lost."""
        self._db.close()
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All writes inside are kept together or not at all; StoreError says why they were not."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")
        except UNFIT:
            self._roll_back()
            raise
        except sqlite3.Error as exc:
            self._roll_back()
            raise StoreError(f"cannot write to the store: {exc}") from exc
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        self._ids = {}  # a number given inside the transaction may be gone
        with suppress(sqlite3.Error):  # the first failure is the one to tell
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            self._ids = _channels(self._db)

    def forget_channels(self) -> None:
        """Read the numbers of the registers again, after names have changed."""
        self._ids = _channels(self._db)

    @property
    def connection(self) -> sqlite3.Connection:
        """For the other files of this room."""
        return self._db

    def channels(self) -> list[Channel]:
        """Every register that has readings or figures."""
        return sorted(_channels(self._db))

    def channel_number(self, channel: Channel) -> int:
        """The number of a register in the tables, -1 if it has none."""
        return self._ids.get(channel, -1)

    # -- readings ------------------------------------------------------------------------------------------------------

    def _id(self, channel: Channel) -> int:
        number = self._ids.get(channel)
        if number is None:
            # one row, not the whole table: on the first day 2,000 registers are new one after the other
            row = self._db.execute("SELECT id FROM channel WHERE point = ? AND register = ?", channel).fetchone()
            if row is not None:
                number = self._ids[channel] = int(row[0])
        if number is None:
            cursor = self._db.execute("INSERT INTO channel (point, register) VALUES (?, ?)", channel)
            assert cursor.lastrowid is not None, "an inserted row has an id"
            number = self._ids[channel] = cursor.lastrowid
        return number

    def add_readings(self, readings: Sequence[Reading]) -> list[Reading]:
        """Keep readings; returns those that were new. Repeats (same point, register, time and value) change nothing."""
        insert = "INSERT OR IGNORE INTO reading (channel, at_ms, value, received_ms, marks) VALUES (?, ?, ?, ?, ?)"
        number = self._id
        rows = [
            (number((r.point, r.register)), r.at_ms, r.value, r.received_ms, DEVICE_TIME * r.device_time + OLD * r.old)
            for r in readings
        ]
        if len(rows) < ONE_BY_ONE:
            return [r for r, row in zip(readings, rows, strict=True) if self._db.execute(insert, row).rowcount]
        # all at once takes half the time; only where repeats are among them must each be asked whether it was one
        self._db.execute("SAVEPOINT many")
        if self._db.executemany(insert, rows).rowcount < len(rows):
            self._db.execute("ROLLBACK TO many")
            new = [r for r, row in zip(readings, rows, strict=True) if self._db.execute(insert, row).rowcount]
        else:
            new = list(readings)
        self._db.execute("RELEASE many")
        return new

    def add_history(self, channel: Channel, times: Ints, values: Ints, received_ms: int) -> None:
        """Keep many readings of one cumulative register with their own times."""
        number = self._id(channel)
        self._db.executemany(
            "INSERT OR IGNORE INTO reading (channel, at_ms, value, received_ms, marks) VALUES (?, ?, ?, ?, ?)",
            ((number, t, v, received_ms, DEVICE_TIME) for t, v in zip(times.tolist(), values.tolist(), strict=True)),
        )

    def history(self, channel: Channel, from_ms: int, until_ms: int = 2**62) -> tuple[Ints, Ints]:
        """Times and shown milli-units of a cumulative register in [from, until), sorted by (time, value)."""
        rows = self._db.execute(
            "SELECT at_ms, value FROM reading WHERE channel = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms, value",
            (self._ids.get(channel, -1), from_ms, until_ms),
        ).fetchall()
        table = np.array(rows, dtype=np.int64).reshape(-1, 2)
        return table[:, 0].copy(), table[:, 1].copy()

    def readings_between(self, channel: Channel, from_ms: int, until_ms: int, *, most: int) -> list[Reading]:
        """The first `most` readings of a register in [from, until), sorted by (time, value), with their arrival."""
        rows = self._db.execute(
            "SELECT at_ms, value, received_ms, marks FROM reading WHERE channel = ? AND at_ms >= ? AND at_ms < ?"
            " ORDER BY at_ms, value LIMIT ?",
            (self._ids.get(channel, -1), from_ms, until_ms, most),
        )
        return [Reading(*channel, at, value, got, bool(m & DEVICE_TIME), bool(m & OLD)) for at, value, got, m in rows]

    def latest(self, channel: Channel) -> tuple[int, float] | None:
        """Time and value of the newest reading of any register."""
        row = self._db.execute(
            "SELECT at_ms, value FROM reading WHERE channel = ? ORDER BY at_ms DESC, value DESC LIMIT 1",
            (self._ids.get(channel, -1),),
        ).fetchone()
        return None if row is None else (int(row[0]), float(row[1]))

    def samples(self, channel: Channel, from_ms: int, until_ms: int) -> tuple[Ints, Floats]:
        """Times and values of an instantaneous register in [from, until), sorted; values in its base unit."""
        rows = self._db.execute(
            "SELECT at_ms, value FROM reading WHERE channel = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms, value",
            (self._ids.get(channel, -1), from_ms, until_ms),
        ).fetchall()
        return np.array([row[0] for row in rows], dtype=np.int64), np.array([row[1] for row in rows], dtype=np.float64)

    def first_ms(self, channel: Channel) -> int | None:
        """Time of the oldest reading of a register."""
        ask = "SELECT MIN(at_ms) FROM reading WHERE channel = ?"
        row = self._db.execute(ask, (self._ids.get(channel, -1),)).fetchone()
        return None if row[0] is None else int(row[0])

    def reading_count(self) -> int:
        """How many readings are in the journal."""
        return int(self._db.execute("SELECT COUNT(*) FROM reading").fetchone()[0])

    # -- figures -------------------------------------------------------------------------------------------------------

    def anchor(self, channel: Channel, at_ms: int) -> tuple[int, Anchor] | None:
        """The newest interval that starts at or before the moment and has an anchor: its start and the anchor."""
        row = self._db.execute(
            "SELECT start_ms, anchor_ms, anchor_raw, anchor_plateau FROM figure WHERE channel = ? AND period = ?"
            " AND start_ms <= ? AND anchor_ms IS NOT NULL ORDER BY start_ms DESC LIMIT 1",
            (self._ids.get(channel, -1), Period.INTERVAL, at_ms),
        ).fetchone()
        return None if row is None else (int(row[0]), Anchor(int(row[1]), int(row[2]), int(row[3])))

    def write_figures(self, rows: Iterable[FigureRow], *, now_ms: int, reason: str) -> list[FigureRow]:
        """Keep figures; returns those that are new or differ from the newest version."""
        given = list(rows)
        entries = [
            Entry(
                (self._id(row.channel), row.period),
                row.start_ms,
                (row.energy, row.flags),
                (None, None, None) if (a := row.anchor) is None else (a.at_ms, a.raw, a.plateau_ms),
            )
            for row in given
        ]
        changed = self._write_versioned("figure", entries, (now_ms, reason))
        return [given[i] for i in changed]

    _KEYS = {  # noqa: RUF012 - a constant table: key columns, compared columns, columns kept up to date without a version
        "figure": (("channel", "period", "start_ms"), ("energy", "flags"), ("anchor_ms", "anchor_raw", "anchor_plateau")),
        "balance": (
            ("board", "period", "start_ms"),
            (
                "end_ms", "feed", "outgoing", "residual", "band", "verdict", "estimated", "missing", "uncovered",
                "covered", "of", "reconciled",
            ),
            (),
        ),
        "pv": (
            ("period", "start_ms"),
            ("end_ms", "production", "grid_import", "grid_export", "self_use", "consumption", "estimated"),
            (),
        ),
    }  # fmt: skip

    def _write_versioned(self, table: str, entries: Sequence[Entry], mark: tuple[int, str]) -> list[int]:
        """Insert, or keep the old version aside and replace it; returns which entries differ from what stood there.

        What stands there is read once for all starts of a series, and new rows are inserted together: twenty times
        faster for a year than row by row.
        """
        keys, compared, also = self._KEYS[table]
        columns = (*keys, "version", *compared, *also, "written_ms", "reason")
        insert = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
        series: dict[tuple[object, ...], list[int]] = {}
        for i, entry in enumerate(entries):
            series.setdefault(entry.series, []).append(i)
        changed: list[int] = []
        for prefix, places in series.items():
            known = self._standing(table, prefix, [entries[i].start_ms for i in places])
            fresh: dict[int, tuple[object, ...]] = {}
            for i in places:
                entry = entries[i]
                if entry.start_ms in fresh:  # twice in one call: the second is a version of the first
                    first = fresh.pop(entry.start_ms)
                    self._db.execute(insert, first)
                    known[entry.start_ms] = first[len(keys) : -2]
                old = known.get(entry.start_ms)
                if old is None:
                    fresh[entry.start_ms] = (*prefix, entry.start_ms, 1, *entry.values, *entry.extra, mark[0], "closed")
                    changed.append(i)
                elif self._replace(table, entry, old, mark):
                    known[entry.start_ms] = (old[0] + 1, *entry.values, *entry.extra)
                    changed.append(i)
            self._db.executemany(insert, fresh.values())
        self.outbox.note(table, (entries[i].key for i in sorted(changed)))
        return sorted(changed)

    def _standing(self, table: str, prefix: tuple[object, ...], starts: Sequence[int]) -> dict[int, tuple[Any, ...]]:
        """Newest rows of a series by their start: version, compared columns, further columns."""
        keys, compared, also = self._KEYS[table]
        where = " AND ".join(f"{k} = ?" for k in keys[:-1])
        rows = self._db.execute(
            f"SELECT start_ms, version, {', '.join(compared + also)} FROM {table}"
            f" WHERE {where} AND start_ms BETWEEN ? AND ?",
            (*prefix, min(starts), max(starts)),
        )
        return {row[0]: row[1:] for row in rows}

    def _replace(self, table: str, entry: Entry, old: tuple[Any, ...], mark: tuple[int, str]) -> bool:
        """A new version if the values differ; whether they do. Further columns follow without a version."""
        keys, compared, also = self._KEYS[table]
        where = " AND ".join(f"{k} = ?" for k in keys)
        if old[1 : 1 + len(compared)] != entry.values:
            self._db.execute(f"INSERT INTO {table}_old SELECT * FROM {table} WHERE {where}", entry.key)
            change = ("version", *compared, *also, "written_ms", "reason")
            self._db.execute(
                f"UPDATE {table} SET {', '.join(f'{c} = ?' for c in change)} WHERE {where}",
                (old[0] + 1, *entry.values, *entry.extra, *mark, *entry.key),
            )
            return True
        if also and old[1 + len(compared) :] != entry.extra:
            self._db.execute(
                f"UPDATE {table} SET {', '.join(f'{c} = ?' for c in also)} WHERE {where}", (*entry.extra, *entry.key)
            )
        return False

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures of T periods by n channels; missing where there is none."""
        energy = np.zeros((len(starts), len(channels)), dtype=np.int64)
        present = np.zeros_like(energy, dtype=np.bool_)
        flags = np.zeros_like(energy, dtype=np.uint8)
        if not len(starts):
            return Columns(energy, present, flags)
        for j, channel in enumerate(channels):
            rows = self._db.execute(
                "SELECT start_ms, energy, flags FROM figure WHERE channel = ? AND period = ? AND start_ms BETWEEN ? AND ?"
                " AND energy IS NOT NULL",
                (self._ids.get(channel, -1), period, int(starts[0]), int(starts[-1])),
            ).fetchall()
            if not rows:
                continue
            table = np.array(rows, dtype=np.int64)
            place = np.clip(np.searchsorted(starts, table[:, 0]), 0, len(starts) - 1)
            hit = starts[place] == table[:, 0]
            energy[place[hit], j] = table[hit, 1]
            present[place[hit], j] = True
            flags[place[hit], j] = table[hit, 2]
        return Columns(energy, present, flags)

    def kept(self, channels: Sequence[Channel], from_ms: int, until_ms: int) -> list[Kept]:
        """How many interval figures of each register are known and estimated in [from, until), and their energies."""
        rows = (
            self._db.execute(
                "SELECT COUNT(*), SUM(flags <> 0), SUM(energy), SUM(energy * (flags <> 0)) FROM figure WHERE channel = ?"
                " AND period = ? AND start_ms >= ? AND start_ms < ? AND energy IS NOT NULL",
                (self._ids.get(channel, -1), Period.INTERVAL, from_ms, until_ms),
            ).fetchone()
            for channel in channels
        )
        return [Kept(*(int(value or 0) for value in row)) for row in rows]

    def span(self, period: Period) -> tuple[int, int] | None:
        """Start of the first and of the last figure of that kind, or None."""
        # register by register by the key: of a year of 80 registers one look at all rows takes half a second
        first, last = (
            f"(SELECT {end}(start_ms) FROM figure WHERE channel = channel.id AND period = :period)"
            for end in ("MIN", "MAX")
        )
        low, high = self._db.execute(
            f"SELECT MIN(low), MAX(high) FROM (SELECT {first} AS low, {last} AS high FROM channel)", {"period": period}
        ).fetchone()
        return None if low is None else (int(low), int(high))

    def versions(self, channel: Channel, period: Period, start_ms: int) -> list[Version]:
        """All versions of one figure, oldest first."""
        what = "version, energy, flags, written_ms, reason"
        where = "channel = ? AND period = ? AND start_ms = ?"
        rows = self._db.execute(
            f"SELECT {what} FROM figure_old WHERE {where} UNION ALL SELECT {what} FROM figure WHERE {where} ORDER BY version",
            (*(key := (self._ids.get(channel, -1), period, start_ms)), *key),
        )
        return [Version(*row) for row in rows]

    # -- balances and PV -----------------------------------------------------------------------------------------------

    def write_balances(self, rows: Iterable[BalanceRow], *, now_ms: int, reason: str) -> None:
        """Keep balances, versioned like figures."""
        entries = [
            Entry(
                (r.board, r.period),
                r.start_ms,
                (
                    r.end_ms, r.feed, r.outgoing, r.residual, r.band, r.verdict, int(r.estimated), json.dumps(r.missing),
                    json.dumps(r.uncovered), r.covered, r.of, json.dumps(r.reconciled, separators=(",", ":")),
                ),
            )
            for r in rows
        ]  # fmt: skip
        self._write_versioned("balance", entries, (now_ms, reason))

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Newest balances of a board that start in [from, until)."""
        rows = self._db.execute(
            "SELECT start_ms, end_ms, feed, outgoing, residual, band, verdict, estimated, missing, uncovered, covered, of,"
            " reconciled FROM balance WHERE board = ? AND period = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms",
            (board, period, from_ms, until_ms),
        )
        return [
            BalanceRow(
                board, period, start, end, feed, outgoing, residual, band, verdict, bool(estimated),
                tuple(json.loads(missing)), tuple(json.loads(uncovered)), covered, of,
                tuple((name, mwh) for name, mwh in json.loads(reconciled)),
            )
            for start, end, feed, outgoing, residual, band, verdict, estimated, missing, uncovered, covered, of, reconciled
            in rows
        ]  # fmt: skip

    def write_pv(self, rows: Iterable[PvRow], *, now_ms: int, reason: str) -> None:
        """Keep PV figures, versioned like figures."""
        entries = [
            Entry(
                (r.period,),
                r.start_ms,
                (r.end_ms, r.production, r.grid_import, r.grid_export, r.self_use, r.consumption, int(r.estimated)),
            )
            for r in rows
        ]
        self._write_versioned("pv", entries, (now_ms, reason))

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """Newest PV figures that start in [from, until)."""
        rows = self._db.execute(
            "SELECT start_ms, end_ms, production, grid_import, grid_export, self_use, consumption, estimated FROM pv"
            " WHERE period = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms",
            (period, from_ms, until_ms),
        )
        return [PvRow(period, s, e, p, gi, ge, su, c, bool(est)) for s, e, p, gi, ge, su, c, est in rows]

    # -- findings and facts --------------------------------------------------------------------------------------------

    def write_finding(self, row: FindingRow) -> None:
        """Keep the newest life of a finding under its id."""
        self.finding_tables.write(row)

    def findings(self) -> list[FindingRow]:
        """The newest life of every finding ever, newest first."""
        return self.finding_tables.all()

    def fact(self, name: str) -> str | None:
        """A named fact of the daemon (how far periods are closed, which plan was running)."""
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def set_fact(self, name: str, value: str) -> None:
        """Keep a named fact."""
        self._db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?)", (name, value))


def _channels(connection: sqlite3.Connection) -> dict[Channel, int]:
    return {(point, register): number for number, point, register in connection.execute("SELECT * FROM channel")}
