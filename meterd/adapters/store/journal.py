"""The embedded store: SQLite with write-ahead log and full synchronisation, one writer guarded by a file lock."""

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from meterd.adapters.store.block_packing import BlockPacker
from meterd.adapters.store.change_feed import Outbox
from meterd.adapters.store.corrections import Corrections
from meterd.adapters.store.digest_writer import DigestWriter
from meterd.adapters.store.drift_statistics import DriftDays
from meterd.adapters.store.figure_packing import FigurePacker
from meterd.adapters.store.figure_rows import BALANCE, PV, balances_of, pv_of
from meterd.adapters.store.findings import FindingTables
from meterd.adapters.store.forecasts import Forecasts
from meterd.adapters.store.issued_documents import IssuedTable
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import AT_ONCE, JoinedReadings, one_moment
from meterd.adapters.store.lock import OPEN, is_ours, take_lock
from meterd.adapters.store.maintenance_log import Records
from meterd.adapters.store.reading_connection import connect_to_read, reason
from meterd.adapters.store.reconciled_flows import ReconciledFlows, pack_some, waits
from meterd.adapters.store.schema import connection_of
from meterd.adapters.store.versioned_tables import Entry, VersionedTables
from meterd.core.energy.completeness import StoredEnergies
from meterd.core.energy.rollup import Columns
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period
from meterd.core.model.reading import Reading
from meterd.core.model.results import Anchor, BalanceRow, Channel, FigureRow, KnownSum, Largest, PvRow, Version
from meterd.core.registers.figure_columns import FigureColumns
from meterd.core.registers.register_line import Ints

Floats = NDArray[np.float64]
DEVICE_TIME, OLD = 1, 2


Failure = sqlite3.Error  # what the database says inside a transaction, which makes a StoreError of it
# a value that no database could hold, and not a database that cannot write: trying again changes nothing
UNFIT = (
    sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.DataError, sqlite3.IntegrityError, OverflowError, ValueError,
    TypeError,
)  # fmt: skip

UPSERT = "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value WHERE value <> excluded.value"
ONE_BY_ONE = 8  # readings below which a savepoint is not worth its two statements


