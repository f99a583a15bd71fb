"""Rows of a store month by month, for the archive: as they are stored, with names in the place of numbers, and back again.

A figure belongs to the month in which it ends, so that a closed month has all of its weeks and of its year. What has no time
(corrections, records, issued documents, findings, facts) is the `state` of the site, rows as JSON objects.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from itertools import islice
from pathlib import Path

from meterd.adapters.store.digests import FIGURE
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings, added_up
from meterd.adapters.store.reading_connection import reason, refuse_newer
from meterd.adapters.store.reconciled_flows import ReconciledFlows
from meterd.adapters.store.schema import connection_of
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period
from meterd.core.model.results import Channel

Row = tuple[object, ...]
Spans = Mapping[Period, tuple[int, int]]  # starts of the figures of a month, by period, end exclusive

READINGS, STATE = "readings", "state"
_FIGURE = ("energy", "flags", "anchor_ms", "anchor_raw", "anchor_plateau", "version", "written_ms", "reason")
_BALANCE = (
    "end_ms", "board", "feed", "outgoing", "residual", "band", "verdict", "estimated", "missing", "uncovered", "covered",
    "of", "reconciled", "version", "written_ms", "reason",
)  # fmt: skip
_PV = (
    "end_ms", "production", "grid_import", "grid_export", "self_use", "consumption", "estimated", "version", "written_ms",
    "reason",
)  # fmt: skip
# archive table -> table of the store, what it holds behind period and start
FIGURES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "energy": (FIGURE, _FIGURE),
    "energy_old": ("figure_old", _FIGURE),
    "balance": ("balance", _BALANCE),
    "balance_old": ("balance_old", _BALANCE),
    "pv": ("pv", _PV),
    "pv_old": ("pv_old", _PV),
}
# notifications, notes of a database of lines and days of the drift watch are renewed by themselves
_STATES = ("correction", "record", "issued", "finding", "finding_old", "finding_note", "suppression", "fact")
# of the daemon that ran, not of the site: what it was busy with, and its numbers on the broker
_NOT_KEPT = ("epoch", "sequence", "life", "unsettled_from_ms", "correcting")
CLOSED_TO, FLOWS = "closed_to_ms", "reconciled"
AT_ONCE = 20_000


class MonthRows:
    """One moment of a store: what the daemon writes meanwhile is not in it."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            raise StoreError(f"there is no store at {path}; has the daemon or a replay written one yet?")
        try:
            self._db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
            self._db.execute("BEGIN")
            self.schema = refuse_newer(self._db, path)
            rows = self._db.execute("SELECT id, point, register FROM channel ORDER BY point, register").fetchall()
        except (sqlite3.Error, UnicodeDecodeError) as exc:
            raise StoreError(f"cannot read the store {path}: {reason(exc)}") from exc
        self.connection = self._db
        self._flows = ReconciledFlows(self._db)
        self._own_readings = JoinedReadings(self._db)
        self._own_figures = JoinedFigures(self._db)
        self._channels: dict[Channel, int] = {(point, register): number for number, point, register in rows}

    def close(self) -> None:
        """End the moment."""
        self._db.close()

    def fact(self, name: str) -> str | None:
        """A kept text."""
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def first_ms(self) -> int | None:
        """Time of the first reading or interval figure; None of an empty store."""
        ends: list[int] = []
        for number in self._channels.values():
            ends += self._own_figures.ends(number, Period.INTERVAL) or ()
            ends += self._own_readings.ends(number) or ()
        return min(ends, default=None)

    # -- rows ----------------------------------------------------------------------------------------------------------

    def rows(self, table: str, spans: Spans) -> Iterator[Row]:
        """Rows of one archive table that belong to a month, in a fixed order. StoreError if they cannot be read."""
        try:
            if table == READINGS:
                yield from self._readings(spans[Period.INTERVAL])
            elif table == STATE:
                yield from self._state()
            else:
                yield from self._figures(table, spans)
        except sqlite3.Error as exc:
            raise StoreError(f"cannot read the store: {exc}") from exc

    def _readings(self, span: tuple[int, int]) -> Iterator[Row]:
        for channel, number in self._channels.items():
            for _, at, value, received, marks in self._own_readings.in_turn(number, *span):
                yield (at, *channel, *((None, value) if isinstance(value, int) else (value, None)), received, marks)

    def _figures(self, table: str, spans: Spans) -> Iterator[Row]:
        own, columns = FIGURES[table]
        if own == FIGURE:
            yield from self._energies(spans)
            return
        what = f"SELECT start_ms, {', '.join(columns)} FROM {own} WHERE"
        for period, span in spans.items():
            for where, series, name in self._series(own, columns):
                rows: Iterable[Row] = self._db.execute(
                    f"{what} {where} period = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms, version",
                    (*series, period, *span),
                )
                if FLOWS in columns:
                    rows = self._flows.in_text(rows, 1 + columns.index(FLOWS))
                yield from ((str(period), row[0], *name, *row[1:]) for row in rows)

    def _energies(self, spans: Spans) -> Iterator[Row]:
        for period, span in spans.items():
            for channel, number in self._channels.items():
                for start, version, *values, written_ms, text in self._own_figures.in_turn(number, period, *span):
                    yield (str(period), start, *channel, *values, version, written_ms, text)

    def _series(self, own: str, columns: Sequence[str]) -> Iterator[tuple[str, Row, Row]]:
        """The series of a table of figures, by its key: where, its value, and its name if that is no column."""
        if "energy" in columns:
            yield from (("channel = ? AND", (number,), channel) for channel, number in self._channels.items())
        elif "board" in columns:
            boards = self._db.execute(f"SELECT DISTINCT board FROM {own} ORDER BY board").fetchall()
            yield from (("board = ? AND", board, ()) for board in boards)
        else:
            yield "", (), ()

    def _state(self) -> Iterator[Row]:
        for table in _STATES:
            columns = _columns(self._db, table)
            rows = self._db.execute(f"SELECT * FROM {table} ORDER BY 1, 2")
            for row in rows:
                values = dict(zip(columns, row, strict=True))
                if table != "fact" or not (values["name"] in _NOT_KEPT or str(values["name"]).startswith("job:")):
                    yield table, json.dumps(values, ensure_ascii=False, sort_keys=True)

    def fingerprint(self, table: str, spans: Spans) -> str:
        """A text that becomes another one when rows of the month come, go or change: from numbers, not from every value.

        Of readings number, sum of times and of values of each register; of figures number, versions, newest time of writing
        and sum of energies. The state of the site is compared whole.
        """
        digest = hashlib.sha256()
        for row in self._numbers(table, spans):
            digest.update(repr(row).encode())
        return digest.hexdigest()

    def _numbers(self, table: str, spans: Spans) -> Iterator[Row]:
        if table == STATE:
            yield from self._state()
            return
        if table == READINGS:
            for channel, number in self._channels.items():
                totals = self._own_readings.totals(number, *spans[Period.INTERVAL])
                if totals[0]:
                    yield *channel, *totals
            return
        own, columns = FIGURES[table]
        if own == FIGURE:
            yield from self._numbers_of_energies(spans)
            return
        value = next(name for name in ("energy", "residual", "production") if name in columns)
        ask = f"SELECT COUNT(*), TOTAL(version), MAX(written_ms), TOTAL({value}) FROM {own} WHERE"
        for where, series, name in self._series(own, columns):
            for period, span in spans.items():
                row = self._db.execute(
                    f"{ask} {where} period = ? AND start_ms >= ? AND start_ms < ?", (*series, period, *span)
                ).fetchone()
                if row[0]:
                    yield str(period), *(name or series), *row

    def _numbers_of_energies(self, spans: Spans) -> Iterator[Row]:
        for channel, number in self._channels.items():
            for period, span in spans.items():
                if rows := self._own_figures.rows(number, period, *span):
                    count, versions, energy = added_up([(row[1], row[2] or 0) for row in rows])
                    yield str(period), *channel, count, versions, max(row[-2] for row in rows), energy


