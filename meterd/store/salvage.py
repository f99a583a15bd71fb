"""A damaged store is set aside and a new one begun with every reading that can still be read: the start is never refused."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from meterd.meter_clock import KEPT as METER_CLOCKS
from meterd.reading import REGISTERS, Reading
from meterd.store.lock import take_lock
from meterd.store.sqlite import DEVICE_TIME, OLD, SqliteStore

CHECKED_BYTES = (
    200_000_000  # checked whole at every start: half a second; a larger one shows its damage when it is used
)
MAGIC = b"SQLite format 3\0"
STEP = 500  # readings fetched at once; what lies in a damaged page is left out in such steps
BARREN = 2_000  # steps without a reading after which the rest is given up


@dataclass(frozen=True, slots=True)
class Salvage:
    """What was found and done."""

    damage: str
    aside: Path
    readings: int

    def __str__(self) -> str:
        return (
            f"the store was damaged ({self.damage}); it is kept as {self.aside.name}, a new one was begun with the"
            f" {self.readings} readings that could be read"
        )


def open_sound(path: Path) -> tuple[SqliteStore, Salvage | None]:
    """The one writing store of a file, as `SqliteStore.writer`; a damaged file is replaced by what can be saved of it.

    Raises StoreError for everything else that makes a start impossible.
    """
    damage, aside = "", path
    if _is_store(path):
        lock = take_lock(path)
        try:
            damage = find_damage(path)
            if damage:
                aside = _set_aside(path)
        finally:
            os.close(lock)
    store = SqliteStore.writer(path)
    return store, Salvage(damage, aside, _save(aside, store)) if damage else None


def _is_store(path: Path) -> bool:
    """Whether a file was a store, by its beginning or its name: any other file is none of ours to move."""
    if not path.is_file() or not path.stat().st_size:
        return False
    with suppress(OSError), path.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC or path.suffix == ".sqlite"
    return False


def find_damage(path: Path) -> str:
    """What is wrong with the file, in the database's words; empty when nothing is found."""
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            if path.stat().st_size > CHECKED_BYTES:
                return ""
            found = connection.execute("PRAGMA quick_check(1)").fetchone()
            return "" if found is None or found[0] == "ok" else str(found[0]).splitlines()[0]
    except sqlite3.OperationalError:
        return ""  # busy, full or not allowed: no damage, and `writer` says what it is
    except sqlite3.DatabaseError as exc:
        return str(exc)


def _set_aside(path: Path) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for ending in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            path.with_name(path.name + ending).rename(aside.with_name(aside.name + ending))
    return aside


def _save(damaged: Path, store: SqliteStore) -> int:
    kept = 0
    try:
        with closing(sqlite3.connect(damaged, isolation_level=None)) as connection:
            for readings in _batches(connection):
                with store.transaction():
                    kept += len(store.add_readings(readings))
            _save_words(connection, store)
    except sqlite3.DatabaseError:
        return kept
    return kept


def _save_words(damaged: sqlite3.Connection, store: SqliteStore) -> None:
    """What no reading can bring back: corrections, records, papers given out; and what was measured of meters' clocks."""
    for table in ("correction", "record", "issued"):
        with suppress(sqlite3.DatabaseError):
            cursor = damaged.execute(f"SELECT * FROM {table}")
            names = [column[0] for column in cursor.description]  # an earlier version has fewer
            rows, marks = cursor.fetchall(), ", ".join("?" * len(names))
            with store.transaction():
                store.connection.executemany(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", rows)
    with suppress(sqlite3.DatabaseError):
        rows = damaged.execute("SELECT value FROM fact WHERE name = ?", (METER_CLOCKS,)).fetchall()
        with store.transaction():
            for (words,) in rows:
                store.set_fact(METER_CLOCKS, words)


def _batches(connection: sqlite3.Connection) -> Iterator[list[Reading]]:
    """Readings in the order in which they came, as far as the pages can be read."""
    channels = {number: (p, r) for number, p, r in connection.execute("SELECT id, point, register FROM channel")}
    after, barren = 0, 0
    while barren < BARREN:
        found: list[tuple[int, int, int, float, int, int]] = []
        with suppress(sqlite3.DatabaseError):
            for row in connection.execute(
                "SELECT seq, channel, at_ms, value, received_ms, marks FROM reading WHERE seq > ? AND seq <= ?",
                (after, after + STEP),
            ):
                found.append(row)
        after, barren = after + STEP, 0 if found else barren + 1
        sound = [_reading(channels[row[1]], *row[2:]) for row in found if _is_sound(channels, *row[1:4])]
        if sound:
            yield sound


def _is_sound(channels: dict[int, tuple[str, str]], channel: object, at_ms: object, value: object) -> bool:
    known = channels.get(channel) if isinstance(channel, int) else None
    if known is None or known[1] not in REGISTERS or not isinstance(at_ms, int):
        return False
    return isinstance(value, int) if REGISTERS[known[1]].cumulative else isinstance(value, int | float)


def _reading(channel: tuple[str, str], at_ms: int, value: float, received_ms: int, marks: int) -> Reading:
    return Reading(*channel, at_ms, value, received_ms, bool(marks & DEVICE_TIME), bool(marks & OLD))
