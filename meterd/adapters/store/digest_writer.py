"""Keeps the digests of a store that is written to, at little cost: rows in bulk, readings some thousand at a time.

What is inserted row after row by the thousand has no trigger. Figures, balances and PV figures are added by whoever inserts
them (`added`) and written with their transaction. Readings are numbered: those behind the last number that is in a digest
are digested together (`_digest_readings`), when there are enough of them, when periods close and when the store is closed.
A store of an earlier version gets what it lacks in pieces (`step`), while it is in use.
"""

import sqlite3
from collections.abc import Iterable, Sequence

from meterd.adapters.store.digest_chain import Chain, link_days, open_chains
from meterd.adapters.store.digests import KINDS, REACH, READING, Key, columns_of, summed, summed_by_day
from meterd.adapters.store.reading_blocks import ReadingColumns
from meterd.adapters.store.reading_digests import summed_columns, summed_history, summed_readings, summed_texts
from meterd.core.registers.register_line import Ints

LEAST_READINGS = 2_000  # fewer wait: a digest of each register and day would be written for one or two readings
LEAST_ROUNDS = 10  # of all registers, for the same reason: each digest stands on a page of its own
PIECE_READINGS = 20_000  # of one piece: some hundredths of a second
PIECE_CHAINS = 50
BEGIN_ROWS = 20_000  # made when a store is opened: a small one is complete at once
END_READINGS = 200_000  # digested when a store is closed: half a second
_ADD = (
    "INSERT INTO digest (kind, subject, day, count, sum) VALUES (?, ?, ?, ?, ?)"
    " ON CONFLICT (kind, subject, day) DO UPDATE SET count = count + excluded.count, sum = sum + excluded.sum, link = NULL"
)


