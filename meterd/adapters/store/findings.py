"""Findings in the embedded store: the newest life of each, former lives, every change, planned work, what was reported."""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from meterd.adapters.store.reading_connection import connect_to_read
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding, FindingNote, FindingRow, Suppression
from meterd.core.texts.notification_digest import SentNotification

# What version 2 of the schema adds to version 1. The newest life of a finding stands in `finding`, former ones in
# `finding_old`; `finding_note` is never changed, so that the store shows who decided what and when.
VERSION_2 = """
ALTER TABLE finding ADD COLUMN number INTEGER NOT NULL DEFAULT 1;
ALTER TABLE finding ADD COLUMN count INTEGER NOT NULL DEFAULT 1;
ALTER TABLE finding ADD COLUMN suppressed INTEGER NOT NULL DEFAULT 0;
ALTER TABLE finding ADD COLUMN by TEXT NOT NULL DEFAULT '';
ALTER TABLE finding ADD COLUMN earlier_ms INTEGER;
ALTER TABLE finding ADD COLUMN evidence TEXT NOT NULL DEFAULT '[]';
ALTER TABLE finding ADD COLUMN part_of TEXT NOT NULL DEFAULT '';
CREATE TABLE finding_old (id TEXT NOT NULL, cause TEXT NOT NULL, subject TEXT NOT NULL, at_ms INTEGER NOT NULL,
 text TEXT NOT NULL, remedy TEXT NOT NULL, points TEXT NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
 state TEXT NOT NULL, closed_ms INTEGER, number INTEGER NOT NULL, count INTEGER NOT NULL, suppressed INTEGER NOT NULL,
 by TEXT NOT NULL, earlier_ms INTEGER, evidence TEXT NOT NULL, part_of TEXT NOT NULL,
 PRIMARY KEY (id, number)) WITHOUT ROWID;
CREATE TABLE finding_note (seq INTEGER PRIMARY KEY, id TEXT NOT NULL, number INTEGER NOT NULL, at_ms INTEGER NOT NULL,
 state TEXT NOT NULL, person TEXT NOT NULL, note TEXT NOT NULL, command TEXT NOT NULL);
CREATE INDEX finding_note_of ON finding_note (id, seq);
CREATE INDEX finding_note_command ON finding_note (command) WHERE command <> '';
CREATE TABLE suppression (number INTEGER PRIMARY KEY, what TEXT NOT NULL, cause TEXT NOT NULL, from_ms INTEGER NOT NULL,
 until_ms INTEGER NOT NULL, person TEXT NOT NULL, note TEXT NOT NULL, command TEXT NOT NULL);
CREATE TABLE notice (channel TEXT NOT NULL, id TEXT NOT NULL, number INTEGER NOT NULL, raised_ms INTEGER NOT NULL,
 over INTEGER NOT NULL, PRIMARY KEY (channel, id)) WITHOUT ROWID;
"""
_COLUMNS = (
    "id, cause, subject, at_ms, text, remedy, points, first_ms, last_ms, state, closed_ms, number, count, suppressed, by,"
    " earlier_ms, evidence, part_of"
)


