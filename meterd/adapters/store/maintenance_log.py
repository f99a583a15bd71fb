"""What people did to the metering of the site: exchanges of instruments and new names, who, when and why."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

RECORDS = """
CREATE TABLE record (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, point TEXT NOT NULL, at_ms INTEGER NOT NULL,
 person TEXT NOT NULL, note TEXT NOT NULL, made_ms INTEGER NOT NULL, details TEXT NOT NULL,
 command TEXT NOT NULL DEFAULT '');
CREATE INDEX record_of ON record (point, at_ms);
"""


@dataclass(frozen=True, slots=True)
class Record:
    """One act at one point: `kind` is "exchange" or "rename", `at_ms` when it took place, `made_ms` when it was entered."""

    kind: str
    point: str
    at_ms: int
    person: str
    note: str
    made_ms: int
    details: Mapping[str, str]
    id: int = 0


class Records:
    """The part of a store that holds records. Writes belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def add(self, record: Record, order: str = "") -> int:
        """Keep a record; returns its number."""
        cursor = self._db.execute(
            "INSERT INTO record (kind, point, at_ms, person, note, made_ms, details, command)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                record.kind, record.point, record.at_ms, record.person, record.note, record.made_ms,
                json.dumps(dict(record.details), ensure_ascii=False), order,
            ),
        )  # fmt: skip
        assert cursor.lastrowid is not None, "an inserted row has a number"
        return cursor.lastrowid

    def all(self, point: str | None = None) -> list[Record]:
        """Records of one point or of all, in the order in which things happened."""
        where, values = ("1", ()) if point is None else ("point = ?", (point,))
        rows = self._db.execute(
            f"SELECT kind, point, at_ms, person, note, made_ms, details, id FROM record WHERE {where} ORDER BY at_ms, id",
            values,
        )
        return [
            Record(kind, name, at, person=person, note=note, made_ms=made, details=json.loads(details), id=number)
            for kind, name, at, person, note, made, details, number in rows
        ]

    def carried_out(self, order: str) -> int | None:
        """The number of the record that an order has made before."""
        row = self._db.execute("SELECT id FROM record WHERE command = ?", (order,)).fetchone()
        return None if row is None else int(row[0])
