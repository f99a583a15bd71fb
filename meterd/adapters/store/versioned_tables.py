"""The tables of figures, balances and PV figures: a row that changes gets a new version, the old one is kept aside."""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from meterd.adapters.store.change_feed import Outbox
from meterd.adapters.store.digest_writer import DigestWriter
from meterd.adapters.store.digests import FIGURE
from meterd.adapters.store.figure_packing import FigurePacker
from meterd.adapters.store.reconciled_flows import ReconciledFlows
from meterd.core.model.periods import Period
from meterd.core.registers.figure_columns import FigureColumns
from meterd.core.registers.register_line import Bools, Ints

CLOSED = "closed"  # why a first version was written
_KEYS = {  # key columns, compared columns, columns kept up to date without a version
    FIGURE: (("channel", "period", "start_ms"), ("energy", "flags"), ("anchor_ms", "anchor_raw", "anchor_plateau")),
    "balance": (
        ("board", "period", "start_ms"),
        (
            "end_ms", "feed", "outgoing", "residual", "band", "verdict", "estimated", "missing", "uncovered",
            "covered", "of", "reconciled",
        ),
        (),
    ),
    "pv": (
        ("period", "start_ms"),
        ("end_ms", "production", "grid_import", "grid_export", "self_use", "consumption", "estimated"),
        (),
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entry:
    """One row to be kept under its series and start: what makes a version, and what is only kept up to date."""

    series: tuple[object, ...]
    start_ms: int
    values: tuple[object, ...]
    extra: tuple[object, ...] = ()

    @property
    def key(self) -> tuple[object, ...]:
        """Values of the key columns."""
        return (*self.series, self.start_ms)


class VersionedTables:
    """Writes rows with versions. Its methods belong into a transaction of the store."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        digests: DigestWriter,
        outbox: Outbox,
        *,
        flows: ReconciledFlows,
        packer: FigurePacker,
    ) -> None:
        self._db, self._digests, self._outbox, self._flows, self._packer = connection, digests, outbox, flows, packer

    def write(self, table: str, entries: Sequence[Entry], mark: tuple[int, str]) -> list[int]:
        """Insert, or keep the old version aside and replace it; returns which entries differ from what stood there.

        What stands there is read once for all starts of a series, and new rows are inserted together: twenty times
        faster for a year than row by row.
        """
        keys, compared, also = _KEYS[table]
        columns = (*keys, "version", *compared, *also, "written_ms", "reason")
        insert = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
        series: dict[tuple[object, ...], list[int]] = {}
        for i, entry in enumerate(entries):
            series.setdefault(entry.series, []).append(i)
        changed: list[int] = []
        for prefix, places in series.items():
            subject = prefix[0] if len(prefix) > 1 else ""  # before the period
            known = self._standing(table, prefix, [entries[i].start_ms for i in places])
            if table == FIGURE:
                self._take_out(prefix, [entries[i] for i in places], known)
            aside = self._aside(table, prefix, [start for i in places if (start := entries[i].start_ms) not in known])
            fresh: dict[int, tuple[object, ...]] = {}
            for i in places:
                entry = entries[i]
                if entry.start_ms in fresh:  # twice in one call: the second is a version of the first
                    first = fresh.pop(entry.start_ms)
                    self._db.execute(insert, first)
                    self._digests.added(table, subject, len(keys) - 1, [first])
                    known[entry.start_ms] = first[len(keys) : -2]
                old = known.get(entry.start_ms)
                if old is None:
                    last = aside.get(entry.start_ms, 0)
                    why = (mark[0], mark[1] if last else CLOSED)
                    fresh[entry.start_ms] = (*prefix, entry.start_ms, last + 1, *entry.values, *entry.extra, *why)
                    changed.append(i)
                elif self._replace(table, entry, old, mark):
                    known[entry.start_ms] = (old[0] + 1, *entry.values, *entry.extra)
                    changed.append(i)
            self._db.executemany(insert, fresh.values())
            self._digests.added(table, subject, len(keys) - 1, fresh.values())
        self._outbox.note(table, (entries[i].key for i in sorted(changed)))
        return sorted(changed)

    def stands(self, channel: int, figures: FigureColumns) -> bool:
        """Whether a figure of a register stands in the span of these, or was set aside in it."""
        ask = "SELECT 1 FROM {} WHERE channel = ? AND period = ? AND start_ms BETWEEN ? AND ? LIMIT 1"
        key = (channel, figures.period, int(figures.start_ms[0]), int(figures.start_ms[-1]))
        if any(self._db.execute(ask.format(table), key).fetchone() for table in (FIGURE, "figure_old")):
            return True
        return self._packer.holds((channel, str(figures.period)), *key[2:])

    def insert_figures(self, channel: int, figures: FigureColumns, now_ms: int) -> None:
        """Insert figures of a register where none stands: as `write`, in a third of the time."""
        starts, period, anchors = figures.start_ms.tolist(), str(figures.period), figures.anchors
        columns = [starts, _masked(figures.energy, figures.present), figures.flags.tolist()]
        if anchors is None:
            columns += [[None] * len(starts)] * 3
        else:
            columns += [_masked(c, anchors.present) for c in (anchors.at_ms, anchors.raw, anchors.plateau_ms)]
        rows = list(zip(*columns, strict=True))
        shape = f"({channel}, '{period}', %s, 1, %s, %s, %s, %s, %s, {now_ms}, '{CLOSED}')"
        self._db.executemany(f"INSERT INTO figure VALUES {shape.replace('%s', '?')}", rows)
        self._digests.added_column("figure", channel, figures.start_ms, [shape % row for row in rows])
        self._outbox.note("figure", ((channel, period, start) for start in starts))

    def _standing(self, table: str, prefix: tuple[object, ...], starts: Sequence[int]) -> dict[int, tuple[Any, ...]]:
        """Newest rows of a series by their start: version, compared columns, further columns."""
        keys, compared, also = _KEYS[table]
        where = " AND ".join(f"{k} = ?" for k in keys[:-1])
        rows: Iterable[tuple[Any, ...]] = self._db.execute(
            f"SELECT start_ms, version, {', '.join(compared + also)} FROM {table}"
            f" WHERE {where} AND start_ms BETWEEN ? AND ?",
            (*prefix, min(starts), max(starts)),
        )
        if table == "balance":  # one that stands as an earlier version stored it is no other balance
            rows = self._flows.repacked(rows, 2 + compared.index("reconciled"))
        standing = {row[0]: row[1:] for row in rows}
        if table == FIGURE:
            packed = self._packer.standing(_series(prefix), min(starts), max(starts))
            standing.update({row[0]: row[1:-2] for row in packed})
        return standing

    def _take_out(
        self, prefix: tuple[object, ...], entries: Sequence[Entry], known: dict[int, tuple[Any, ...]]
    ) -> None:
        """Make rows of the figures in blocks that these entries change."""
        changing = {
            entry.start_ms
            for entry in entries
            if (old := known.get(entry.start_ms)) is not None and old[1:] != (*entry.values, *entry.extra)
        }
        self._packer.take_out(_series(prefix), changing)

    def _aside(self, table: str, prefix: tuple[object, ...], starts: Sequence[int]) -> dict[int, int]:
        """The last versions of rows that were set aside, because their period was none by other rules of the zone."""
        if not starts or prefix[-1] == Period.INTERVAL:
            return {}
        where = " AND ".join(f"{k} = ?" for k in _KEYS[table][0][:-1])
        rows = self._db.execute(
            f"SELECT start_ms, MAX(version) FROM {table}_old WHERE {where} AND start_ms BETWEEN ? AND ? GROUP BY start_ms",
            (*prefix, min(starts), max(starts)),
        )
        return {row[0]: row[1] for row in rows}

    def _replace(self, table: str, entry: Entry, old: tuple[Any, ...], mark: tuple[int, str]) -> bool:
        """A new version if the values differ; whether they do. Further columns follow without a version."""
        keys, compared, also = _KEYS[table]
        where = " AND ".join(f"{k} = ?" for k in keys)
        if old[1 : 1 + len(compared)] != entry.values:
            self._db.execute(f"INSERT INTO {table}_old SELECT * FROM {table} WHERE {where}", entry.key)
            change = ("version", *compared, *also, "written_ms", "reason")
            self._db.execute(
                f"UPDATE {table} SET {', '.join(f'{c} = ?' for c in change)} WHERE {where}",
                (old[0] + 1, *entry.values, *entry.extra, *mark, *entry.key),
            )
            return True
        if also and old[1 + len(compared) :] != entry.extra:
            self._db.execute(
                f"UPDATE {table} SET {', '.join(f'{c} = ?' for c in also)} WHERE {where}", (*entry.extra, *entry.key)
            )
        return False


def _series(prefix: tuple[object, ...]) -> tuple[int, str]:
    channel, period = prefix
    assert isinstance(channel, int), "figures go by the number of their register"
    return channel, str(period)


def _masked(values: Ints, present: Bools) -> list[int | None]:
    """A column of the database: NULL where nothing is known."""
    results: list[int | None] = values.tolist()
    for i in np.flatnonzero(~present).tolist():
        results[i] = None
    return results
