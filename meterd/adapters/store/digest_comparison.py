"""Compares the rows of a store with their digests, in pieces that each see one moment of the store."""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from hashlib import blake2b

from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.digest_chain import broken_days
from meterd.adapters.store.digests import (
    CHAINED_VERSION,
    COVERED,
    FIGURE,
    FIRST_VERSION,
    KINDS,
    REACH,
    READING,
    Changed,
    Covered,
    Key,
    columns_of,
    day_of,
    summed,
)
from meterd.adapters.store.figure_blocks import HEADER as FIGURE_HEADER
from meterd.adapters.store.figure_blocks import PERIODS, stretch_start
from meterd.adapters.store.figure_blocks import TABLE as FIGURE_BLOCKS
from meterd.adapters.store.figure_blocks import header_of as header_of_figures
from meterd.adapters.store.figure_blocks import unpacked as figures_of
from meterd.adapters.store.joined_readings import has_blocks
from meterd.adapters.store.reading_blocks import HEADER, ReadingColumns, header_of, unpacked
from meterd.adapters.store.reading_blocks import TABLE as BLOCKS
from meterd.adapters.store.reading_digests import COLUMNS, summed_columns, summed_readings
from meterd.core.model.periods import DAY_MS, Period

PIECE_ROWS = 3_000  # of one piece, as far as days can be told apart: about ten milliseconds
BEFORE_ALL, AFTER_ALL = -(2**40), 2**40  # days: no moment of 64 bits lies outside
_EXACT = "SELECT * FROM {0} WHERE {2} {1} >= ? AND {1} < ?"
# Times and values stand in the table and once more in the index, which is what the program reads: both must agree.
_READINGS = (
    "SELECT r.seq, r.channel, r.at_ms, r.value, r.received_ms, r.marks, i.channel, i.at_ms, i.value"
    " FROM reading AS i INDEXED BY reading_once CROSS JOIN reading AS r NOT INDEXED"
    " WHERE r.seq = i.seq AND i.channel = ? AND i.at_ms >= ? AND i.at_ms < ? AND i.seq <= ?"
)


# The same of blocks: the index of their days leads to them, and that of their last numbers must have them too.
_BLOCKS = (
    f"SELECT i.channel, i.start_ms, {', '.join(f'b.{name}' for name in HEADER)}, b.content,"
    f" EXISTS (SELECT 1 FROM {BLOCKS} AS l INDEXED BY reading_block_last"
    "  WHERE l.last_seq = b.last_seq AND l.first_seq = b.first_seq)"
    f" FROM {BLOCKS} AS i INDEXED BY reading_block_day CROSS JOIN {BLOCKS} AS b NOT INDEXED"
    " WHERE b.first_seq = i.first_seq AND i.channel = ? AND i.start_ms >= ? AND i.start_ms < ?"
)
# And of blocks of figures, which have one index.
_FIGURE_BLOCKS = (
    f"SELECT i.channel, i.period, i.start_ms, {', '.join(f'b.{name}' for name in FIGURE_HEADER)}, b.energies, b.rest"
    f" FROM {FIGURE_BLOCKS} AS i INDEXED BY figure_block_stretch CROSS JOIN {FIGURE_BLOCKS} AS b NOT INDEXED"
    " WHERE b.id = i.id AND i.channel = ? AND i.period = ? AND i.start_ms >= ? AND i.start_ms < ?"
)


@dataclass(frozen=True, slots=True)
class Piece:
    """What one piece of a comparison has found among so many rows."""

    rows: int
    changed: tuple[Changed, ...] = ()


@dataclass(frozen=True, slots=True)
class Reach:
    """How far the digests of a store reach: the complete tables, the last series of the others, the last reading."""

    complete: frozenset[str]
    partly: dict[str, object]
    seq: int
    former: int  # the last reading that version 7 has digested

    def holds(self, kind: str, subject: object) -> bool:
        """Whether the digests of a series are complete."""
        last = self.partly.get(kind)
        if kind in self.complete:
            return True
        return isinstance(last, type(subject)) and bool(subject <= last)  # type: ignore[operator]


