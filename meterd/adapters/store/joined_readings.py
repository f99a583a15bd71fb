"""Readings of the journal as one, whether they stand in rows of their own or in blocks of closed days.

Both are read at one moment of the store: between two statements a reading may go from the rows into a block. A block that is
damaged is left out, and the digest of its day tells.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.reading_blocks import (
    TABLE,
    ReadingColumns,
    Row,
    day_start,
    unpacked,
    unpacked_values,
)
from meterd.core.registers.register_line import Ints

AT_ONCE = 20_000  # rows of a history that are Python objects at the same time
_EXACT = 2.0**53  # a sum of whole numbers below it is the same by whichever way it is added up
_WHERE = "channel = ? AND at_ms >= ? AND at_ms < ?"
_ROWS = "SELECT seq, at_ms, value, received_ms, marks FROM reading WHERE"
_BLOCKS = f"SELECT content FROM {TABLE} WHERE channel = ?"
# bounded by the start of the day, which has an index: other blocks are not looked at
_OF_DAYS = f"{_BLOCKS} AND start_ms >= ? AND start_ms < ? AND last_ms >= ? AND first_ms < ? ORDER BY start_ms"
_AT_MS, _VALUE = 1, 2
Numbered = tuple[int, int, int, int | float, int]  # seq, channel, at_ms, value, received_ms


@contextmanager
def one_moment(connection: sqlite3.Connection) -> Iterator[None]:
    """What is read inside is of one moment; whoever writes is not held up."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    try:
        yield
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def has_blocks(connection: sqlite3.Connection, table: str = TABLE) -> bool:
    """Whether a store has a table of blocks: one of an earlier version gets it when a process opens it to write."""
    return bool(connection.execute("SELECT 1 FROM sqlite_schema WHERE name = ?", (table,)).fetchone())


