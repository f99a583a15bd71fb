"""A damaged store is set aside and a new one begun with every reading that can still be read: the start is never refused."""

import json
import os
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

from meterd.adapters.store import leaf_pages
from meterd.adapters.store.digests import FIGURE, KINDS, Covered, columns_of
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.adapters.store.journal import DEVICE_TIME, OLD, SqliteStore
from meterd.adapters.store.lock import take_lock
from meterd.adapters.store.reading_connection import NO_TEXT, SCHEMA_VERSION
from meterd.adapters.store.reconciled_flows import ReconciledFlows
from meterd.adapters.store.salvaged_blocks import (
    STEP,
    add_blocks,
    batches_of_blocks,
    in_steps,
    loose_blocks,
    lost_days,
    named,
    packed_figures,
)
from meterd.adapters.store.schema import differently_described, tables_of
from meterd.adapters.store.schema_repair import UNREADABLE, repair_schema
from meterd.core.model.reading import REGISTERS, Reading
from meterd.core.model.results import Channel
from meterd.core.registers.clock_offsets import METER_CLOCKS as METER_CLOCKS
from meterd.core.registers.corrections import FIGURES_FROM

CHECKED_BYTES = (
    200_000_000  # checked whole at every start: half a second; a larger one shows its damage when it is used
)
LAST_VERSION = 99  # of a schema: a store with more has not been written by a later version of this program
MAGIC = b"SQLite format 3\0"
HEADER = 100  # bytes at the beginning of a database file that say its page size and length
MOST_BYTES = 2**40  # a header that says more is damaged itself
SALVAGING = "salvaging"  # the fact that a salvage is under way: which file, and what its damage was
SIDES = ("-wal", "-shm")
FREE_TIMES = 3  # times its size that the disk must have free for a copy: a new store of the same size is still to come
READING_WIDTH, NAME_WIDTH = 6, 3  # columns of a reading and of the name of a register
BY_INDEX = "channel INDEXED BY sqlite_autoindex_channel_1"
DECIDED = ("correction", "record", "issued", "finding", "finding_old", "finding_note", "suppression")
FIGURES = (FIGURE, "figure_old", "balance", "balance_old", "pv", "pv_old")
_READ_FAULTS = frozenset(
    {
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_IOERR_READ,
        sqlite3.SQLITE_IOERR_SHORT_READ,
        sqlite3.SQLITE_IOERR_CORRUPTFS,
        sqlite3.SQLITE_IOERR_DATA,
        sqlite3.SQLITE_ERROR,
    }
)


@dataclass(frozen=True, slots=True)
class Salvage:
    """What was found and done."""

    damage: str
    aside: Path
    readings: int
    lost: int = 0  # readings that have a digest in the damaged file, and could not be read
    days: tuple[str, ...] = ()  # registers and days of which they are

    def __str__(self) -> str:
        lost = f"; {self.lost} readings could not be read: {named(self.days)}" if self.lost else ""
        return (
            f"the store was damaged ({self.damage}); it is kept as {self.aside.name}, a new one was begun with the"
            f" {self.readings} readings that could be read{lost}"
        )


