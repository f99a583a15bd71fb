"""Every table of a store as a number of rows and a digest: what a change of structure must leave as it is.

    python -m tests.table_digests STORE             # print them, to compare two versions of the program by hand

The digests of the golden store and of a replayed year are kept in vectors/golden/tables.csv. METERD_GOLDEN=write renews
them, for a change of figures on purpose that is named in the changelog.
"""

import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from hashlib import sha256
from itertools import islice
from pathlib import Path

from meterd.adapters.store.figure_blocks import COLUMNS
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.core.model.periods import Period

GOLDEN = Path(__file__).parent / "vectors" / "golden"
KEPT = GOLDEN / "tables.csv"
# when a row was written, and what hangs on it
OF_THE_MOMENT = {"received_ms", "written_ms", "made_ms", "made_of_ms", "withdrawn_ms", "sum", "link", "command"}
# from floating point: may differ by a milliwatt-hour between versions of a library
FLOATING = {"band", "reconciled", "data"}
# What lists the tables that have digests: another one is no change of a figure. Blocks: what is in them stands with the rows.
SKIPPED = {"digest_reach", "reading_block", "figure_block"}
AT_ONCE = 10_000  # rows


def table_digests(store: Path) -> dict[str, tuple[int, str]]:
    """Rows and digest of every table, in the order of its key."""
    with closing(sqlite3.connect(f"{store.absolute().as_uri()}?mode=ro", uri=True)) as db:
        named = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
        return {table: _digest(db, table) for (table,) in db.execute(named).fetchall() if table not in SKIPPED}


def _digest(db: sqlite3.Connection, table: str) -> tuple[int, str]:
    info = db.execute(f'PRAGMA table_info("{table}")').fetchall()
    columns = [row[1] for row in info if row[1] not in OF_THE_MOMENT | FLOATING]
    key = [row[1] for row in sorted(info, key=lambda row: int(row[5])) if row[5]] or columns
    listed, order = (", ".join(f'"{name}"' for name in names) for names in (columns, key))
    rows: Iterator[tuple[object, ...]] = db.execute(f'SELECT {listed} FROM "{table}" ORDER BY {order}')
    if table == "reading":
        rows = _readings(db, columns)
    if table == "figure":
        rows = _figures(db, columns)
    count, result = 0, sha256(listed.encode())
    while some := list(islice(rows, AT_ONCE)):
        count += len(some)
        result.update(repr(some).encode())
    return count, result.hexdigest()


def _readings(db: sqlite3.Connection, columns: list[str]) -> Iterator[tuple[object, ...]]:
    """Readings by their number, whether they stand in rows or in blocks."""
    every = JoinedReadings(db)
    channels = [number for (number,) in db.execute("SELECT id FROM channel").fetchall()]
    rows = [(row[0], channel, *row[1:]) for channel in channels for row in every.rows(channel, -(2**62), 2**62)]
    places = [("seq", "channel", "at_ms", "value", "received_ms", "marks").index(name) for name in columns]
    return (tuple(row[place] for place in places) for row in sorted(rows))


def _figures(db: sqlite3.Connection, columns: list[str]) -> Iterator[tuple[object, ...]]:
    """Figures by their key, whether they stand in rows or in blocks."""
    every = JoinedFigures(db)
    places = [("channel", "period", *COLUMNS.split(", ")).index(name) for name in columns]
    for (channel,) in db.execute("SELECT id FROM channel ORDER BY id").fetchall():
        for period in sorted(Period):
            for row in every.rows(channel, period, -(2**62), 2**62):
                yield tuple((channel, str(period), *row)[place] for place in places)


def assert_tables(name: str, store: Path) -> None:
    """The tables of a store are those that are kept under this name, new ones aside; renews them where that is asked for."""
    known = [tuple(line.split(",")) for line in KEPT.read_text(encoding="utf-8").splitlines()] if KEPT.exists() else []
    now = [(name, table, str(count), digest) for table, (count, digest) in table_digests(store).items()]
    if os.environ.get("METERD_GOLDEN") == "write":
        known = sorted([*(line for line in known if line[0] != name), *now])
        KEPT.write_text("".join(f"{','.join(line)}\n" for line in known), encoding="utf-8")
    expected, results = ({line[1]: line for line in lines if line[0] == name} for lines in (known, now))
    differing = [table for table, line in expected.items() if results.get(table) != line]
    assert expected, f"no tables of the {name} are kept"
    assert not differing, f"tables of the {name} that are not as before: {differing}"


if __name__ == "__main__":
    for table, (count, digest) in table_digests(Path(sys.argv[1])).items():
        print(table, count, digest)
