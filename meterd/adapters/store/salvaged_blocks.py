"""What can be read of the blocks of a damaged store, and of which days readings are lost."""

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path
from typing import Any

from meterd.adapters.store import leaf_pages
from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.block_packing import LAST_MS
from meterd.adapters.store.digests import READING, Changed
from meterd.adapters.store.figure_blocks import TABLE as FIGURE_BLOCKS
from meterd.adapters.store.figure_blocks import unpacked as figures_of
from meterd.adapters.store.joined_readings import AT_ONCE
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_blocks import HEADER, TABLE, unpacked
from meterd.adapters.store.schema_repair import UNREADABLE
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import Reading
from meterd.core.model.results import Channel

STEP = 500  # readings fetched at once; what lies in a damaged page is left out in such steps
BARREN = 2_000  # steps without a reading after which the rest is given up
NAMED = 5  # days in a message
WIDTH = len(HEADER) + 1
_DIGESTS = "SELECT subject, day, count FROM digest WHERE kind = ?"
_CHANNEL = HEADER.index("channel")
Rows = list[tuple[Any, ...]]


def in_steps(connection: sqlite3.Connection, columns: str, table: str, key: str) -> Iterator[Rows]:
    """The rows of a table in the order of its number, as far as its pages can be read."""
    after, barren = 0, 0
    while barren < BARREN:
        results: Rows = []
        with suppress(*UNREADABLE):
            ask = f"SELECT {columns} FROM {table} WHERE {key} > ? AND {key} <= ?"
            for row in connection.execute(ask, (after, after + STEP)):
                results.append(row)
        after, barren = after + STEP, 0 if results else barren + 1
        if results:
            yield results
        else:
            after = _beyond(connection, table, key, after)


def _beyond(connection: sqlite3.Connection, table: str, key: str, after: int) -> int:
    """Behind which number to go on: numbers that were deleted or packed may be millions."""
    with suppress(*UNREADABLE):
        (following,) = connection.execute(f"SELECT MIN({key}) FROM {table} WHERE {key} > ?", (after,)).fetchone()
        if isinstance(following, int):
            return following - 1
    return after


def batches_of_blocks(connection: sqlite3.Connection) -> Iterator[Rows]:
    """Blocks in the order of their first reading: channel, content."""
    yield from in_steps(connection, "channel, content", TABLE, "first_seq")


def loose_blocks(path: Path) -> Iterator[Rows]:
    """Blocks in whatever page they stand."""
    rows = leaf_pages.rows(path, leaf_pages.TABLE_LEAF, WIDTH)
    while batch := list(islice(rows, STEP)):
        yield [(row[_CHANNEL], row[-1]) for row in batch]


def add_blocks(store: SqliteStore, batches: Iterable[Rows], sound: Callable[[Rows], list[Reading]]) -> int:
    """Keep the readings of blocks; returns how many they are. `sound` makes readings of rows.

    The days they are of were packed before, and are packed again meanwhile: as rows they would need ten times the room.
    """
    count, until_ms = 0, 0
    for blocks in batches:
        for channel, content in blocks:
            with suppress(DamagedBlock):
                columns = unpacked(content)
                readings = sound([(channel, *row[1:]) for row in columns.rows()])
                with store.transaction():
                    store.add_readings(readings)
                count += len(readings)
                until_ms = max(until_ms, int(columns.at_ms[-1]) + DAY_MS)
        while store.pack_step(min(until_ms, LAST_MS), AT_ONCE):
            pass
    return count


def packed_figures(connection: sqlite3.Connection, before_ms: int) -> Iterator[tuple[Any, ...]]:
    """Rows of the figures in blocks that start before a moment, as far as the pages can be read."""
    for blocks in in_steps(connection, "channel, period, energies, rest", FIGURE_BLOCKS, "id"):
        for channel, period, *contents in blocks:
            with suppress(DamagedBlock):
                yield from ((channel, period, *row) for row in figures_of(*contents).rows() if row[0] < before_ms)


def lost_days(damaged: Path, store: SqliteStore) -> dict[str, int]:
    """How many readings the digests of a damaged store have that the new one has not, by register and day.

    As far as these digests can be read themselves.
    """
    lost: dict[str, int] = {}
    with suppress(*UNREADABLE), closing(sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True)) as db:
        names: dict[object, Channel] = {}
        with suppress(*UNREADABLE):
            names.update({number: (point, register) for number, point, register in db.execute("SELECT * FROM channel")})
        for order in ("", "DESC"):  # before a damaged page, and behind it
            with suppress(*UNREADABLE):
                for channel, day, count in db.execute(f"{_DIGESTS} ORDER BY subject {order}, day {order}", (READING,)):
                    if (
                        (name := names.get(channel)) is None
                        or type(day) is not int
                        or day < 1
                        or type(count) is not int
                    ):
                        continue
                    span = (day * DAY_MS, (day + 1) * DAY_MS)
                    if (there := store.readings.count_between(store.channel_number(name), *span)) < count:
                        lost[str(Changed("", " ".join(name), span[0]))] = count - there
    return lost


def named(days: tuple[str, ...]) -> str:
    """The first of them, and how many more."""
    more = f" and {len(days) - NAMED} more" if len(days) > NAMED else ""
    return ", ".join(days[:NAMED]) + more