def open_sound(path: Path) -> tuple[SqliteStore, Salvage | None]:
    """The one writing store of a file, as `SqliteStore.writer`; a damaged file is replaced by what can be saved of it.

    A salvage that was killed goes on at the next start. Raises StoreError for everything else that makes a start impossible.
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
    try:
        if damage:
            store.set_fact(SALVAGING, json.dumps([aside.name, damage]))
        begun = store.fact(SALVAGING)
        return store, _salvage(path, store, *json.loads(begun)) if begun else None
    except BaseException:
        store.close()
        raise


def _salvage(path: Path, store: SqliteStore, name: str, damage: str) -> Salvage | None:
    aside = path.with_name(name)
    if not aside.exists():
        return None
    lost = _save(aside, store)
    store.set_fact(SALVAGING, "")
    return Salvage(damage, aside, store.reading_count(), sum(lost.values()), tuple(lost))


def _is_store(path: Path) -> bool:
    """Whether a file was a store, by its beginning or its name: any other file is none of ours to move."""
    if not path.is_file():
        return False
    if _is_empty(path):
        return path.with_name(path.name + ".lock").exists()  # a daemon has written it
    with suppress(OSError), path.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC or path.suffix == ".sqlite"
    return False


def _is_empty(path: Path) -> bool:
    return not path.stat().st_size and not path.with_name(path.name + SIDES[0]).exists()


def find_damage(path: Path) -> str:
    """What is wrong with the file, in the database's words; empty when nothing is found."""
    if _is_empty(path):
        return "it is empty"
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            version = int(connection.execute("PRAGMA user_version").fetchone()[0])
            if not SCHEMA_VERSION <= version <= LAST_VERSION and _has_our_tables(connection):
                return f"it says that it has schema {version}"
            if 1 <= version <= SCHEMA_VERSION:
                if lacking := tables_of(version) - _tables(connection):
                    return f"it has no table {', '.join(sorted(lacking))}"
                if other := differently_described(connection, version):
                    return f"what describes its tables is changed: {', '.join(other)}"
                if _names(connection) != _names(connection, BY_INDEX):
                    return "the names of its registers and their index do not agree"
            if path.stat().st_size > CHECKED_BYTES:
                return ""
            result = connection.execute("PRAGMA integrity_check(1)").fetchone()
            return "" if result is None or result[0] == "ok" else str(result[0]).splitlines()[0]
    except sqlite3.OperationalError as exc:
        # what comes back from a disk in another state than it was left is damage; busy, full or not allowed is none, and
        # `writer` says what it is. Text that is no text has no code.
        code = getattr(exc, "sqlite_errorcode", None)
        return str(exc) if code is None or code in _READ_FAULTS else ""
    except sqlite3.DatabaseError as exc:
        return str(exc)
    except UnicodeDecodeError:  # the database names something that is no text any more
        return NO_TEXT


def _has_our_tables(connection: sqlite3.Connection) -> bool:
    """Whether its tables are those of this version, whichever version it says."""
    if tables_of(SCHEMA_VERSION) - _tables(connection):
        return False
    return not differently_described(connection, SCHEMA_VERSION)


def _tables(connection: sqlite3.Connection) -> set[str]:
    return {row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}


def _names(connection: sqlite3.Connection, source: str = "channel NOT INDEXED") -> dict[int, Channel]:
    """The registers by number: as the table has them, or as its index has them once more."""
    rows = connection.execute(f"SELECT id, point, register FROM {source} WHERE point IS NOT NULL")
    return {number: (point, register) for number, point, register in rows}


def _set_aside(path: Path) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    path.rename(aside)
    for ending in SIDES:
        with suppress(FileNotFoundError):
            path.with_name(path.name + ending).rename(aside.with_name(aside.name + ending))
    return aside


def _save(damaged: Path, store: SqliteStore) -> dict[str, int]:
    """Take over what can be read, from a copy whose description of the tables is repaired: the damaged file stays as it is.

    Returns how many readings are known to be lost, by register and day.

    Where there is no room for a copy, what can be read without a repair.
    """
    copy = damaged.with_name(damaged.name + ".copy")
    try:
        path = _repaired(damaged, copy)
        _take(path, store)
        return lost_days(path, store)
    finally:
        for ending in ("", *SIDES):
            copy.with_name(copy.name + ending).unlink(missing_ok=True)


def _repaired(damaged: Path, copy: Path) -> Path:
    sides = [""] + [ending for ending in SIDES if damaged.with_name(damaged.name + ending).exists()]
    size = sum(damaged.with_name(damaged.name + ending).stat().st_size for ending in sides)
    if shutil.disk_usage(damaged.parent).free < FREE_TIMES * size:
        return damaged
    try:
        for ending in sides:
            shutil.copyfile(damaged.with_name(damaged.name + ending), copy.with_name(copy.name + ending))
        _pad(copy)
        repair_schema(copy)
    except (OSError, ValueError):  # nothing in it, or a disk that does not read
        return damaged
    return copy


