"""What a time-series database still has to get: the durable cursor, the changes of figures, the lines it refused.

Readings are known by their number in the journal. Figures change, so every change gets a number of its own in `change`
while a database is fed, and is sent as it stands when its turn comes. A mark says up to which numbers everything was seen
to be stored; marks are stored for a day, so that a loss found later can be sent again from before it.
"""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.figure_blocks import TABLE, stretch_start, unpacked
from meterd.adapters.store.figure_blocks import Row as FigureRow
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.core.errors import StoreError
from meterd.core.model.results import Channel, consumed
from meterd.core.topics import line_protocol as lines
from meterd.core.topics.line_protocol import BALANCE, ENERGY, PV, READING

# What version 3 of the schema adds to version 2. Numbers of changes are never used twice, though sent ones are removed.
VERSION_3 = """
CREATE TABLE change (seq INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, subject NOT NULL, period TEXT NOT NULL,
 start_ms INTEGER NOT NULL);
CREATE TABLE line_mark (number INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, reading INTEGER NOT NULL,
 change INTEGER NOT NULL);
CREATE TABLE line_refused (line TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, reason TEXT NOT NULL) WITHOUT ROWID;
"""
_SENT = "meterd_sent_starts"
_TARGET = "lines_target"  # which database the marks belong to; empty = none is fed and no change is noted


FigureKey = tuple[int, str, int]  # channel, period, start_ms


@dataclass(frozen=True, slots=True)
class Position:
    """Up to which reading and which change everything was sent."""

    reading: int = 0
    change: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """A position, and the point in the database that proves it: its number and time."""

    number: int
    at_ms: int
    position: Position


@dataclass(frozen=True, slots=True)
class Refused:
    """A line that the database does not take, or that cannot be written."""

    line: str
    at_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class Batch:
    """Lines in their order, and the position behind them."""

    lines: list[str]
    position: Position
    unfit: list[tuple[str, str]] = field(default_factory=list)  # what cannot be written as a line, and why