class FindingTables:
    """The part of a store that holds findings. Writes belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    @classmethod
    @contextmanager
    def reader(cls, path: Path) -> Iterator["FindingTables"]:
        """Only the findings of a store, to read; StoreError if there is none, or not of this version."""
        with closing(connect_to_read(path)) as connection:
            try:
                yield cls(connection)
            except sqlite3.Error as exc:
                raise StoreError(
                    f"cannot read findings: {exc}; a store of an earlier version is brought forward when the daemon starts"
                ) from exc

    # -- findings ------------------------------------------------------------------------------------------------------

    def write(self, row: FindingRow) -> None:
        """Keep the newest life of a finding under its id."""
        self._insert("finding", row)

    def archive(self, row: FindingRow) -> None:
        """Keep a former life."""
        self._insert("finding_old", row)

    def _insert(self, table: str, row: FindingRow) -> None:
        f = row.finding
        values = (
            f.id, f.cause, f.subject, f.at_ms, f.text, f.remedy, json.dumps(f.points), row.first_ms, row.last_ms,
            row.state, row.closed_ms, row.number, row.count, int(row.suppressed), row.by, row.earlier_ms,
            json.dumps(f.evidence), row.part_of,
        )  # fmt: skip
        marks = ", ".join("?" * len(values))
        self._db.execute(f"INSERT OR REPLACE INTO {table} ({_COLUMNS}) VALUES ({marks})", values)

    def all(self) -> list[FindingRow]:
        """The newest life of every finding ever, newest first."""
        return [_row(r) for r in self._db.execute(f"SELECT {_COLUMNS} FROM finding ORDER BY last_ms DESC, id")]

    def former(self, name: str) -> list[FindingRow]:
        """Former lives of one finding, oldest first."""
        rows = self._db.execute(f"SELECT {_COLUMNS} FROM finding_old WHERE id = ? ORDER BY number", (name,))
        return [_row(r) for r in rows]

    # -- changes -------------------------------------------------------------------------------------------------------

    def add_note(self, note: FindingNote) -> None:
        """Add one change to the history."""
        self._db.execute(
            "INSERT INTO finding_note (id, number, at_ms, state, person, note, command) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (note.id, note.number, note.at_ms, note.state, note.person, note.note, note.order),
        )

    def notes(self, name: str) -> list[FindingNote]:
        """Every change of a finding in all of its lives, oldest first."""
        rows = self._db.execute(
            "SELECT id, number, at_ms, state, person, note, command FROM finding_note WHERE id = ? ORDER BY seq",
            (name,),
        )
        return [FindingNote(*row) for row in rows]

    def noted_ends(self) -> set[tuple[str, int]]:
        """Findings and lives whose end stands in the history."""
        return set(self._db.execute("SELECT id, number FROM finding_note WHERE state = 'closed'").fetchall())

    def carried_out(self, order: str) -> bool:
        """Whether an order has been carried out before."""
        both = "SELECT 1 FROM finding_note WHERE command = ? UNION ALL SELECT 1 FROM suppression WHERE command = ?"
        return self._db.execute(both, (order, order)).fetchone() is not None

    # -- planned work --------------------------------------------------------------------------------------------------

    def add_suppression(self, suppression: Suppression, order: str) -> int:
        """Keep a window of planned work; returns its number."""
        cursor = self._db.execute(
            "INSERT INTO suppression (what, cause, from_ms, until_ms, person, note, command) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                suppression.what,
                suppression.cause,
                suppression.from_ms,
                suppression.until_ms,
                suppression.person,
                suppression.note,
                order,
            ),
        )
        assert cursor.lastrowid is not None, "an inserted row has a number"
        return cursor.lastrowid

    def end_suppression(self, number: int, until_ms: int) -> None:
        """Let a window end earlier."""
        self._db.execute("UPDATE suppression SET until_ms = MIN(until_ms, ?) WHERE number = ?", (until_ms, number))

    def suppressions(self, since_ms: int) -> list[Suppression]:
        """Windows that end after a moment, in order of their begin."""
        rows = self._db.execute(
            "SELECT what, from_ms, until_ms, person, note, cause, number FROM suppression WHERE until_ms > ?"
            " ORDER BY from_ms, number",
            (since_ms,),
        )
        return [Suppression(*row) for row in rows]

    # -- what was reported ---------------------------------------------------------------------------------------------

    def write_sent_notification(self, channel: str, reported: Iterable[tuple[str, SentNotification]]) -> None:
        """Keep what a channel has reported."""
        self._db.executemany(
            "INSERT OR REPLACE INTO notice (channel, id, number, raised_ms, over) VALUES (?, ?, ?, ?, ?)",
            (
                (channel, name, sent_notification.number, sent_notification.raised_ms, int(sent_notification.over))
                for name, sent_notification in reported
            ),
        )

    def sent_notifications(self, channel: str) -> dict[str, SentNotification]:
        """What a channel has reported, by finding."""
        rows = self._db.execute("SELECT id, number, raised_ms, over FROM notice WHERE channel = ?", (channel,))
        return {name: SentNotification(number, raised, bool(over)) for name, number, raised, over in rows}


def _row(stored: Sequence[Any]) -> FindingRow:
    """A row of the table, whose values stand in the order of its columns."""
    row = dict(zip(_COLUMNS.split(", "), stored, strict=True))
    points, evidence = (tuple(json.loads(row[name])) for name in ("points", "evidence"))
    finding = Finding(row["cause"], row["subject"], row["at_ms"], row["text"], row["remedy"], points, evidence)
    return FindingRow(
        finding, row["first_ms"], row["last_ms"], state=row["state"], closed_ms=row["closed_ms"], number=row["number"],
        count=row["count"], suppressed=bool(row["suppressed"]), by=row["by"], earlier_ms=row["earlier_ms"],
        part_of=row["part_of"],
    )  # fmt: skip
