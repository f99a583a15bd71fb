"""The daily statistics of the drift watch, kept beside the figures they were made from."""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from meterd.core.model.periods import Period
from meterd.core.model.results import Channel

VERSION_4 = """
CREATE TABLE drift_day (part TEXT NOT NULL, start_ms INTEGER NOT NULL, made_of_ms INTEGER NOT NULL, data BLOB NOT NULL,
 PRIMARY KEY (part, start_ms)) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class DriftDay:
    """Statistics of one local day of one part of the network, as bytes.

    `part` names the part by its instruments; `made_of_ms` is when the newest of its figures was written: a later figure
    makes the day anew.
    """

    part: str
    start_ms: int
    made_of_ms: int
    data: bytes


class DriftDays:
    """Reads and writes the days on the connection of a store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def of(self, part: str) -> dict[int, DriftDay]:
        """All stored days of a part, by their start."""
        rows = self._db.execute("SELECT start_ms, made_of_ms, data FROM drift_day WHERE part = ?", (part,))
        return {start: DriftDay(part, start, made, data) for start, made, data in rows}

    def made_of(self, channels: Sequence[Channel], from_ms: int, until_ms: int) -> int:
        """When the newest interval figure of those registers that starts in [from, until) was written; 0 if there is none."""
        newest = 0
        for channel in channels:
            row = self._db.execute(
                "SELECT MAX(written_ms) FROM figure WHERE channel = (SELECT id FROM channel WHERE point = ? AND register = ?)"
                " AND period = ? AND start_ms >= ? AND start_ms < ?",
                (*channel, Period.INTERVAL, from_ms, until_ms),
            ).fetchone()
            newest = max(newest, int(row[0] or 0))
        return newest

    def keep(self, days: Iterable[DriftDay]) -> None:
        """Keep days, newer ones in the place of older ones; to be called inside a transaction."""
        self._db.executemany(
            "INSERT OR REPLACE INTO drift_day VALUES (?, ?, ?, ?)",
            [(day.part, day.start_ms, day.made_of_ms, day.data) for day in days],
        )
