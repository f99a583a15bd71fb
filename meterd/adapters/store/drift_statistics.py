"""The daily statistics of the drift watch, kept beside the figures they were made from."""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import blake2b
from itertools import pairwise

from meterd.adapters.store.digests import CHAINED_VERSION, REACH
from meterd.core.model.periods import DAY_MS
from meterd.core.model.results import Channel

# `made_of_ms` was the time of the newest figure, and is `DriftDay.made_of` now.
VERSION_4 = """
CREATE TABLE drift_day (part TEXT NOT NULL, start_ms INTEGER NOT NULL, made_of_ms INTEGER NOT NULL, data BLOB NOT NULL,
 PRIMARY KEY (part, start_ms)) WITHOUT ROWID;
"""
MARK_BYTES = 7  # a whole number of the database; by chance two are equal once in 10^16


@dataclass(frozen=True, slots=True)
class DriftDay:
    """Statistics of one local day of one part of the network, as bytes.

    `part` names the part by its instruments; `made_of` is a mark of the figures they were made of: with another mark the
    day is made anew.
    """

    part: str
    start_ms: int
    made_of: int
    data: bytes


class DriftDays:
    """Reads and writes the days on the connection of a store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def marks(self, part: str) -> dict[int, int]:
        """What each stored day of a part was made of, by its start."""
        return dict(self._db.execute("SELECT start_ms, made_of_ms FROM drift_day WHERE part = ?", (part,)))

    def data(self, part: str, start_ms: int) -> bytes:
        """The statistics of a stored day."""
        row = self._db.execute(
            "SELECT data FROM drift_day WHERE part = ? AND start_ms = ?", (part, start_ms)
        ).fetchone()
        return bytes(row[0])

    def made_of(self, channels: Sequence[Channel], bounds: Sequence[int]) -> list[int | None]:
        """Marks of what is stored of registers between consecutive bounds: by the digests of the UTC days in between.

        Reading the times of two years of figures would take longer than making a month of statistics anew. None as long
        as the digests of a store of an earlier version are being made.
        """
        if len(bounds) < 2:
            return []
        if not self._digested():
            return [None] * (len(bounds) - 1)
        digests = self._digests(channels, bounds[0] // DAY_MS, bounds[-1] // DAY_MS)
        return [
            _mark([digests.get(day) for day in range(low // DAY_MS, (high - 1) // DAY_MS + 1)])
            for low, high in pairwise(bounds)
        ]

    def _digested(self) -> bool:
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        if version < CHAINED_VERSION:
            return False
        return bool(self._db.execute(f"SELECT 1 FROM {REACH} WHERE kind = 'figure' AND complete").fetchone())

    def _digests(self, channels: Sequence[Channel], first: int, last: int) -> dict[int, tuple[int, int]]:
        """Number and sum of the fingerprints of the figures of registers, by UTC day."""
        ask = "SELECT id FROM channel WHERE point = ? AND register = ?"
        numbers = [str(row[0]) for channel in channels if (row := self._db.execute(ask, channel).fetchone())]
        rows = self._db.execute(
            "SELECT day, SUM(count), SUM(sum) FROM digest WHERE kind = 'figure'"
            f" AND subject IN ({', '.join(numbers)}) AND day BETWEEN ? AND ? GROUP BY day",
            (first, last),
        )
        return {day: (count, total) for day, count, total in rows}

    def keep(self, days: Iterable[DriftDay]) -> None:
        """Keep days, newer ones in the place of older ones; to be called inside a transaction."""
        self._db.executemany(
            "INSERT OR REPLACE INTO drift_day VALUES (?, ?, ?, ?)",
            [(day.part, day.start_ms, day.made_of, day.data) for day in days],
        )


def _mark(digests: Sequence[tuple[int, int] | None]) -> int:
    return int.from_bytes(blake2b(repr(digests).encode(), digest_size=MARK_BYTES).digest(), "big")