class JoinedReadings:
    """The readings that one connection sees. `channel` is the number of a register; spans are half-open."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._with_blocks = False

    def _has_blocks(self) -> bool:
        if not self._with_blocks:  # asked each time: a writer may add them meanwhile
            self._with_blocks = has_blocks(self._db)
        return self._with_blocks

    # -- of one register, in order of time -----------------------------------------------------------------------------

    def rows(self, channel: int, from_ms: int, until_ms: int, most: int = -1) -> list[Row]:
        """The readings of a register, sorted by (time, value); with `most` only the earliest so many."""
        with one_moment(self._db):
            own: list[Row] = self._db.execute(
                f"{_ROWS} {_WHERE} ORDER BY at_ms, value LIMIT ?", (channel, from_ms, until_ms, most)
            ).fetchall()
            parts = self._days(channel, from_ms, until_ms, most)
            days = [row for part in parts for row in (part if most < 0 else part.where(slice(most))).rows()]
        return _cut(_merged(days, own), most)

    def in_turn(self, channel: int, from_ms: int, until_ms: int) -> Iterator[Row]:
        """The readings of a register as `rows` has them, one after the other: for whoever reads one moment of a store."""
        own = self._db.execute(f"{_ROWS} {_WHERE} ORDER BY at_ms, value", (channel, from_ms, until_ms))
        row: Row | None = next(own, None)
        for part in self._days(channel, from_ms, until_ms, -1):
            first, last = int(part.at_ms[0]), int(part.at_ms[-1])
            between: list[Row] = []
            while row is not None and row[_AT_MS] <= last:
                if row[_AT_MS] < first:
                    yield row
                else:
                    between.append(row)
                row = next(own, None)
            yield from _merged(part.rows(), between)
        if row is not None:
            yield row
            yield from own

    def history(self, channel: int, from_ms: int, until_ms: int, most: int = -1) -> tuple[Ints, Ints]:
        """Times and values of a register that counts, sorted; with `most` only the earliest so many."""
        ask = f"SELECT at_ms, value FROM reading WHERE {_WHERE} ORDER BY at_ms, value LIMIT ?"
        with one_moment(self._db):
            table = _whole(self._db.execute(ask, (channel, from_ms, until_ms, most)))
            days = list(self._counted(channel, from_ms, until_ms, most))
        times, values = (np.concatenate([*(day[i] for day in days), table[:, i]]) for i in (0, 1))
        if days and len(table) and table[0, 0] <= days[-1][0][-1]:
            order = np.lexsort((values, times))
            times, values = times[order], values[order]
        return (times, values) if most < 0 else (times[:most], values[:most])

    def _counted(self, channel: int, from_ms: int, until_ms: int, most: int) -> Iterator[tuple[Ints, Ints]]:
        """Times and whole values of blocks, day by day. A decimal number is of somebody else, and read as the database's is."""
        count = 0
        for (content,) in (
            self._db.execute(_OF_DAYS, _days_of(channel, from_ms, until_ms)) if self._has_blocks() else ()
        ):
            if 0 <= most <= count:
                return
            with suppress(DamagedBlock):
                times, values, real = unpacked_values(content)
                if real.any():
                    values = np.where(real, values.view(np.float64), values).astype(np.int64)
                if times[0] < from_ms or times[-1] >= until_ms:
                    inside = (times >= from_ms) & (times < until_ms)
                    times, values = times[inside], values[inside]
                count += len(times)
                if len(times):
                    yield times, values

    def samples(self, channel: int, from_ms: int, until_ms: int) -> tuple[Ints, NDArray[np.float64]]:
        """Times and values of any register, values as floats."""
        ask = f"SELECT at_ms, value FROM reading WHERE {_WHERE} ORDER BY at_ms, value"
        with one_moment(self._db):
            own = self._db.execute(ask, (channel, from_ms, until_ms)).fetchall()
            days = [(part.at_ms, part.floats) for part in self._days(channel, from_ms, until_ms, -1)]
        times = np.concatenate([*(day[0] for day in days), np.array([row[0] for row in own], dtype=np.int64)])
        values = np.concatenate([*(day[1] for day in days), np.array([row[1] for row in own], dtype=np.float64)])
        if days and own:
            order = np.lexsort((values, times))
            times, values = times[order], values[order]
        return times, values

    def newest(self, channel: int, most: int) -> list[tuple[int, int | float]]:
        """Times and values of at most so many of the newest readings, in order of time."""
        ask = "SELECT at_ms, value FROM reading WHERE channel = ? ORDER BY at_ms DESC, value DESC LIMIT ?"
        with one_moment(self._db):
            pairs: list[tuple[int, int | float]] = self._db.execute(ask, (channel, most)).fetchall()[::-1]
            days = list(_enough(self._unpacked(f"{_BLOCKS} ORDER BY start_ms DESC", (channel,)), most))
        if days:
            for part in days:
                pairs += zip(part.at_ms.tolist(), part.values(), strict=True)
            pairs.sort()
        return pairs[max(0, len(pairs) - most) :]

    def ends(self, channel: int) -> tuple[int, int] | None:
        """Times of the oldest and the newest reading; None of a register that has none."""
        ask = f"SELECT first_ms, last_ms FROM {TABLE} WHERE channel = ? ORDER BY start_ms"
        with one_moment(self._db):
            rows = self._db.execute(
                "SELECT (SELECT MIN(at_ms) FROM reading WHERE channel = :channel),"
                " (SELECT MAX(at_ms) FROM reading WHERE channel = :channel)",
                {"channel": channel},
            ).fetchall()
            for order in ("ASC", "DESC") if self._has_blocks() else ():
                rows += self._db.execute(f"{ask} {order} LIMIT 1", (channel,)).fetchall()
        known = [int(end) for row in rows for end in row if end is not None]
        return (min(known), max(known)) if known else None

    def around(self, channel: int, at_ms: int) -> tuple[int | None, int | None]:
        """Times of the newest reading before a moment and of the first one from it on."""
        key = (channel, at_ms)
        with one_moment(self._db):
            before = self._db.execute("SELECT MAX(at_ms) FROM reading WHERE channel = ? AND at_ms < ?", key).fetchone()
            after = self._db.execute("SELECT MIN(at_ms) FROM reading WHERE channel = ? AND at_ms >= ?", key).fetchone()
            earlier = self._unpacked(
                f"{_BLOCKS} AND start_ms < ? AND first_ms < ? ORDER BY start_ms DESC", (*key, at_ms)
            )
            befores: list[int] = next((part.at_ms[part.at_ms < at_ms][-1:].tolist() for part in earlier), [])
            of_day = (channel, day_start(at_ms), at_ms)
            later = self._unpacked(f"{_BLOCKS} AND start_ms >= ? AND last_ms >= ? ORDER BY start_ms", of_day)
            afters: list[int] = next((part.at_ms[part.at_ms >= at_ms][:1].tolist() for part in later), [])
        befores += [end for end in before if end is not None]
        afters += [end for end in after if end is not None]
        return max(befores, default=None), min(afters, default=None)

    def totals(self, channel: int, from_ms: int, until_ms: int) -> tuple[int, float, float]:
        """How many readings, and what the database adds up of their times and of their values."""
        ask = f"SELECT COUNT(*), TOTAL(at_ms), TOTAL(value) FROM reading WHERE {_WHERE}"
        with one_moment(self._db):
            if not any(True for _ in self._days(channel, from_ms, until_ms, 1)):
                count, times, values = self._db.execute(ask, (channel, from_ms, until_ms)).fetchone()
                return int(count), float(times), float(values)
            rows = self.rows(channel, from_ms, until_ms)
        return added_up([(at_ms, value) for _, at_ms, value, _, _ in rows])

    def count_before(self, channel: int, before_ms: int, last_seq: int = 2**62) -> int:
        """How many readings of a register are before a moment and not behind a number."""
        ask = "SELECT COUNT(*) FROM reading WHERE channel = ? AND at_ms < ? AND seq <= ?"
        key = (channel, before_ms, last_seq)
        with one_moment(self._db):
            count = int(self._db.execute(ask, key).fetchone()[0])
            if self._has_blocks():
                whole = (
                    f"SELECT COALESCE(SUM(count), 0) FROM {TABLE} WHERE channel = ? AND last_ms < ? AND last_seq <= ?"
                )
                count += int(self._db.execute(whole, key).fetchone()[0])
            partly = f"{_BLOCKS} AND first_ms < ? AND first_seq <= ? AND NOT (last_ms < ? AND last_seq <= ?)"
            for part in self._unpacked(partly, (*key, *key[1:])):
                count += int(((part.at_ms < before_ms) & (part.seq <= last_seq)).sum())
        return count

    def count_between(self, channel: int, from_ms: int, until_ms: int) -> int:
        """How many readings of a register are in a span."""
        with one_moment(self._db):
            ask = f"SELECT COUNT(*) FROM reading WHERE {_WHERE}"
            (count,) = self._db.execute(ask, (channel, from_ms, until_ms)).fetchone()
            return int(count) + sum(map(len, self._days(channel, from_ms, until_ms, -1)))

    def _days(self, channel: int, from_ms: int, until_ms: int, most: int) -> Iterator[ReadingColumns]:
        """What blocks hold of a span, day by day; with `most` no further than for the earliest so many."""
        parts = (
            part.between(from_ms, until_ms) for part in self._unpacked(_OF_DAYS, _days_of(channel, from_ms, until_ms))
        )
        return _enough((part for part in parts if len(part)), most)

    def _unpacked(self, ask: str, values: Sequence[object]) -> Iterator[ReadingColumns]:
        if self._has_blocks():
            for (content,) in self._db.execute(ask, values):
                with suppress(DamagedBlock):
                    yield unpacked(content)

    # -- in the order in which they came -------------------------------------------------------------------------------

    def count(self) -> int:
        """How many there are."""
        ask = "SELECT (SELECT COUNT(*) FROM reading)"
        with one_moment(self._db):
            if self._has_blocks():
                ask += f" + (SELECT COALESCE(SUM(count), 0) FROM {TABLE})"
            return int(self._db.execute(ask).fetchone()[0])

    def first_seq(self) -> int | None:
        """The number of the first one that is there."""
        with one_moment(self._db):
            rows = self._db.execute("SELECT MIN(seq) FROM reading").fetchall()
            if self._has_blocks():
                rows += self._db.execute(f"SELECT MIN(first_seq) FROM {TABLE}").fetchall()
        return min((int(first) for (first,) in rows if first is not None), default=None)

    def after(self, seq: int, most: int) -> list[Numbered]:
        """The first so many readings behind a number: seq, channel, at_ms, value, received_ms."""
        ask = "SELECT seq, channel, at_ms, value, received_ms FROM reading WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?"
        with one_moment(self._db):
            if not self._is_packed(seq):
                return self._db.execute(ask, (seq, 2**62, most)).fetchall()
            results: list[Numbered] = []
            while len(results) < most and (first := self._next(seq)) is not None:
                low, seq = first - 1, first - 1 + most - len(results)  # no more than so many have these numbers
                rows = self._db.execute(ask, (low, seq, -1)).fetchall()
                results += sorted(chain(rows, self._packed_between(low, seq)))
        return results

    def _is_packed(self, seq: int) -> bool:
        """Whether any reading behind a number is in a block."""
        ask = f"SELECT 1 FROM {TABLE} WHERE last_seq > ? LIMIT 1"
        return self._has_blocks() and self._db.execute(ask, (seq,)).fetchone() is not None

    def _next(self, seq: int) -> int | None:
        """The next number behind one, or an earlier one: what a block has in between is not looked up."""
        rows = self._db.execute("SELECT MIN(seq) FROM reading WHERE seq > ?", (seq,)).fetchall()
        rows += self._db.execute(f"SELECT MIN(first_seq) FROM {TABLE}").fetchall()
        if rows[-1][0] is not None and rows[-1][0] <= seq:  # looked up by the last numbers: all that are behind
            rows[-1:] = self._db.execute(f"SELECT MIN(first_seq) FROM {TABLE} WHERE last_seq > ?", (seq,)).fetchall()
        known = [max(seq + 1, int(first)) for (first,) in rows if first is not None]
        return min(known, default=None)

    def _packed_between(self, low: int, high: int) -> Iterator[Numbered]:
        """Readings in blocks whose numbers are in (low, high]."""
        ask = f"SELECT channel, content FROM {TABLE} WHERE last_seq > ? AND first_seq <= ?"
        for channel, content in self._db.execute(ask, (low, high)):
            with suppress(DamagedBlock):
                days = unpacked(content)
                for seq, at_ms, value, received_ms, _ in days.where((days.seq > low) & (days.seq <= high)).rows():
                    yield seq, channel, at_ms, value, received_ms


