"""Digests of what a store holds, by table, register and day: a later change of any row that was not made by us is seen.

A digest is the number of rows and the sum of their fingerprints, which does not depend on their order. It changes in the
transaction that changes the rows: `digest_writer` adds what was inserted in bulk, triggers of the writing connection do
the rest, whichever part of the program writes. Another program that writes into the file has no such triggers, and a byte
that changes by itself asks nobody. `digest_chain` links each day to the day before, `digest_comparison` compares.
"""

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from hashlib import blake2b

from meterd.core.model.periods import DAY_MS, text

# What version 7 of the schema adds. Rows of tables without a time stand under day 0.
VERSION_7 = """
CREATE TABLE digest (kind TEXT NOT NULL, subject NOT NULL, day INTEGER NOT NULL, count INTEGER NOT NULL, sum INTEGER NOT NULL,
 PRIMARY KEY (kind, subject, day)) WITHOUT ROWID;
"""
# Version 8: the chain, and how far digests reach. `subject` is the last series of a table of an earlier version whose
# digests are still being made, series by series. Of readings, `seq` is the last that is in a digest, `subject` the last that
# version 7 has put there.
VERSION_8 = """
ALTER TABLE digest ADD COLUMN link BLOB;
CREATE INDEX digest_open ON digest (kind, subject, day) WHERE link IS NULL;
CREATE TABLE digest_reach (kind TEXT PRIMARY KEY, complete INTEGER NOT NULL, subject, seq INTEGER NOT NULL) WITHOUT ROWID;
WITH made (kind) AS (VALUES ('channel'), ('figure'), ('balance'), ('pv'), ('correction'), ('record'), ('issued'), ('fact'))
INSERT INTO digest_reach SELECT kind, 1, NULL, 0 FROM made WHERE EXISTS (SELECT 1 FROM digest);
INSERT INTO digest_reach SELECT 'reading', 1, COALESCE(MAX(seq), 0), COALESCE(MAX(seq), 0) FROM reading
 WHERE EXISTS (SELECT 1 FROM digest);
"""
HASH, READING_HASH = "meterd_digest", "meterd_reading_digest"
# whether rows that are deleted now stay readings or figures, in a block
MOVING, MOVING_FIGURES = "meterd_moving", "meterd_moving_figures"
FIRST_VERSION, CHAINED_VERSION = 7, 8
READING, FIGURE, REACH = "reading", "figure", "digest_reach"


@dataclass(frozen=True, slots=True)
class Covered:
    """A table whose rows have digests: what tells its series apart, and its time; empty where it has none.

    Of a table `by_period` the rows of a series stand in the order of (period, time). Rows that are inserted `in_bulk` are
    given to the writer of digests by whoever inserts them.
    """

    table: str
    subject: str = ""
    time: str = ""
    by_period: bool = False
    in_bulk: bool = False


# Not covered is what only says what a database of lines has still to get, `change` and `line_mark`. Readings in a
# `reading_block` and figures in a `figure_block` have the digests that they had as rows.
COVERED = (
    Covered("channel"),
    Covered(READING, "channel", "at_ms", in_bulk=True),
    Covered(FIGURE, "channel", "start_ms", by_period=True, in_bulk=True),
    Covered("balance", "board", "start_ms", by_period=True, in_bulk=True),
    Covered("pv", "", "start_ms", by_period=True, in_bulk=True),
    Covered("figure_old", "channel", "start_ms", by_period=True),
    Covered("balance_old", "board", "start_ms", by_period=True),
    Covered("pv_old", "", "start_ms", by_period=True),
    Covered("drift_day", "part", "start_ms"),
    Covered("forecast", "", "issued_ms"),
    Covered("correction"),
    Covered("record"),
    Covered("issued"),
    Covered("fact", "name"),
    Covered("finding", "id"),
    Covered("finding_old", "id"),
    Covered("finding_note", "id"),
    Covered("suppression"),
    Covered("notice"),
    Covered("line_refused"),
    Covered("flow_points"),
    Covered("unpacked"),
    Covered(REACH),
)
KINDS: Mapping[str, Covered] = {covered.table: covered for covered in COVERED}
Key = tuple[str, object, int]  # table, series, day


@dataclass(frozen=True, slots=True)
class Changed:
    """Rows of one table, series and day that are not those that were written."""

    kind: str
    subject: object
    day_ms: int

    def __str__(self) -> str:
        day = f" of {text(self.day_ms)[:10]}" if self.day_ms else ""
        return f"{self.kind} {self.subject}{day}".replace("  ", " ").strip()


def fingerprint(row: tuple[object, ...]) -> int:
    """A fingerprint of 40 bits: sums of four million of them fit 64 bits, and one in 10^12 changes is missed."""
    return int.from_bytes(blake2b(repr(row).encode(), digest_size=5).digest(), "big")


def row_hash(*values: object) -> int:
    """The fingerprint of a row, for the database."""
    return fingerprint(values)


def day_of(at_ms: object) -> int:
    """The UTC day of a moment as the database divides: toward 1970. What is no moment stands under day 0."""
    if not isinstance(at_ms, int):
        return 0
    return at_ms // DAY_MS if at_ms >= 0 else -(-at_ms // DAY_MS)