def _take(path: Path, store: SqliteStore) -> None:
    whole, names = False, _best_names(path)
    with suppress(*UNREADABLE), closing(_reading_only(path)) as connection:
        with suppress(*UNREADABLE):  # one table that is gone must not take the others with it
            count = add_blocks(store, batches_of_blocks(connection), partial(_sound, names))
            whole = count + _add(store, _batches(connection, names)) == _expected(connection)
        _save_words(connection, store)
    if not whole:
        with suppress(OSError):
            add_blocks(store, loose_blocks(path), partial(_sound, names))
            _add(store, _loose(path, names))
    with suppress(*UNREADABLE, ValueError), closing(_reading_only(path)) as connection:
        _save_final(connection, store, names)


def _add(store: SqliteStore, batches: Iterable[list[Reading]]) -> int:
    count = 0
    for readings in batches:
        with store.transaction():
            store.add_readings(readings)
        count += len(readings)
    return count


def _expected(connection: sqlite3.Connection) -> int:
    """How many readings there are if none between the first and the last is missing."""
    first = JoinedReadings(connection).first_seq()
    (last,) = connection.execute("SELECT MAX(seq) FROM reading").fetchone()
    return 0 if first is None or last is None else int(last) - first + 1


def _reading_only(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
    connection.text_factory = lambda raw: raw.decode("utf-8", errors="replace")
    return connection


def _pad(damaged: Path) -> None:
    """Give a file that was cut the length that it says it has: the database reads nothing of one that is too short."""
    with suppress(OSError), damaged.open("rb") as file:
        begin = file.read(HEADER)
        size, pages = int.from_bytes(begin[16:18], "big"), int.from_bytes(begin[28:32], "big")
        length = (65_536 if size == 1 else size) * pages
        if begin.startswith(MAGIC) and size and damaged.stat().st_size < length <= MOST_BYTES:
            os.truncate(damaged, length)  # with zeros, which take no room


def _save_words(damaged: sqlite3.Connection, store: SqliteStore) -> None:
    """What no reading can bring back: what people decided and gave out; and what was measured of meters' clocks."""
    for table in DECIDED:
        with suppress(*UNREADABLE):
            # an earlier version has fewer columns, or no such table
            if names := [str(row[1]) for row in damaged.execute(f"PRAGMA table_info({table})")]:
                insert = f"INSERT OR IGNORE INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
                with store.transaction():
                    store.connection.executemany(insert, _from_both_ends(damaged, table, names[0]))
    with suppress(*UNREADABLE):
        rows = damaged.execute("SELECT value FROM fact WHERE name = ?", (METER_CLOCKS,)).fetchall()
        with store.transaction():
            for (text,) in rows:
                store.set_fact(METER_CLOCKS, text)


def _from_both_ends(connection: sqlite3.Connection, table: str, key: str) -> list[tuple[object, ...]]:
    """The rows before a damaged page, and those behind it."""
    results: dict[tuple[object, ...], None] = {}
    for order in ("ASC", "DESC"):
        with suppress(*UNREADABLE):
            for row in connection.execute(f"SELECT * FROM {table} ORDER BY {key} {order}"):
                if row in results and order == "DESC":
                    break
                results[row] = None
    return list(results)


def _save_final(damaged: sqlite3.Connection, store: SqliteStore, names: dict[int, Channel]) -> None:
    """Figures whose readings were deleted after they were verified: nothing else says what they were."""
    row = damaged.execute("SELECT value FROM fact WHERE name = ?", (FIGURES_FROM,)).fetchone()
    if row is None:
        return
    for table in FIGURES:
        rows: list[tuple[Any, ...]] = []
        with suppress(*UNREADABLE):
            rows.extend(damaged.execute(f"SELECT * FROM {table} WHERE start_ms < ?", (int(row[0]),)))
        if table == FIGURE:
            rows += packed_figures(damaged, int(row[0]))
        if table.startswith(FIGURE):
            numbers = {number: store.channel_number(name) for number, name in names.items()}
            rows = [(numbers[values[0]], *values[1:]) for values in rows if numbers.get(values[0], -1) >= 0]
        with store.transaction():
            if table.startswith("balance"):
                rows = store.flows.taken_over(rows, ReconciledFlows(damaged))
            _keep(store, KINDS[table], rows)
    with store.transaction():
        store.set_fact(FIGURES_FROM, row[0])


def _keep(store: SqliteStore, covered: Covered, rows: list[tuple[Any, ...]]) -> None:
    """Insert what is not there yet, with its digests where no trigger makes them."""
    columns = columns_of(store.connection, covered.table)
    insert = f"INSERT OR IGNORE INTO {covered.table} VALUES ({', '.join('?' * len(columns))})"
    fresh = [row for row in rows if store.connection.execute(insert, row).rowcount]
    if covered.in_bulk:
        series = columns.index(covered.subject) if covered.subject else None
        for row in fresh:
            subject = "" if series is None else row[series]
            store.digest_writer.added(covered.table, subject, columns.index(covered.time), [row])


def _batches(connection: sqlite3.Connection, names: dict[int, Channel]) -> Iterator[list[Reading]]:
    """Readings in the order in which they came, as far as the pages can be read."""
    for rows in in_steps(connection, "channel, at_ms, value, received_ms, marks", "reading", "seq"):
        if sound := _sound(names, rows):
            yield sound


def _loose(path: Path, names: dict[int, Channel]) -> Iterator[list[Reading]]:
    """Readings in whatever page they stand, also where no way leads to it; more than once, if so they stand."""
    rows = leaf_pages.rows(path, leaf_pages.TABLE_LEAF, READING_WIDTH)
    while batch := list(islice(rows, STEP)):
        if sound := _sound(names, [row[1:] for row in batch]):
            yield sound


def _sound(names: dict[int, Channel], rows: list[tuple[Any, ...]]) -> list[Reading]:
    return [_reading(names[row[0]], *row[1:]) for row in rows if _is_sound(names, *row)]


def _best_names(path: Path) -> dict[int, Channel]:
    """The names of the registers, which stand twice: of two that differ, the one whose point is known from elsewhere."""
    named = [item for names in _named_channels(path) for item in names]
    points = Counter(point for _, (point, _) in named)
    with suppress(*UNREADABLE, ValueError), closing(_reading_only(path)) as connection:
        for (text,) in connection.execute("SELECT value FROM fact WHERE name = 'instruments'"):
            points.update([key.split(" ")[0] for key in json.loads(text)])

    def trust(name: Channel) -> tuple[bool, int, bool]:
        return "\ufffd" not in "".join(name), points[name[0]], name[1] in REGISTERS

    best: dict[int, Channel] = {}
    for number, name in named:
        best[number] = max(best.get(number, name), name, key=trust)
    return best


def _named_channels(path: Path) -> Iterator[list[tuple[int, Channel]]]:
    """Numbers and names of registers, by everything that tells them."""
    for source in ("channel NOT INDEXED", BY_INDEX):
        with suppress(*UNREADABLE), closing(_reading_only(path)) as connection:
            yield list(_names(connection, source).items())
    with suppress(OSError):
        rows = list(leaf_pages.rows(path, leaf_pages.TABLE_LEAF, NAME_WIDTH))
        once_more = [(number, *name) for *name, number in leaf_pages.rows(path, leaf_pages.INDEX_LEAF, NAME_WIDTH)]
        yield [
            (n, (p, r))
            for n, p, r in (*rows, *once_more)
            if isinstance(n, int) and isinstance(p, str) and r in REGISTERS
        ]


def _is_sound(names: dict[int, Channel], channel: object, at_ms: object, value: object, *rest: object) -> bool:
    known = names.get(channel) if isinstance(channel, int) else None
    if known is None or known[1] not in REGISTERS or not isinstance(at_ms, int):
        return False
    if not all(isinstance(number, int) for number in rest):  # when it came, and its marks
        return False
    return isinstance(value, int) if REGISTERS[known[1]].cumulative else isinstance(value, int | float)


def _reading(channel: Channel, at_ms: int, value: float, received_ms: int, marks: int) -> Reading:
    return Reading(*channel, at_ms, value, received_ms, bool(marks & DEVICE_TIME), bool(marks & OLD))