def reach_of(connection: sqlite3.Connection) -> Reach:
    """How far the digests of a store reach; nowhere for one of a version that has none."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version < FIRST_VERSION:
        return Reach(frozenset(), {}, 0, 0)
    if version < CHAINED_VERSION:
        kinds = connection.execute("SELECT DISTINCT kind FROM digest").fetchall()
        return Reach(frozenset(kind for (kind,) in kinds), {}, 2**62, 2**62)
    rows = connection.execute(f"SELECT kind, complete, subject, seq FROM {REACH}").fetchall()
    complete = frozenset(kind for kind, whole, _, _ in rows if whole) | {REACH}
    partly = {kind: subject for kind, whole, subject, _ in rows if not whole and subject is not None}
    seq, former = next(((seq, subject) for kind, _, subject, seq in rows if kind == READING), (0, 0))
    return Reach(complete, partly, int(seq), int(former or 0))


def undigested(connection: sqlite3.Connection) -> int:
    """How many of the newest readings have no digest yet."""
    (last,) = connection.execute("SELECT COALESCE(MAX(seq), 0) FROM reading").fetchone()
    return max(0, int(last) - reach_of(connection).seq)


def pieces(connection: sqlite3.Connection, *, since_day: int = BEFORE_ALL) -> Iterator[Piece]:
    """Compare all rows, or those of tables with a time from a day on, piece by piece."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    yield _strangers(connection)
    for covered in sorted(
        COVERED, key=lambda item: bool(item.time)
    ):  # what has no time is short, and read by every start
        if not covered.time:
            yield _timeless(connection, covered)
            continue
        for subject in _series(connection, covered):
            for span in _spans(connection, covered, subject, since_day):
                yield _days(connection, covered, subject, span)
            if version >= CHAINED_VERSION and since_day == BEFORE_ALL:
                yield _chain(connection, covered, subject)