class DigestWriter:
    """The part of a store that keeps its digests. Its methods belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._pending: dict[Key, tuple[int, int]] = {}
        self._lacking: dict[str, object] | None = None  # tables that lack digests, and the last series that has some
        self._chains: list[Chain] = []
        self._unlinked, self._newest_day = True, 0
        self._least = LEAST_READINGS
        self._changes = connection.total_changes

    def begin(self) -> None:
        """Digest what has no digests yet, as far as it is short."""
        if not self._db.execute("SELECT 1 FROM digest WHERE kind = ?", (REACH,)).fetchone():
            self._add(self._digested(REACH, ""))
        self._db.execute(f"INSERT OR IGNORE INTO {REACH} VALUES (?, 1, 0, 0)", (READING,))
        rows = self._digest_readings(BEGIN_ROWS)
        while rows < BEGIN_ROWS and self._incomplete():
            rows += self._make()

    def added(self, table: str, subject: object, starts_at: int, rows: Iterable[tuple[object, ...]]) -> None:
        """Rows of one series that were inserted, with the values of all columns as they are stored.

        `starts_at` is the place of the start in a row.
        """
        if self._reaches(table, subject):
            self._note(table, subject, summed_by_day(rows, starts_at))

    def added_column(self, table: str, subject: object, starts: Ints, texts: Sequence[str]) -> None:
        """Many rows of one series, each by its start and its `repr`."""
        if self._reaches(table, subject):
            self._note(table, subject, summed_texts(starts, texts))

    def _note(self, table: str, subject: object, sums: dict[int, tuple[int, int]]) -> None:
        for day, (number, total) in sums.items():
            count, before = self._pending.get((table, subject, day), (0, 0))
            self._pending[table, subject, day] = (count + number, before + total)

    def history_added(self, channel: int, times: Ints, values: Ints, received_ms: int, marks: int) -> None:
        """Readings of one register that were inserted one after the other, none of them a repeat."""
        (last,) = self._db.execute("SELECT COALESCE(MAX(seq), 0) FROM reading").fetchone()
        reached, _ = self._readings_reach()
        if len(times) and last - reached == len(times):  # else `catch_up` digests them behind those that wait
            self._add(summed_history(reached + 1, channel, times, values=values, received_ms=received_ms, marks=marks))
            self._reach_reading(last)

    def catch_up(self) -> None:
        """Write what this transaction has added."""
        closing, pending = bool(self._pending), self._pending
        if pending:
            self._pending = {}
            self._add(pending)
        waiting = self._waiting_readings()
        if waiting >= self._least or (closing and waiting):
            # as many as this transaction can have brought; what is more is of an earlier version and can wait
            self._digest_readings(self._least + self._db.total_changes - self._changes)
        self._changes = self._db.total_changes

    def forget(self) -> None:
        """The transaction was not kept."""
        self._pending, self._lacking, self._chains, self._unlinked = {}, None, [], True

    def has_work(self) -> bool:
        """Whether there is something for `step` to do."""
        return self._unlinked or bool(self._incomplete()) or self._waiting_readings() > 2 * self._least

    def step(self) -> None:
        """One piece of what waits: readings, digests that are lacking, then links of days that are over."""
        if self._waiting_readings() > 2 * self._least:
            self._digest_readings(PIECE_READINGS)
        elif self._incomplete():
            self._make()
        elif self._unlinked:
            self._link_some()

    def link_anew(self) -> None:
        """Days that were over have changed: their links are made again."""
        self._unlinked = True

    def finish(self) -> None:
        """Digest the last readings and link the last days: the store is about to be closed."""
        self.catch_up()
        self._digest_readings(END_READINGS)
        for chain in open_chains(self._db):
            link_days(self._db, chain, last=True)

    # -- readings ------------------------------------------------------------------------------------------------------

    def _waiting_readings(self) -> int:
        row = self._db.execute(
            f"SELECT (SELECT COALESCE(MAX(seq), 0) FROM reading) - seq FROM {REACH} WHERE kind = ?", (READING,)
        ).fetchone()
        return int(row[0]) if row else 0

    def last_reading(self) -> int:
        """The last reading that is in a digest."""
        return self._readings_reach()[0]

    def removed(self, channel: int, readings: ReadingColumns) -> None:
        """Readings of one register that were in a block are deleted."""
        sums = summed_columns(channel, readings, self._readings_reach()[1])
        self._add({key: (-count, -total) for key, (count, total) in sums.items()})

    def _digest_readings(self, most: int) -> int:
        """Digest the readings behind the last that is in a digest; returns how many they were."""
        reached, former = self._readings_reach()
        count = 0
        while count < most:
            rows = self._db.execute(
                "SELECT seq, channel, at_ms, value, received_ms, marks FROM reading WHERE seq > ? ORDER BY seq LIMIT ?",
                (reached, min(most - count, PIECE_READINGS)),
            ).fetchall()
            if not rows:
                break
            self._add(summed_readings(rows, former))
            reached, count = rows[-1][0], count + len(rows)
        if count:
            self._reach_reading(reached)
            (registers,) = self._db.execute("SELECT COUNT(*) FROM channel").fetchone()
            self._least = max(LEAST_READINGS, LEAST_ROUNDS * registers)
        return count

    def _readings_reach(self) -> tuple[int, int]:
        """The last reading that is in a digest, and the last that version 7 has put there."""
        row = self._db.execute(f"SELECT seq, subject FROM {REACH} WHERE kind = ?", (READING,)).fetchone()
        return (int(row[0]), int(row[1] or 0)) if row else (0, 0)

    def _reach_reading(self, seq: int) -> None:
        self._db.execute(f"UPDATE {REACH} SET seq = ? WHERE kind = ?", (seq, READING))

    # -- what an earlier version lacks ---------------------------------------------------------------------------------

    def _incomplete(self) -> dict[str, object]:
        if self._lacking is None:
            known = {kind: row for kind, *row in self._db.execute(f"SELECT kind, complete, subject FROM {REACH}")}
            self._lacking = {
                kind: known[kind][1] if kind in known else None
                for kind in KINDS
                if kind != REACH and not (kind in known and known[kind][0])
            }
        return self._lacking

    def is_complete(self, table: str) -> bool:
        """Whether all rows of a table have digests."""
        return table not in self._incomplete()

    def _reaches(self, table: str, subject: object) -> bool:
        """Whether a series of a table has digests already."""
        lacking = self._incomplete()
        return table not in lacking or (lacking[table] is not None and bool(subject <= lacking[table]))  # type: ignore[operator]

    def _make(self) -> int:
        """Digests of the next series of a table that lacks them; returns how many rows it has, at least one."""
        lacking = self._incomplete()
        kind = next(iter(lacking))
        covered, after = KINDS[kind], lacking[kind]
        subject: object = ""
        if covered.subject and covered.time:
            where, values = ("", ()) if after is None else (f" WHERE {covered.subject} > ?", (after,))
            (subject,) = self._db.execute(f"SELECT MIN({covered.subject}) FROM {kind}{where}", values).fetchone()
        sums = {} if subject is None else self._digested(kind, subject)
        self._add(sums)
        done = subject is None or not (covered.subject and covered.time)
        self._db.execute(
            f"INSERT INTO {REACH} VALUES (?, ?, ?, 0)"
            " ON CONFLICT (kind) DO UPDATE SET complete = excluded.complete, subject = excluded.subject",
            (kind, int(done), None if done else subject),
        )
        self._lacking = None
        return 1 + sum(count for count, _ in sums.values())

    def _digested(self, kind: str, subject: object) -> dict[Key, tuple[int, int]]:
        covered = KINDS[kind]
        series = bool(covered.subject and covered.time)
        rows = self._db.execute(
            f"SELECT * FROM {kind}" + (f" WHERE {covered.subject} = ?" if series else ""), (subject,) if series else ()
        )
        return summed(covered, columns_of(self._db, kind), rows)

    # -- all of them ---------------------------------------------------------------------------------------------------

    def _add(self, sums: dict[Key, tuple[int, int]]) -> None:
        self._db.executemany(_ADD, ((*key, count, total) for key, (count, total) in sums.items()))
        timed = [day for kind, _, day in sums if KINDS[kind].time]
        if any(day != self._newest_day for day in timed):  # a day is over, or one that was over has changed
            self._newest_day, self._unlinked = max(timed), True

    def _link_some(self) -> None:
        if not self._chains:
            self._chains = open_chains(self._db)
        for chain in self._chains[-PIECE_CHAINS:]:
            link_days(self._db, chain, last=False)
        del self._chains[-PIECE_CHAINS:]
        self._unlinked = bool(self._chains)
