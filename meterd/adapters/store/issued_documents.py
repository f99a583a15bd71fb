"""What has left the house: reports and allocations as facts, with the figures they were made of."""

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from meterd.core.model.results import Channel

ISSUED = """
CREATE TABLE issued (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, period TEXT NOT NULL, from_ms INTEGER NOT NULL,
 until_ms INTEGER NOT NULL, made_ms INTEGER NOT NULL, person TEXT NOT NULL, sha256 TEXT NOT NULL, figures TEXT NOT NULL,
 command TEXT NOT NULL DEFAULT '');
CREATE INDEX issued_span ON issued (from_ms, until_ms);
"""
Used = tuple[str, str, int | None]  # point, register, energy of the whole period in mWh (None = missing)


@dataclass(frozen=True, slots=True)
class IssueRecord:
    """One report or allocation that was given to somebody.

    `kind` is a word such as "month-report" or "cost-allocation", `period` its label such as "2026-03"; it covers
    [from_ms, until_ms). `figures` holds the energy of each register in it, as it stood then. `id` is given by the store.
    """

    kind: str
    period: str
    from_ms: int
    until_ms: int
    made_ms: int
    person: str
    sha256: str
    figures: tuple[Used, ...]
    id: int = 0


class IssuedTable:
    """The part of a store that holds issued documents. Writes belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def add(self, issue: IssueRecord, order: str = "") -> int:
        """Keep it; returns its number. The same document issued again (kind, period, content) keeps its number."""
        known = self._db.execute(
            "SELECT id FROM issued WHERE kind = ? AND period = ? AND sha256 = ?",
            (issue.kind, issue.period, issue.sha256),
        ).fetchone()
        if known is not None:
            return int(known[0])
        cursor = self._db.execute(
            "INSERT INTO issued (kind, period, from_ms, until_ms, made_ms, person, sha256, figures, command)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                issue.kind, issue.period, issue.from_ms, issue.until_ms, issue.made_ms, issue.person, issue.sha256,
                json.dumps(issue.figures, separators=(",", ":")), order,
            ),
        )  # fmt: skip
        assert cursor.lastrowid is not None, "an inserted row has a number"
        return cursor.lastrowid

    def all(self) -> list[IssueRecord]:
        """Every document ever, in the order in which they were made."""
        return self._rows("1", ())

    def containing(self, channels: Iterable[Channel], from_ms: int, until_ms: int) -> list[IssueRecord]:
        """Documents that hold a figure of one of the registers in a time that overlaps [from, until), oldest first."""
        wanted = set(channels)
        rows = self._rows("from_ms < ? AND until_ms > ?", (until_ms, from_ms))
        return [row for row in rows if any((point, register) in wanted for point, register, _ in row.figures)]

    def _rows(self, where: str, values: tuple[int, ...]) -> list[IssueRecord]:
        rows = self._db.execute(
            "SELECT kind, period, from_ms, until_ms, made_ms, person, sha256, figures, id FROM issued"
            f" WHERE {where} ORDER BY id",
            values,
        )
        return [
            IssueRecord(
                kind,
                period,
                low,
                until_ms=high,
                made_ms=made,
                person=person,
                sha256=digest,
                figures=tuple((p, r, e) for p, r, e in json.loads(used)),
                id=number,
            )
            for kind, period, low, high, made, person, digest, used, number in rows
        ]