class Outbox:
    """The writing side. Its methods belong into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._noting = self._target() != ""

    def _target(self) -> str:
        if not self._db.execute("SELECT 1 FROM sqlite_master WHERE name = 'change'").fetchone():
            return ""  # a reader of a store of an older version
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (_TARGET,)).fetchone()
        return "" if row is None else str(row[0])

    def note(self, kind: str, keys: Iterable[Sequence[object]]) -> None:
        """Figures, balances or PV figures that have changed, by their key."""
        if self._noting:
            self._db.executemany(
                "INSERT INTO change (kind, subject, period, start_ms) VALUES (?, ?, ?, ?)",
                ((kind, *key) if len(key) == 3 else (kind, "", *key) for key in keys),
            )

    def serve(self, target: str) -> None:
        """Feed this database from now on, empty = none. A new one gets everything from the beginning."""
        if target == self._target():
            return
        self._db.execute(
            "INSERT INTO fact VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value", (_TARGET, target)
        )
        self._noting = target != ""
        self.begin_anew()

    def begin_anew(self) -> None:
        """Forget how far the database was fed; every figure there is counts as changed."""
        self._db.execute("DELETE FROM change")
        self._db.execute("DELETE FROM line_mark")
        if self._noting:
            insert = "INSERT INTO change (kind, subject, period, start_ms)"
            self._db.create_function(_SENT, 2, _sent_starts, deterministic=True)
            self._db.execute(
                f"{insert} SELECT 'figure', channel, period, start_ms FROM ("
                "SELECT channel, period, start_ms FROM figure WHERE version > 1 OR energy IS NOT NULL UNION ALL"
                f" SELECT channel, period, j.value AS start_ms FROM {TABLE} AS b, json_each({_SENT}(b.energies, b.rest)) AS j)"
                " ORDER BY start_ms, channel, period"
            )
            known = {"balance": "COALESCE(feed, outgoing)", "pv": "production"}
            for kind, subject in (("balance", "board"), ("pv", "''")):
                self._db.execute(
                    f"{insert} SELECT '{kind}', {subject}, period, start_ms FROM {kind}"
                    f" WHERE version > 1 OR {known[kind]} IS NOT NULL ORDER BY start_ms"
                )

    def marks(self) -> list[Mark]:
        """All marks, oldest first."""
        rows = self._db.execute("SELECT number, at_ms, reading, change FROM line_mark ORDER BY number")
        return [Mark(number, at, Position(reading, change)) for number, at, reading, change in rows]

    def keep(self, marks: Sequence[Mark], refused: Iterable[Refused], taken: Iterable[str] = ()) -> None:
        """Keep the marks instead of earlier ones, and refused lines without those that were taken after all.

        Changes that no mark can go back to are removed.
        """
        self._db.executemany("DELETE FROM line_refused WHERE line = ?", ((line,) for line in taken))
        self._db.executemany(
            "INSERT OR IGNORE INTO line_refused VALUES (?, ?, ?)",
            ((refused.line, refused.at_ms, refused.reason) for refused in refused),
        )
        self._db.execute("DELETE FROM line_mark")
        self._db.executemany(
            "INSERT INTO line_mark VALUES (?, ?, ?, ?)",
            ((m.number, m.at_ms, m.position.reading, m.position.change) for m in marks),
        )
        if marks:
            self._db.execute("DELETE FROM change WHERE seq <= ?", (marks[0].position.change,))

    def refused(self) -> list[Refused]:
        """Every refused line, oldest first."""
        return [
            Refused(*row)
            for row in self._db.execute("SELECT line, at_ms, reason FROM line_refused ORDER BY at_ms, line")
        ]

    def unproven_figures(self) -> dict[tuple[int, str], int]:
        """Of each register and period with changes that the database has not been seen to hold the first start of these."""
        if self._target() == "":
            return {}
        marks = self.marks()
        rows = self._db.execute(
            "SELECT subject, period, MIN(start_ms) FROM change WHERE kind = 'figure' AND seq > ? GROUP BY subject, period",
            (marks[0].position.change if marks else 0,),
        )
        return {(number, period): start for number, period, start in rows}

    def proven(self) -> int | None:
        """The newest reading that may be deleted here because the database holds it; None if no database is fed."""
        if self._target() == "":
            return None
        marks = self.marks()
        return marks[0].position.reading if marks else 0


def _sent_starts(energies: object, rest: object) -> str:
    """Starts of the figures of a block that are lines, as a JSON list: those with an energy, and those that had one."""
    with suppress(DamagedBlock):
        return json.dumps([row[0] for row in unpacked(energies, rest).rows() if row[1] > 1 or row[2] is not None])
    return "[]"


class OutboxReader:
    """The reading side, with a connection of its own that blocks nobody. For one thread."""

    def __init__(self, path: Path, site: str) -> None:
        try:
            self._db = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)
            self._db.execute("PRAGMA busy_timeout = 5000")
        except sqlite3.Error as exc:
            raise StoreError(f"cannot read the store {path}: {exc}") from exc
        self._site, self._journal, self._figures = site, JoinedReadings(self._db), JoinedFigures(self._db)
        self._channels: dict[int, Channel] = {}
        self._heads: dict[int, tuple[str, bool]] = {}

    def close(self) -> None:
        """End."""
        self._db.close()

    def waiting(self, position: Position) -> int:
        """How many readings and changes come after a position."""
        last = self._db.execute(
            "SELECT (SELECT COALESCE(MAX(seq), 0) FROM reading), (SELECT COALESCE(MAX(seq), 0) FROM change)"
        ).fetchone()
        return max(0, int(last[0]) - position.reading) + max(0, int(last[1]) - position.change)

    def refused(self, after: str, most: int) -> list[str]:
        """Refused lines in the order of their text, which is that of their measurements and series, behind one of them."""
        rows = self._db.execute("SELECT line FROM line_refused WHERE line > ? ORDER BY line LIMIT ?", (after, most))
        return [str(row[0]) for row in rows]

    def refused_count(self) -> int:
        """How many lines are set aside."""
        return int(self._db.execute("SELECT COUNT(*) FROM line_refused").fetchone()[0])

    def next(self, position: Position, limit: int) -> Batch:
        """At most `limit` lines after a position: half of them changes if so many wait, the rest readings.

        Readings come in the order of the journal, changes in the order in which they happened.
        """
        batch = Batch([], position)
        change = self._changes(batch, position.change, max(1, limit // 2))
        reading = self._readings(batch, position.reading, max(1, limit - len(batch.lines)))
        return Batch(batch.lines, Position(reading, change), batch.unfit)

    def _readings(self, batch: Batch, after: int, limit: int) -> int:
        rows = self._journal.after(after, limit)
        heads, add = self._heads, batch.lines.append
        infinite = float("inf")
        for _, number, at_ms, value, _ in rows:
            known = heads.get(number) or self._head(number)
            shown = value / 1000 if known[1] else float(value)
            if -infinite < shown < infinite:
                add(f"{known[0]} value={shown!r} {at_ms}")
            else:
                batch.unfit.append((f"{known[0]} value={shown!r} {at_ms}", "the value is not finite"))
        return int(rows[-1][0]) if rows else after

    def _head(self, number: int) -> tuple[str, bool]:
        """What a reading's line begins with, and whether its register counts in thousandths."""
        point, register = self._channel(number)
        written = lines.head(READING, (self._site, point, lines.register_name(register)))
        results = self._heads[number] = (written, lines.shown(register, 1000) == 1)
        return results

    def _channel(self, number: int) -> Channel:
        if number not in self._channels:
            rows = self._db.execute("SELECT id, point, register FROM channel")
            self._channels = {item: (point, register) for item, point, register in rows}
        return self._channels[number]

    def _changes(self, batch: Batch, after: int, limit: int) -> int:
        """Each changed figure once, as it stands now, at the place of its last change in the batch."""
        rows = self._db.execute(
            "SELECT seq, kind, subject, period, start_ms FROM change WHERE seq > ? ORDER BY seq LIMIT ?", (after, limit)
        ).fetchall()
        keys = {row[1:]: row[0] for row in rows}
        figures = self._standing(key[1:] for key in keys if key[0] == "figure")
        for key in sorted(keys, key=lambda item: keys[item]):
            made = self._made(key, figures)
            try:
                batch.lines.extend(made())
            except ValueError as exc:
                batch.unfit.append((" ".join(map(str, key)), str(exc)))
        return int(rows[-1][0]) if rows else after

    def _standing(self, keys: Iterable[FigureKey]) -> dict[FigureKey, FigureRow]:
        """The figures of some keys as they stand now: what is of one block is read together."""
        stretches: dict[tuple[int, str, int], list[int]] = defaultdict(list)
        for number, period, start in keys:
            stretches[number, period, stretch_start(start)].append(start)
        return {
            (number, period, row[0]): row
            for (number, period, _), starts in stretches.items()
            for row in self._figures.rows(number, period, min(starts), max(starts) + 1)
        }

    def _made(
        self, key: tuple[str, Any, str, int], figures: Mapping[FigureKey, FigureRow]
    ) -> Callable[[], Iterator[str]]:
        if key[0] == "figure":
            return lambda: self._energy(key[1:], figures.get(key[1:]))
        make = {"balance": self._balance, "pv": self._pv}[key[0]]
        return lambda: make(key[1], key[2], key[3])

    def _energy(self, key: FigureKey, standing: FigureRow | None) -> Iterator[str]:
        number, period, start = key
        point, register = self._channel(number)
        if standing is not None:
            _, version, energy, flags, *_ = standing
            if energy is None and version == 1:
                return  # never was anything there: an empty quarter hour is no line
            tags = (self._site, point, lines.register_name(register), period)
            yield lines.line(ENERGY, tags, (lines.wh(energy), lines.quality(energy, flags), version), start)

    def _balance(self, board: object, period: str, start: int) -> Iterator[str]:
        for *energies, verdict, estimated, covered, of, version in self._db.execute(
            "SELECT feed, outgoing, residual, band, verdict, estimated, covered, of, version FROM balance"
            " WHERE board = ? AND period = ? AND start_ms = ?",
            (board, period, start),
        ):
            if version == 1 and all(item is None for item in energies):
                return
            fields = (*map(lines.wh, energies), lines.VERDICTS[verdict], estimated, covered, of, version)
            yield lines.line(BALANCE, (self._site, str(board), period), fields, start)

    def _pv(self, _subject: object, period: str, start: int) -> Iterator[str]:
        for *energies, estimated, version in self._db.execute(
            "SELECT production, grid_import, grid_export, self_use, consumption, estimated, version FROM pv"
            " WHERE period = ? AND start_ms = ?",
            (period, start),
        ):
            if version == 1 and all(item is None for item in energies):
                return
            energies[-1] = consumed(energies[-1])
            yield lines.line(PV, (self._site, period), (*map(lines.wh, energies), estimated, version), start)