# -- back into a store -------------------------------------------------------------------------------------------------


class Refill:
    """Fills a new store file with rows of an archive. Digests are made when it is opened: it has none so far."""

    def __init__(self, path: Path) -> None:
        if path.exists():
            raise StoreError(f"{path} is already there; a store is made anew only where none is")
        connection_of(path).close()
        self._path = path
        self._db = sqlite3.connect(path, isolation_level=None)
        self._db.execute("PRAGMA synchronous = OFF")  # a file that is not finished is thrown away
        self._ids: dict[Channel, int] = {}
        self._flows = ReconciledFlows(self._db)

    def close(self) -> None:
        """End."""
        self._db.close()

    def fill(self, table: str, rows: Iterable[Row]) -> int:
        """Insert rows of an archive table; returns how many. StoreError for what does not fit."""
        count, some = 0, iter(rows)
        try:
            while batch := list(islice(some, AT_ONCE)):
                self._db.execute("BEGIN")
                self._insert(table, batch)
                self._db.execute("COMMIT")
                count += len(batch)
        except (sqlite3.Error, ValueError, TypeError, KeyError) as exc:
            raise StoreError(f"the rows of {table} do not fit into a store: {exc}") from exc
        return count

    def finish(self, closed_to_ms: int) -> None:
        """What is not in any month: up to when figures are made."""
        with closing(self._db):
            self._db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?)", (CLOSED_TO, str(closed_to_ms)))

    def _insert(self, table: str, batch: Sequence[Row]) -> None:
        if table == READINGS:
            rows = [
                (self._id((str(p), str(r))), at, value if count is None else count, received, marks)
                for at, p, r, value, count, received, marks in batch
            ]
            insert = "INSERT INTO reading (channel, at_ms, value, received_ms, marks) VALUES (?, ?, ?, ?, ?)"
            self._db.executemany(insert, rows)
        elif table == STATE:
            for name, row in batch:
                self._insert_state(str(name), json.loads(str(row)))
        else:
            own, columns = FIGURES[table]
            if "energy" in columns:
                batch = [(period, start, self._id((str(p), str(r))), *rest) for period, start, p, r, *rest in batch]
                columns = ("channel", *columns)
            columns = ("period", "start_ms", *columns)
            if FLOWS in columns:
                batch = list(self._flows.repacked(batch, columns.index(FLOWS)))
            marks = ", ".join("?" * len(columns))
            self._db.executemany(f"INSERT INTO {own} ({', '.join(columns)}) VALUES ({marks})", batch)

    def _insert_state(self, table: str, values: Mapping[str, object]) -> None:
        if table not in _STATES or values.get("name") == CLOSED_TO:
            return  # of a later version; how far figures are closed follows from the months
        known = [name for name in _columns(self._db, table) if name in values]
        insert = f"INSERT INTO {table} ({', '.join(known)}) VALUES ({', '.join('?' * len(known))})"
        self._db.execute(insert, [values[name] for name in known])

    def _id(self, channel: Channel) -> int:
        if channel not in self._ids:
            cursor = self._db.execute("INSERT INTO channel (point, register) VALUES (?, ?)", channel)
            assert cursor.lastrowid is not None, "an inserted row has an id"
            self._ids[channel] = cursor.lastrowid
        return self._ids[channel]


def _columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [str(row[1]) for row in connection.execute(f"PRAGMA main.table_info({table})")]