@contextmanager
def _one_moment(connection: sqlite3.Connection) -> Iterator[None]:
    """Rows and digests of one moment; whoever writes is not held up."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _strangers(connection: sqlite3.Connection) -> Piece:
    """Digests of a table that has none: their name has changed."""
    rows = connection.execute("SELECT DISTINCT kind FROM digest").fetchall()
    strangers = [Changed("digest", kind, 0) for (kind,) in rows if kind not in KINDS]
    return Piece(len(rows), tuple(strangers))


def _timeless(connection: sqlite3.Connection, covered: Covered) -> Piece:
    with _one_moment(connection):
        if covered.table not in reach_of(connection).complete:
            return Piece(0)
        rows = connection.execute(f"SELECT * FROM {covered.table} NOT INDEXED").fetchall()
        stored = connection.execute("SELECT subject, day, count, sum FROM digest WHERE kind = ?", (covered.table,))
        digests = _digests(covered, stored.fetchall())
        there = summed(covered, columns_of(connection, covered.table), rows)
    return Piece(len(rows), _differing(connection, covered, there, digests))


def _days(connection: sqlite3.Connection, covered: Covered, subject: object, span: tuple[int, int]) -> Piece:
    low, high = span
    with _one_moment(connection):
        reach = reach_of(connection)
        if not reach.holds(covered.table, subject):
            return Piece(0)
        stored = connection.execute(
            "SELECT subject, day, count, sum FROM digest WHERE kind = ? AND subject = ? AND day >= ? AND day < ?",
            (covered.table, subject, low, high),
        ).fetchall()
        rows = _rows(connection, covered, subject, span=span, last_seq=reach.seq)
        blocks = _blocks(connection, subject, span) if covered.table == READING else []
        figures, differing = _packed_figures(connection, subject, span) if covered.table == FIGURE else ([], [])
    if covered.table == READING:
        there = _summed_readings(rows, reach.former)
        for part, agrees in blocks:
            _add_block(there, subject, part.where(part.seq <= reach.seq), reach.former)
            if not agrees:
                _one_too_many(there, (READING, subject, day_of(int(part.at_ms[0]))))
    else:
        rows = [*rows, *figures]
        there = summed(covered, columns_of(connection, covered.table), rows)
        for start in differing:
            _one_too_many(there, (FIGURE, subject, day_of(start)))
    count = len(rows) + sum(len(part) for part, _ in blocks)
    return Piece(count, _differing(connection, covered, there, _digests(covered, stored)))


def _blocks(
    connection: sqlite3.Connection, channel: object, span: tuple[int, int]
) -> list[tuple[ReadingColumns, bool]]:
    """Blocks of a register in a span of days, and whether table and indexes say of them what they hold."""
    if not has_blocks(connection):
        return []
    results = []
    ends = (_start_of(span[0]), _start_of(span[1]))
    for own_channel, start, *header, content, numbered in connection.execute(_BLOCKS, (channel, *ends)):
        with suppress(DamagedBlock):  # what is lacking then differs from the digest
            part = unpacked(content)
            agrees = tuple(header) == header_of(own_channel, part) and header[3] == start and bool(numbered)
            results.append((part, agrees))
    return results


def _packed_figures(
    connection: sqlite3.Connection, channel: object, span: tuple[int, int]
) -> tuple[list[tuple[object, ...]], list[int]]:
    """Rows of the figures in blocks in a span of days, and the first start of each block whose row says something else."""
    if not has_blocks(connection, FIGURE_BLOCKS):
        return [], []
    rows: list[tuple[object, ...]] = []
    differing, ends = [], (_start_of(span[0]), _start_of(span[1]))
    for period in PERIODS:
        for *own, energies, rest in connection.execute(
            _FIGURE_BLOCKS, (channel, str(period), stretch_start(ends[0]), ends[1])
        ):
            with suppress(DamagedBlock):  # what is lacking then differs from the digest
                stretch = figures_of(energies, rest)
                part = stretch.between(*ends)
                header = header_of_figures(channel, str(period), stretch)
                if tuple(own) != (*header[:3], *header) and len(part):
                    differing.append(int(part.start_ms[0]))
                rows += [(channel, str(period), *row) for row in part.rows()]
    return rows, differing


def _add_block(there: dict[Key, tuple[int, int]], channel: object, part: ReadingColumns, former: int) -> None:
    if isinstance(channel, int):
        for key, (number, total) in summed_columns(channel, part, former).items():
            count, before = there.get(key, (0, 0))
            there[key] = (count + number, before + total)


def _one_too_many(there: dict[Key, tuple[int, int]], key: Key) -> None:
    count, total = there.get(key, (0, 0))
    there[key] = (count + 1, total)


def _rows(
    connection: sqlite3.Connection, covered: Covered, subject: object, *, span: tuple[int, int], last_seq: int
) -> Sequence[tuple[object, ...]]:
    ends = (_start_of(span[0]), _start_of(span[1]))
    if covered.table == READING:
        return connection.execute(_READINGS, (subject, *ends, last_seq)).fetchall()
    series, values = (f"{covered.subject} = ? AND ", (subject,)) if covered.subject else ("", ())
    if not covered.by_period:
        return connection.execute(_EXACT.format(covered.table, covered.time, series), (*values, *ends)).fetchall()
    ask = _EXACT.format(covered.table, covered.time, f"{series}period = ? AND ")
    return [row for period in Period for row in connection.execute(ask, (*values, period.value, *ends))]


def _summed_readings(rows: Sequence[tuple[object, ...]], former: int) -> dict[Key, tuple[int, int]]:
    """Number and sum of readings; one too many for each of which table and index say something else."""
    sums = summed_readings([row[:COLUMNS] for row in rows], former)
    for row in rows:
        if row[1:4] != row[COLUMNS:]:
            _one_too_many(sums, (READING, row[COLUMNS], day_of(row[COLUMNS + 1])))
    return sums


def _start_of(day: int) -> int:
    """The first moment of a day, as `day_of` tells days apart: day 0 has the last one before 1970 as well."""
    return max(-(2**63), min(2**63 - 1, day * DAY_MS if day > 0 else (day - 1) * DAY_MS + 1))


def _series(connection: sqlite3.Connection, covered: Covered) -> list[object]:
    """The series of a table, of its rows and of its digests: by leaps, since its rows may be millions."""
    if not covered.subject:
        return [""]
    names = [
        row[0] for row in connection.execute("SELECT DISTINCT subject FROM digest WHERE kind = ?", (covered.table,))
    ]
    tables = [covered.table]
    packed = {READING: BLOCKS, FIGURE: FIGURE_BLOCKS}.get(covered.table)
    if packed and has_blocks(connection, packed):
        tables.append(packed)
    for table in tables:
        next_ = f"SELECT MIN({covered.subject}) FROM {table}"
        (name,) = connection.execute(next_).fetchone()
        while name is not None:
            names.append(name)
            (name,) = connection.execute(f"{next_} WHERE {covered.subject} > ?", (name,)).fetchone()
    return sorted(set(names), key=lambda item: (isinstance(item, str), item))


def _spans(
    connection: sqlite3.Connection, covered: Covered, subject: object, since_day: int
) -> Iterator[tuple[int, int]]:
    """Spans of days that cover all time from a day on, with about as many rows in each."""
    low, rows = since_day, 0
    for day, count in connection.execute(
        "SELECT day, count FROM digest WHERE kind = ? AND subject = ? AND day >= ? ORDER BY day",
        (covered.table, subject, since_day),
    ).fetchall():
        if rows and rows + count > PIECE_ROWS:
            yield low, day
            low, rows = day, 0
        rows += count
    yield low, AFTER_ALL


def _chain(connection: sqlite3.Connection, covered: Covered, subject: object) -> Piece:
    with _one_moment(connection):
        days = list(broken_days(connection, (covered.table, subject)))
    return Piece(
        len(days), tuple(Changed(covered.table, _named(connection, covered, subject), day * DAY_MS) for day in days)
    )


def _digests(covered: Covered, rows: Sequence[tuple[object, int, int, int]]) -> dict[Key, tuple[int, int]]:
    return {(covered.table, subject, day): (count, total) for subject, day, count, total in rows if count}


def _differing(
    connection: sqlite3.Connection,
    covered: Covered,
    there: dict[Key, tuple[int, int]],
    digests: dict[Key, tuple[int, int]],
) -> tuple[Changed, ...]:
    keys = sorted((key for key in there.keys() | digests.keys() if there.get(key) != digests.get(key)), key=repr)
    return tuple(Changed(covered.table, _named(connection, covered, subject), day * DAY_MS) for _, subject, day in keys)


def _named(connection: sqlite3.Connection, covered: Covered, subject: object) -> object:
    """A register by its name, where its number can be resolved."""
    if covered.subject != "channel":
        return subject
    row = connection.execute("SELECT point, register FROM channel WHERE id = ?", (subject,)).fetchone()
    return subject if row is None else " ".join(map(str, row))


# -- the whole ---------------------------------------------------------------------------------------------------------


def verify(connection: sqlite3.Connection, *, since_day: int = BEFORE_ALL) -> list[str]:
    """Which digests do not hold, in words. Empty when all do.

    What cannot be read at all counts as changed; a store of an earlier version has no digests and nothing to say.
    """
    try:
        if int(connection.execute("PRAGMA user_version").fetchone()[0]) < FIRST_VERSION:
            return []
        results = [str(changed) for piece in pieces(connection, since_day=since_day) for changed in piece.changed]
    except (sqlite3.Error, ValueError, OverflowError, TypeError) as exc:
        return [f"it cannot be read: {exc}"]
    return list(dict.fromkeys(results))


def head(connection: sqlite3.Connection) -> str:
    """One fingerprint of all digests in their order: two copies with the same one hold the same."""
    chain = b""
    for row in connection.execute(
        "SELECT kind, subject, day, count, sum FROM digest WHERE count <> 0 ORDER BY kind, subject, day"
    ):
        chain = blake2b(chain + repr(row).encode(), digest_size=16).digest()
    return chain.hex()


def recent_day(connection: sqlite3.Connection) -> int:
    """The day before the last one that has a reading: from there on a start reads."""
    row = connection.execute(f"SELECT MAX(day) FROM digest WHERE kind = '{READING}' AND count <> 0").fetchone()
    return BEFORE_ALL if row[0] is None else int(row[0]) - 1
