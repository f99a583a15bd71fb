"""Packs readings of days that are long over into blocks, in pieces; takes blocks apart where rows are needed.

One transaction holds some days of some registers, each of them whole: a reading is a row or in a block, never both and never
neither, whenever the process is killed. Not packed are readings without a digest, those that a time-series database has not
been seen to hold, the newest of each register, and the last of all: its number must not be given again.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from itertools import chain

import numpy as np

from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.change_feed import Outbox
from meterd.adapters.store.digest_writer import DigestWriter
from meterd.adapters.store.digests import MOVING
from meterd.adapters.store.reading_blocks import (
    TABLE,
    ReadingColumns,
    block_row,
    columns_of_rows,
    day_start,
    in_order,
    joined,
    same,
    unpacked,
)
from meterd.core.errors import StoreError
from meterd.core.model.periods import DAY_MS, text
from meterd.core.registers.register_line import Ints

LAST_MS = 2**50  # a later time is none
NEVER = -(2**62)
_DAY = "channel = ? AND at_ms >= ? AND at_ms < ?"
_INSERT = f"INSERT INTO {TABLE} VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
_BEFORE = (
    f"SELECT first_seq FROM {TABLE} WHERE channel = ? AND first_ms < ? AND first_seq <= ? ORDER BY start_ms LIMIT ?"
)
_MOST_SEQ = 2**63 - 1


class BlockPacker:
    """The part of a store that writes blocks. Its methods belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection, digests: DigestWriter, outbox: Outbox) -> None:
        self._db, self._digests, self._outbox = connection, digests, outbox
        self._moving = False  # whether readings go from one table into the other, and their digests stay
        self._packed_to: dict[int, int] = {}  # up to which moment each register has blocks, or longer
        # of each register that may have something to pack: its next day, and the number of the first reading of that day,
        # so that blocks are added nearly in the order of their key and fill their pages
        self._waiting: dict[int, tuple[int, int]] = {}
        self._looked_to = NEVER

    def begin(self) -> None:
        """This connection writes from now on."""
        self._db.create_function(MOVING, 0, lambda: self._moving)
        self.take_numbers()

    def take_numbers(self) -> None:
        """Look how far each register is packed, under the number that it has now."""
        newest = f"(SELECT MAX(start_ms) FROM {TABLE} WHERE {TABLE}.channel = channel.id)"
        rows = self._db.execute(f"SELECT id, {newest} FROM channel").fetchall()
        self._packed_to = {channel: start + DAY_MS for channel, start in rows if start is not None}
        self.look_again()

    def look_again(self) -> None:
        """Begin with the oldest reading again; what a transaction that was not kept had packed is packed again."""
        self._looked_to = NEVER

    # -- what is in a block already ------------------------------------------------------------------------------------

    def repeats(self, rows: Sequence[tuple[int, int, object, int, int]]) -> set[int]:
        """Places of the readings (channel, at_ms, value, ...) that a block has already."""
        packed_to = self._packed_to
        days: dict[tuple[int, int], list[int]] = defaultdict(list)
        for place, row in enumerate(rows):
            if row[0] in packed_to and row[1] < packed_to[row[0]]:
                days[row[0], day_start(row[1])].append(place)
        return {place for key, own in days.items() for place in self._in_block(key, own, rows)}

    def _in_block(
        self, key: tuple[int, int], places: Sequence[int], rows: Sequence[tuple[int, int, object, int, int]]
    ) -> Iterator[int]:
        if (stored := self._block(key)) is not None:
            there = set(zip(stored.at_ms.tolist(), stored.values(), strict=True))
            yield from (place for place in places if rows[place][1:3] in there)

    def new_ones(self, channel: int, times: Ints, values: Ints) -> tuple[Ints, Ints]:
        """Times and values of one register without those that a block has already."""
        if not len(times) or times.min() >= self._packed_to.get(channel, NEVER):
            return times, values
        pairs = zip(times.tolist(), values.tolist(), strict=True)
        gone = self.repeats([(channel, at_ms, value, 0, 0) for at_ms, value in pairs])
        keep = np.ones(len(times), dtype=np.bool_)
        keep[sorted(gone)] = False
        return times[keep], values[keep]

    def _block(self, key: tuple[int, int]) -> ReadingColumns | None:
        """The readings of a register and day; None where it has no block, or a damaged one."""
        row = self._db.execute(f"SELECT content FROM {TABLE} WHERE channel = ? AND start_ms = ?", key).fetchone()
        with suppress(DamagedBlock):
            return None if row is None else unpacked(row[0])
        return None

    # -- packing -------------------------------------------------------------------------------------------------------

    def has_work(self, before_ms: int) -> bool:
        """Whether a register may have something to pack before a moment. Each day is looked at once, late readings later."""
        if day_start(before_ms) > self._looked_to:
            self._looked_to = day_start(before_ms)
            self._waiting = {}
            for (channel,) in self._db.execute("SELECT id FROM channel").fetchall():
                self._go_on(channel, 0)
        return bool(self._waiting)

    def _go_on(self, channel: int, from_ms: int) -> None:
        ask = f"SELECT at_ms, seq FROM reading WHERE {_DAY} ORDER BY at_ms, value LIMIT 1"
        first = self._db.execute(ask, (channel, from_ms, min(self._looked_to, LAST_MS))).fetchone()
        if first is None:
            self._waiting.pop(channel, None)
        else:
            self._waiting[channel] = day_start(first[0]), first[1]

    def step(self, most: int) -> None:
        """Pack about so many readings of what `has_work` has found, the earliest day first: its rows stand together."""
        last, count = self._last_seq(), 0
        while self._waiting and count < most:
            (start, _), channel = min(zip(self._waiting.values(), self._waiting, strict=True))
            count += 1 + self._pack(channel, start, last)
            self._go_on(channel, start + DAY_MS)

    def _last_seq(self) -> int:
        """The last reading that may be packed."""
        proven = self._outbox.proven()
        return min(self._digests.last_reading(), _MOST_SEQ if proven is None else proven)

    def _pack(self, channel: int, start: int, last_seq: int) -> int:
        """Pack a day of a register, if all of it may be; returns how many rows were looked at."""
        span = (channel, start, start + DAY_MS)
        ask = f"SELECT seq, at_ms, value, received_ms, marks FROM reading WHERE {_DAY}"
        rows = going = self._db.execute(ask, span).fetchall()
        stay = self._staying(channel)
        whole = set(map(type, chain.from_iterable(rows))) == {int}  # nearly always, and known at once
        if not whole or not stay.isdisjoint(row[0] for row in rows):
            going = [row for row in rows if row[0] not in stay and (whole or _is_whole(row))]
        if not going or max(going)[0] > last_seq:
            return len(rows)
        columns = in_order(columns_of_rows(going))
        known = self._db.execute(f"SELECT first_seq, content FROM {TABLE} WHERE channel = ? AND start_ms = ?", span[:2])
        for first_seq, content in known.fetchall():
            try:
                columns = in_order(joined([unpacked(content), columns]))
            except DamagedBlock:
                return len(rows)  # who restores a backup finds the others as they came
            self._db.execute(f"DELETE FROM {TABLE} WHERE first_seq = ?", (first_seq,))
        self._insert(channel, columns)
        with self._moved():
            if len(going) == len(rows):
                gone = self._db.execute(f"DELETE FROM reading WHERE {_DAY}", span).rowcount
            else:
                gone = self._db.executemany("DELETE FROM reading WHERE seq = ?", [row[:1] for row in going]).rowcount
        if gone != len(going):
            raise StoreError(f"readings of {text(start)} cannot be packed: {len(going)} rows were read, {gone} deleted")
        return len(rows)

    def _staying(self, channel: int) -> set[int]:
        """Numbers of readings that stay rows: the newest of the register, and the last of all."""
        ask = "SELECT seq FROM reading WHERE channel = ? ORDER BY at_ms DESC, value DESC LIMIT 1"
        return {
            seq for (seq,) in (*self._db.execute(ask, (channel,)), *self._db.execute("SELECT MAX(seq) FROM reading"))
        }

    def _insert(self, channel: int, columns: ReadingColumns) -> None:
        row = block_row(channel, columns)
        if not same(unpacked(row[-1]), columns):  # rather too much room than a reading that is another one
            raise StoreError(f"readings of {text(int(columns.at_ms[0]))} do not come back from their block")
        self._db.execute(_INSERT, row)
        end = day_start(int(columns.at_ms[0])) + DAY_MS
        self._packed_to[channel] = max(self._packed_to.get(channel, NEVER), end)

    @contextmanager
    def _moved(self) -> Iterator[None]:
        """Rows that are deleted inside stay readings: the triggers of the digests leave them alone."""
        self._moving = True
        try:
            yield
        finally:
            self._moving = False

    # -- and back ------------------------------------------------------------------------------------------------------

    def take_apart(self, channel: int, from_ms: int = NEVER, until_ms: int = -NEVER) -> None:
        """Make rows of the blocks of a register that reach into a span; damaged ones stay what they are."""
        ask = f"SELECT first_seq, content FROM {TABLE} WHERE channel = ? AND last_ms >= ? AND first_ms < ?"
        for first_seq, content in self._db.execute(ask, (channel, from_ms, until_ms)).fetchall():
            with suppress(DamagedBlock):
                rows = [(seq, channel, *rest) for seq, *rest in unpacked(content).rows()]
                self._db.execute(f"DELETE FROM {TABLE} WHERE first_seq = ?", (first_seq,))
                self._db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?)", rows)

    def prune(self, before: Mapping[int, int], last_seq: int, most: int) -> int:
        """Delete about so many readings that are before the moment of their register, from blocks; returns how many."""
        gone = 0
        for channel, before_ms in before.items():
            blocks = self._db.execute(_BEFORE, (channel, before_ms, last_seq, most)).fetchall()
            for (first_seq,) in blocks:
                if gone >= most:
                    return gone
                gone += self._prune(channel, first_seq, before_ms, last_seq)
        return gone

    def _prune(self, channel: int, first_seq: int, before_ms: int, last_seq: int) -> int:
        ask = f"SELECT content FROM {TABLE} WHERE first_seq = ?"
        try:
            columns = unpacked(self._db.execute(ask, (first_seq,)).fetchone()[0])
        except DamagedBlock:
            return 0  # stays as evidence
        going = (columns.at_ms < before_ms) & (columns.seq <= last_seq)
        if going.any():
            self._db.execute(f"DELETE FROM {TABLE} WHERE first_seq = ?", (first_seq,))
            self._digests.removed(channel, columns.where(going))
            if not going.all():
                self._insert(channel, columns.where(~going))
        return int(going.sum())


def _is_whole(row: tuple[object, ...]) -> bool:
    """Whether a row is of numbers alone, as every reading is that was not changed by somebody else."""
    *others, value = (*row[:2], *row[3:], row[2])
    return all(type(item) is int for item in others) and type(value) in (int, float)