class SqliteStore:
    """A store in one file. Open it with `writer` (takes the lock) or `reader` (any number, also while a daemon runs)."""

    def __init__(self, connection: sqlite3.Connection, lock: int | None) -> None:
        self._lock = lock
        self._use(connection)

    def _use(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._ids: dict[Channel, int] = _channels(connection)
        self.digest_writer = DigestWriter(connection)
        self.outbox = Outbox(connection)
        self.flows = ReconciledFlows(connection)
        self.readings = JoinedReadings(connection)
        self.packer = BlockPacker(connection, self.digest_writer, self.outbox)
        self.figures = JoinedFigures(connection)
        self.figure_packer = FigurePacker(connection, self.digest_writer, self.outbox)
        self._versioned = VersionedTables(
            connection, self.digest_writer, self.outbox, flows=self.flows, packer=self.figure_packer
        )
        self.finding_tables = FindingTables(connection)
        self.drift_days = DriftDays(connection)
        self.corrections = Corrections(connection)
        self.issued = IssuedTable(connection)
        self.forecasts = Forecasts(connection)
        self.records = Records(connection)

    @classmethod
    def writer(cls, path: Path) -> "SqliteStore":
        """The one writing store of a file, created if it does not exist.

        Raises StoreError if another process has it, if the file is not a store, or if it was written by a newer version.
        """
        with ExitStack() as undo:
            lock = take_lock(path)
            undo.callback(os.close, lock)
            connection = connection_of(path)
            undo.callback(connection.close)
            try:
                store = cls(connection, lock)
                store.begin_digests()
            except sqlite3.Error as exc:
                raise StoreError(f"cannot open the store {path}: {exc}; move the file away to begin a new one") from exc
            os.write(lock, OPEN)
            undo.pop_all()
            return store

    @classmethod
    def reader(cls, path: Path) -> "SqliteStore":
        """A reading store; StoreError if there is none."""
        with ExitStack() as undo:
            connection = connect_to_read(path)
            undo.callback(connection.close)
            try:
                store = cls(connection, None)
            except (sqlite3.Error, UnicodeDecodeError) as exc:
                raise StoreError(f"cannot read the store {path}: {reason(exc)}") from exc
            undo.pop_all()
            return store

    def open_anew(self, path: Path) -> None:
        """Go on in the file that is at the place of the store now. StoreError where that cannot be.

        What was taken from this store before, such as its tables of findings, is closed and must be taken again.
        """
        assert self._lock is not None, "only who writes has a file of its own"
        self._db.close()
        if not is_ours(path, self._lock):
            held, self._lock = self._lock, None
            os.close(held)
            self._lock = take_lock(path)
            os.write(self._lock, OPEN)
        self._use(connection_of(path))
        self.begin_digests()

    def close(self) -> None:
        """End; nothing accepted is lost."""
        if self._lock is not None:
            with suppress(StoreError), self.transaction():  # what lacks digests gets them with the next start
                self.digest_writer.finish()
        self._db.close()
        if self._lock is not None:
            os.truncate(self._lock, 0)  # taken leave in order: no log of ours is to be expected
            os.close(self._lock)
            self._lock = None

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All writes inside are stored together or not at all; StoreError says why they were not."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self.digest_writer.catch_up()
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
        self.digest_writer.forget()
        self.flows.forget()
        self.packer.look_again()
        self.figure_packer.look_again()
        with suppress(sqlite3.Error):  # the first failure is the one to tell
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            self._ids = _channels(self._db)

    def begin_digests(self) -> None:
        """Digest what an earlier version left without, as far as it is short."""
        self.packer.begin()
        self.figure_packer.begin()
        with self.transaction():
            self.digest_writer.begin()

    def digest_step(self) -> bool:
        """One piece of what waits for its digests or to be packed; whether there was anything. StoreError if it is not kept."""
        try:
            digests = self.digest_writer.has_work()
            if not digests and not waits(self._db):
                return False
        except sqlite3.Error as exc:
            raise StoreError(f"cannot read the store: {exc}") from exc
        with self.transaction():
            if digests:
                self.digest_writer.step()
            elif pack_some(self._db, self.flows, self.digest_writer):
                self.digest_writer.link_anew()
        return True

    def forget_channels(self) -> None:
        """Read the numbers of the registers again, after names have changed."""
        self._ids = _channels(self._db)
        self.packer.take_numbers()
        self.figure_packer.take_numbers()

    @property
    def connection(self) -> sqlite3.Connection:
        """For the other files of this package."""
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
            (number((point, register)), at_ms, value, received_ms, DEVICE_TIME * device_time + OLD * old)
            for point, register, at_ms, value, received_ms, device_time, old in readings
        ]
        if packed := self.packer.repeats(rows):
            rows = [row for place, row in enumerate(rows) if place not in packed]
            readings = [reading for place, reading in enumerate(readings) if place not in packed]
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
        insert = (
            "INSERT OR IGNORE INTO reading (channel, at_ms, value, received_ms, marks)"
            f" VALUES ({number}, ?, ?, {received_ms}, {DEVICE_TIME})"
        )
        times, values = self.packer.new_ones(number, times, values)
        for low in range(0, len(times), AT_ONCE):
            at, shown = times[low : low + AT_ONCE], values[low : low + AT_ONCE]
            if self._db.executemany(insert, zip(at.tolist(), shown.tolist(), strict=True)).rowcount == len(at):
                self.digest_writer.history_added(number, at, shown, received_ms, DEVICE_TIME)

    def pack_step(self, before_ms: int, most: int) -> bool:
        """Pack about so many readings, or half as many figures, of days before a moment; whether there were any.

        StoreError if it is not kept.
        """
        try:
            readings = self.packer.has_work(before_ms)
            if not readings and not self.figure_packer.has_work(before_ms):
                return False
        except sqlite3.Error as exc:
            raise StoreError(f"cannot read the store: {exc}") from exc
        with self.transaction():
            if readings:
                self.packer.step(most)
            else:
                self.figure_packer.step(-(-most // 2))
        return True

    def history(self, channel: Channel, from_ms: int, until_ms: int = 2**62, *, most: int = -1) -> tuple[Ints, Ints]:
        """Times and shown milli-units of a cumulative register in [from, until), sorted by (time, value).

        With `most` only so many, the earliest.
        """
        return self.readings.history(self.channel_number(channel), from_ms, until_ms, most)

    def readings_between(self, channel: Channel, from_ms: int, until_ms: int, *, most: int) -> list[Reading]:
        """The first `most` readings of a register in [from, until), sorted by (time, value), with their arrival."""
        rows = self.readings.rows(self.channel_number(channel), from_ms, until_ms, most)
        return [
            Reading(*channel, at, value, got, bool(m & DEVICE_TIME), bool(m & OLD)) for _, at, value, got, m in rows
        ]

    def latest(self, channel: Channel) -> tuple[int, float] | None:
        """Time and value of the newest reading of any register."""
        return next(iter(self.newest(channel, 1)), None)

    def newest(self, channel: Channel, most: int) -> list[tuple[int, float]]:
        """Times and values of at most so many of the newest readings of any register, in order of time."""
        pairs = self.readings.newest(self.channel_number(channel), most)
        return [(int(at_ms), float(value)) for at_ms, value in pairs]

    def samples(self, channel: Channel, from_ms: int, until_ms: int) -> tuple[Ints, Floats]:
        """Times and values of an instantaneous register in [from, until), sorted; values in its base unit."""
        return self.readings.samples(self.channel_number(channel), from_ms, until_ms)

    def first_ms(self, channel: Channel) -> int | None:
        """Time of the oldest reading of a register."""
        ends = self.readings.ends(self.channel_number(channel))
        return None if ends is None else ends[0]

    def readings_around(self, channel: Channel, at_ms: int) -> tuple[int | None, int | None]:
        """Times of the newest reading of a register before a moment and of the first one from it on."""
        return self.readings.around(self.channel_number(channel), at_ms)

    def reading_count(self) -> int:
        """How many readings are in the journal."""
        return self.readings.count()

    # -- figures -------------------------------------------------------------------------------------------------------

    def anchor(self, channel: Channel, at_ms: int) -> tuple[int, Anchor] | None:
        """The newest interval that starts at or before the moment and has an anchor: its start and the anchor."""
        return self.figures.anchor(self.channel_number(channel), at_ms)

    def anchors(self, channel: Channel, from_ms: int, until_ms: int) -> dict[int, Anchor]:
        """Anchors of the intervals of a register that start in [from, until), by start."""
        return self.figures.anchors(self.channel_number(channel), from_ms, until_ms)

    def interval_starts(self, channel: Channel, low: int, high: int, period: Period = Period.INTERVAL) -> list[int]:
        """Starts of the intervals of a register, or of longer periods, in [low, high) that have a figure, in order."""
        return self.figures.starts(self.channel_number(channel), period, low, high)

    def write_figures(self, rows: Iterable[FigureRow], *, now_ms: int, reason: str) -> list[FigureRow]:
        """Keep figures; returns those that are new or differ from the newest version."""
        given = list(rows)
        entries = [
            Entry(
                (self._id(row.channel), str(row.period)),
                row.start_ms,
                (row.energy, int(row.flags)),
                (None, None, None) if (a := row.anchor) is None else (a.at_ms, a.raw, a.plateau_ms),
            )
            for row in given
        ]
        return [given[i] for i in self._versioned.write("figure", entries, (now_ms, reason))]

    def write_columns(self, figures: FigureColumns, *, now_ms: int, reason: str) -> int:
        """Keep figures of one register as `write_figures` does; how many are new or differ."""
        number, count = self._id(figures.channel), 0
        for low in range(0, len(figures), AT_ONCE):
            part = figures.part(low, low + AT_ONCE)
            if self._versioned.stands(number, part):
                count += len(self.write_figures(part.rows(), now_ms=now_ms, reason=reason))
            else:
                self._versioned.insert_figures(number, part, now_ms)
                count += len(part)
        return count

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures of T periods by n channels; missing where there is none."""
        return self.figures.columns([self.channel_number(channel) for channel in channels], period, starts)

    def known_sum(self, channel: Channel, from_ms: int, until_ms: int) -> KnownSum:
        """The interval figures of a register that are known in [from, until), added up."""
        return self.figures.known_sum(self.channel_number(channel), from_ms, until_ms)

    def largest(self, channel: Channel, from_ms: int, until_ms: int) -> Largest | None:
        """The largest interval figure of a register in [from, until), the first of equals; None where none is known."""
        return self.figures.largest(self.channel_number(channel), from_ms, until_ms)

    def stored_energies(self, channels: Sequence[Channel], from_ms: int, until_ms: int) -> list[StoredEnergies]:
        """How many interval figures of each register are known and estimated in [from, until), and their energies."""
        return [self.figures.stored_energies(self.channel_number(item), from_ms, until_ms) for item in channels]

    def span(self, period: Period) -> tuple[int, int] | None:
        """Start of the first and of the last figure of that kind, or None."""
        return self.figures.span(period)

    def versions(self, channel: Channel, period: Period, start_ms: int) -> list[Version]:
        """All versions of one figure, oldest first."""
        what = "version, energy, flags, written_ms, reason"
        ask = f"SELECT {what} FROM figure_old WHERE channel = ? AND period = ? AND start_ms = ?"
        number = self.channel_number(channel)
        with one_moment(self._db):
            rows = self._db.execute(ask, (number, period, start_ms)).fetchall()
            standing = self.figures.rows(number, period, start_ms, start_ms + 1)
        rows += [
            (version, energy, flags, written_ms, reason)
            for _, version, energy, flags, *_, written_ms, reason in standing
        ]
        return [Version(*row) for row in sorted(rows, key=lambda row: int(row[0]))]

    # -- balances and PV -----------------------------------------------------------------------------------------------

    def write_balances(self, rows: Iterable[BalanceRow], *, now_ms: int, reason: str) -> None:
        """Keep balances, versioned like figures."""
        given = list(rows)
        entries = [
            Entry(
                (r.board, str(r.period)),
                r.start_ms,
                (
                    r.end_ms, r.feed, r.outgoing, r.residual, r.band, str(r.verdict), int(r.estimated), json.dumps(r.missing),
                    json.dumps(r.uncovered), r.covered, r.of, flows,
                ),
            )
            for r, flows in zip(given, self.flows.pack([r.reconciled for r in given]), strict=True)
        ]  # fmt: skip
        self._versioned.write("balance", entries, (now_ms, reason))

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Newest balances of a board that start in [from, until)."""
        rows = self._db.execute(
            f"SELECT start_ms, {BALANCE} FROM balance"
            " WHERE board = ? AND period = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms",
            (board, period, from_ms, until_ms),
        )
        return balances_of(board, period, rows, self.flows.unpack)

    def write_pv(self, rows: Iterable[PvRow], *, now_ms: int, reason: str) -> None:
        """Keep PV figures, versioned like figures."""
        entries = [
            Entry(
                (str(r.period),),
                r.start_ms,
                (r.end_ms, r.production, r.grid_import, r.grid_export, r.self_use, r.consumption, int(r.estimated)),
            )
            for r in rows
        ]
        self._versioned.write("pv", entries, (now_ms, reason))

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """Newest PV figures that start in [from, until)."""
        rows = self._db.execute(
            f"SELECT start_ms, {PV} FROM pv WHERE period = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms",
            (period, from_ms, until_ms),
        )
        return pv_of(period, rows)

    # -- facts ---------------------------------------------------------------------------------------------------------

    def fact(self, name: str) -> str | None:
        """A named fact of the daemon (how far periods are closed, which plan was running)."""
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def set_fact(self, name: str, value: str) -> None:
        """Keep a named fact."""
        self._db.execute(UPSERT, (name, value))

    def forget_fact(self, name: str) -> None:
        """Remove a named fact without a trace."""
        self._db.execute("DELETE FROM fact WHERE name = ?", (name,))
        self._db.execute("DELETE FROM digest WHERE kind = 'fact' AND subject = ? AND count = 0", (name,))


def _channels(connection: sqlite3.Connection) -> dict[Channel, int]:
    return {(point, register): number for number, point, register in connection.execute("SELECT * FROM channel")}
