"""Dated corrections in the embedded store. A row is never deleted: a withdrawn correction says by whom and why."""

import sqlite3

from meterd.core.registers.corrections import Correction

CORRECTIONS = """
CREATE TABLE correction (id INTEGER PRIMARY KEY, point TEXT NOT NULL, register TEXT NOT NULL, from_ms INTEGER NOT NULL,
 until_ms INTEGER, factor TEXT NOT NULL, reason TEXT NOT NULL, person TEXT NOT NULL, made_ms INTEGER NOT NULL,
 withdrawn_ms INTEGER, withdrawn_by TEXT NOT NULL DEFAULT '', withdrawn_reason TEXT NOT NULL DEFAULT '',
 command TEXT NOT NULL DEFAULT '', withdrawn_command TEXT NOT NULL DEFAULT '');
"""
# version 6 of the schema: a correction of a single reading
READS = "ALTER TABLE correction ADD COLUMN reads TEXT NOT NULL DEFAULT '';"
_COLUMNS = "id, point, register, from_ms, until_ms, factor, reason, person, made_ms, withdrawn_ms, withdrawn_by, withdrawn_reason"


class Corrections:
    """The part of a store that holds corrections. Writes belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def add(self, correction: Correction, order: str = "") -> int:
        """Keep a correction; returns the number it is given (that of `correction` does not count)."""
        cursor = self._db.execute(
            "INSERT INTO correction (point, register, from_ms, until_ms, factor, reason, person, made_ms, command, reads)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                correction.point,
                correction.register,
                correction.from_ms,
                correction.until_ms,
                correction.factor,
                correction.reason,
                correction.person,
                correction.made_ms,
                order,
                correction.reads,
            ),
        )
        assert cursor.lastrowid is not None, "an inserted row has a number"
        return cursor.lastrowid

    def withdraw(self, number: int, at_ms: int, *, person: str, reason: str, order: str = "") -> None:
        """Note that a correction does not hold any more."""
        self._db.execute(
            "UPDATE correction SET withdrawn_ms = ?, withdrawn_by = ?, withdrawn_reason = ?, withdrawn_command = ?"
            " WHERE id = ? AND withdrawn_ms IS NULL",
            (at_ms, person, reason, order, number),
        )

    def all(self) -> list[Correction]:
        """Every correction ever, oldest first, withdrawn ones included."""
        rows = self._db.execute(f"SELECT {self._columns()} FROM correction ORDER BY id")
        return [Correction(*row) for row in rows]

    def by_number(self, number: int) -> Correction | None:
        """The correction of a number."""
        row = self._db.execute(f"SELECT {self._columns()} FROM correction WHERE id = ?", (number,)).fetchone()
        return None if row is None else Correction(*row)

    def _columns(self) -> str:
        """A store of version 5 that is only read, before its daemon has started, has none of single readings."""
        known = {row[1] for row in self._db.execute("PRAGMA table_info(correction)")}
        return f"{_COLUMNS}, reads" if "reads" in known else _COLUMNS

    def carried_out(self, order: str) -> int | None:
        """The number of the correction that an order has made or withdrawn before."""
        row = self._db.execute(
            "SELECT id FROM correction WHERE command = ? OR withdrawn_command = ?", (order, order)
        ).fetchone()
        return None if row is None else int(row[0])