def summed(covered: Covered, columns: list[str], rows: Iterable[tuple[object, ...]]) -> dict[Key, tuple[int, int]]:
    """Number and sum of fingerprints of rows, by series and day."""
    subject_at = columns.index(covered.subject) if covered.subject else None
    time_at = columns.index(covered.time) if covered.time else None
    sums: dict[Key, tuple[int, int]] = {}
    for row in rows:
        day = 0 if time_at is None else day_of(row[time_at])
        key = (covered.table, "" if subject_at is None else row[subject_at], day)
        count, total = sums.get(key, (0, 0))
        sums[key] = (count + 1, total + fingerprint(row))
    return sums


def summed_by_day(rows: Iterable[tuple[object, ...]], starts_at: int) -> dict[int, tuple[int, int]]:
    """Number and sum of fingerprints of rows of one series, by day: `fingerprint` and `day_of` without their calls.

    `starts_at` is the place of the start in a row.
    """
    prints: dict[int, list[int]] = {}
    last: int | None = None
    into: list[int] = []
    for row in rows:
        start: int = row[starts_at]  # type: ignore[assignment]
        day = start // DAY_MS if start >= 0 else day_of(start)
        if day != last:
            last, into = day, prints.setdefault(day, [])
        into.append(int.from_bytes(blake2b(repr(row).encode(), digest_size=5).digest()))
    return {day: (len(own), sum(own)) for day, own in prints.items()}


def columns_of(connection: sqlite3.Connection, table: str) -> list[str]:
    """The columns of a table in their order."""
    return [str(row[1]) for row in connection.execute(f"PRAGMA main.table_info({table})")]


# -- triggers ----------------------------------------------------------------------------------------------------------


def keep_digests(connection: sqlite3.Connection, reading_hash: Callable[..., int]) -> None:
    """From now on what this connection changes row by row is digested in the same transaction.

    `reading_hash` gives the fingerprint of a reading, after the last reading that version 7 has digested.
    """
    connection.create_function(HASH, -1, row_hash, deterministic=True)
    connection.create_function(READING_HASH, -1, reading_hash, deterministic=True)
    for moving in (MOVING, MOVING_FIGURES):
        connection.create_function(moving, 0, lambda: False)
    connection.execute("PRAGMA recursive_triggers = ON")  # without it a row that is replaced goes without a word
    for covered in COVERED:
        names = columns_of(connection, covered.table)
        events = [("gone", "DELETE", "O"), ("other", "UPDATE", "ON")]
        if not covered.in_bulk:
            events.append(("new", "INSERT", "N"))
        for name, event, rows in events:
            steps = "".join(
                _step(covered, names, "OLD", "-") if row == "O" else _step(covered, names, "NEW", "+") for row in rows
            )
            table, when = covered.table, ""
            if table == READING and event == "DELETE":
                steps, when = steps + _LOWER_REACH, f"WHEN NOT {MOVING}() "
            elif table == FIGURE and event == "DELETE":
                when = f"WHEN NOT {MOVING_FIGURES}() "
            connection.execute(
                f"CREATE TEMP TRIGGER digest_{table}_{name} AFTER {event} ON main.{table} {when}BEGIN {steps} END"
            )


# The number of the newest reading, once it is deleted, is given again: what gets it is in no digest yet.
_LOWER_REACH = (
    f"UPDATE {REACH} SET seq = (SELECT COALESCE(MAX(seq), 0) FROM reading)"
    f" WHERE kind = '{READING}' AND seq > (SELECT COALESCE(MAX(seq), 0) FROM reading);"
)


def _step(covered: Covered, names: list[str], row: str, sign: str) -> str:
    # the policy of the statement that fires a trigger holds inside it too, so nothing here may depend on one of its own
    subject = f"{row}.{covered.subject}" if covered.subject else "''"
    day = f"{row}.{covered.time} / {DAY_MS}" if covered.time else "0"
    values = ", ".join(f"{row}.{name}" for name in names)
    hashed = f"{HASH}({values})"
    if covered.table == READING:
        hashed = f"{READING_HASH}((SELECT subject FROM {REACH} WHERE kind = '{READING}'), {values})"
    where = f"kind = '{covered.table}' AND subject = {subject} AND day = {day}"
    reached = _reached(covered, row, subject)
    return (
        f"INSERT INTO digest (kind, subject, day, count, sum) SELECT '{covered.table}', {subject}, {day}, 0, 0"
        f" WHERE {reached} AND NOT EXISTS (SELECT 1 FROM digest WHERE {where});"
        f" UPDATE digest SET count = count {sign} 1, sum = sum {sign} {hashed}, link = NULL"
        f" WHERE {where} AND {reached};"
    )


def _reached(covered: Covered, row: str, subject: str) -> str:
    """Whether a row is among those that have digests already."""
    if covered.table == REACH:
        return "1"
    if covered.table == READING:
        return f"{row}.seq <= (SELECT seq FROM {REACH} WHERE kind = '{READING}')"
    return f"EXISTS (SELECT 1 FROM {REACH} WHERE kind = '{covered.table}' AND (complete OR subject >= {subject}))"
