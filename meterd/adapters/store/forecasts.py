"""Forecasts as they were given out: kept so that they are judged by what came, never changed afterwards."""

import sqlite3
import zlib
from collections.abc import Sequence

import numpy as np

from meterd.core.model.forecast import Course, GivenOutside, OutsideQuantity, Quantity, SiteForecast

FORECASTS = """
CREATE TABLE forecast (quantity TEXT NOT NULL, issued_ms INTEGER NOT NULL, interval_ms INTEGER NOT NULL,
 days INTEGER NOT NULL, young INTEGER NOT NULL, data BLOB NOT NULL, PRIMARY KEY (issued_ms, quantity)) WITHOUT ROWID;
"""
KEPT_DAYS = 400  # a report of any month of the last year can be issued again
_MISSING = -(2**31)
_MARKS = ", ".join("?" * len(Quantity))


class Forecasts:
    """Reads and writes them on the connection of a store. Writes belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        # a reader may meet a store that its daemon has not brought up to date yet
        self._there = bool(connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'forecast'").fetchone())

    def keep(self, forecast: SiteForecast) -> None:
        """Keep a forecast; one of the same moment that is there already stays, for it is what was given out."""
        self._db.executemany(
            "INSERT OR IGNORE INTO forecast VALUES (?, ?, ?, ?, ?, ?)",
            [
                (
                    quantity.value,
                    forecast.issued_ms,
                    forecast.interval_ms,
                    forecast.days,
                    int(forecast.young),
                    _packed(course),
                )
                for quantity, course in forecast.courses
            ],
        )

    def keep_outside(self, given: GivenOutside) -> None:
        """Keep what a forecast from outside said from a moment on, as it was known then."""
        course = Course(given.values, given.values, given.values)
        row = (_outside(given.quantity), given.known_ms, given.interval_ms, 0, 0, _packed(course))
        self._db.execute("INSERT OR IGNORE INTO forecast VALUES (?, ?, ?, ?, ?, ?)", row)

    def outside(self, quantity: OutsideQuantity, from_ms: int, until_ms: int) -> list[GivenOutside]:
        """What was said from outside, as known in [from, until], in order of time."""
        rows = self.between(_outside(quantity), from_ms, until_ms + 1)
        return [GivenOutside(quantity, known_ms, interval, course.middle) for known_ms, interval, course in rows]

    def newest_outside(self, quantity: OutsideQuantity) -> int | None:
        """Since when the newest one from outside is known."""
        if not self._there:
            return None
        ((newest,),) = self._db.execute("SELECT max(issued_ms) FROM forecast WHERE quantity = ?", (_outside(quantity),))
        return None if newest is None else int(newest)

    def forget_before(self, at_ms: int) -> None:
        """Delete what was issued before a moment."""
        self._db.execute("DELETE FROM forecast WHERE issued_ms < ?", (at_ms,))

    def between(self, quantity: str, from_ms: int, until_ms: int) -> list[tuple[int, int, Course]]:
        """Moment of issue, interval in ms and course of each forecast issued in [from, until), in order of time."""
        if not self._there:
            return []
        rows = self._db.execute(
            "SELECT issued_ms, interval_ms, data FROM forecast WHERE quantity = ? AND issued_ms >= ? AND issued_ms < ?"
            " ORDER BY issued_ms",
            (str(quantity), from_ms, until_ms),
        )
        return [(issued, interval, _unpacked(data)) for issued, interval, data in rows]

    def issued_at(self, at_ms: int) -> SiteForecast | None:
        """What was given out at a moment."""
        rows = self._db.execute(
            f"SELECT quantity, interval_ms, days, young, data FROM forecast WHERE issued_ms = ? AND quantity IN ({_MARKS})",
            (at_ms, *Quantity),
        ).fetchall()
        if not rows:
            return None
        of = {row[0]: _unpacked(row[4]) for row in rows}
        courses = tuple((quantity, of[quantity]) for quantity in Quantity if quantity in of)
        return SiteForecast(at_ms, rows[0][1], bool(rows[0][3]), rows[0][2], courses)


def _outside(quantity: OutsideQuantity) -> str:
    """The word under which it is stored: a plan that names another quantity begins anew."""
    return f"outside-{quantity.value}"


def _packed(course: Course) -> bytes:
    """Whole W as differences from one interval to the next, compressed: half a kilobyte for 48 hours."""
    rows = np.array([_numbers(course.low), _numbers(course.middle), _numbers(course.high)], dtype=np.int64)
    return zlib.compress(np.diff(rows, axis=1, prepend=0).astype("<i8").T.tobytes(), 9)


def _numbers(values: Sequence[int | None]) -> list[int]:
    return [_MISSING if value is None else value for value in values]


def _unpacked(data: bytes) -> Course:
    rows = np.cumsum(np.frombuffer(zlib.decompress(data), dtype="<i8").reshape(-1, 3).T, axis=1).tolist()
    low, middle, high = (tuple(None if value == _MISSING else value for value in row) for row in rows)
    return Course(low, middle, high)