def _days_of(channel: int, from_ms: int, until_ms: int) -> tuple[int, int, int, int, int]:
    return channel, day_start(from_ms), until_ms, from_ms, until_ms


def _enough(parts: Iterator[ReadingColumns], most: int) -> Iterator[ReadingColumns]:
    """No more of them than have so many readings; all below 0."""
    count = 0
    while (most < 0 or count < most) and (part := next(parts, None)) is not None:
        count += len(part)
        yield part


def _merged(days: list[Row], own: list[Row]) -> list[Row]:
    if not days or not own:
        return days or own
    # the database sorts numbers before texts, which somebody else may have written
    return sorted(chain(days, own), key=lambda row: (row[_AT_MS], isinstance(row[_VALUE], str | bytes), row[_VALUE]))


def _cut(rows: list[Row], most: int) -> list[Row]:
    return rows if most < 0 else rows[:most]


def _whole(rows: sqlite3.Cursor) -> Ints:
    """Pairs of whole numbers as a table of two columns."""
    parts = [np.empty((0, 2), dtype=np.int64)]
    while some := rows.fetchmany(AT_ONCE):
        parts.append(np.fromiter(chain.from_iterable(some), np.int64, 2 * len(some)).reshape(-1, 2))
    return np.concatenate(parts)


def added_up(pairs: Sequence[tuple[int, int | float]]) -> tuple[int, float, float]:
    """How many pairs, and what the database's TOTAL gives of their first and of their second values."""
    times = [at_ms for at_ms, _ in pairs]
    values = [value for _, value in pairs]
    exact = all(type(item) is int for pair in pairs for item in pair)
    if exact and max(sum(map(abs, times)), sum(map(abs, values))) < _EXACT:
        return len(pairs), float(sum(times)), float(sum(values))
    with closing(sqlite3.connect(":memory:")) as memory:  # how floats are added up differs between its versions
        memory.execute("CREATE TABLE pair (at_ms, value NUMERIC)")
        memory.executemany("INSERT INTO pair VALUES (?, ?)", pairs)
        count, time, value = memory.execute("SELECT COUNT(*), TOTAL(at_ms), TOTAL(value) FROM pair").fetchone()
    return int(count), float(time), float(value)
