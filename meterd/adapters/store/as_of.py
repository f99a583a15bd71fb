"""The stored figures as they stood at a moment: of every figure the newest version that had been written by then."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from meterd.adapters.store.figure_rows import BALANCE, PV, balances_of, pv_of
from meterd.adapters.store.joined_readings import one_moment
from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow, Channel, KnownSum, Largest, PvRow
from meterd.core.registers.register_line import Ints


class AsOfStore(SqliteStore):
    """A reading store that shows figures, balances and PV figures as of a moment."""

    as_of_ms: int

    @classmethod
    def at(cls, path: Path, as_of_ms: int) -> "AsOfStore":
        """The stored figures as of a moment; StoreError if there is no store."""
        store = cls.reader(path)
        assert isinstance(store, cls), "a reader is of the class it was asked of"
        store.as_of_ms = as_of_ms
        return store

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Figures of T periods by n channels as they stood; missing where there was none yet."""
        energy = np.zeros((len(starts), len(channels)), dtype=np.int64)
        present, flags = np.zeros_like(energy, dtype=np.bool_), np.zeros_like(energy, dtype=np.uint8)
        if not len(starts):
            return Columns(energy, present, flags)
        place = {start: i for i, start in enumerate(starts.tolist())}
        ends = (int(starts[0]), int(starts[-1]) + 1)
        for j, channel in enumerate(channels):
            for start, value, bits in self._figures(channel, period, ends):
                i = place.get(start)
                if i is not None and value is not None:
                    energy[i, j], present[i, j], flags[i, j] = value, True, bits
        return Columns(energy, present, flags)

    def known_sum(self, channel: Channel, from_ms: int, until_ms: int) -> KnownSum:
        """The interval figures of a register that were known in [from, until), added up."""
        rows = self._known(channel, from_ms, until_ms)
        return KnownSum(rows[0][0] if rows else None, len(rows), sum(row[1] for row in rows))

    def _known(self, channel: Channel, from_ms: int, until_ms: int) -> list[tuple[Any, ...]]:
        rows = self._figures(channel, Period.INTERVAL, (from_ms, until_ms))
        return [row for row in rows if row[1] is not None]

    def _figures(self, channel: Channel, period: Period, span: tuple[int, int]) -> list[tuple[Any, ...]]:
        """Start, energy and flags of figures as they stood, in the order of their starts."""
        number = self.channel_number(channel)
        where = "channel = ? AND period = ? AND start_ms >= ? AND start_ms < ? AND written_ms <= ? ORDER BY version"
        with one_moment(self.connection):
            newest: dict[int, tuple[Any, ...]] = {
                row[0]: row
                for row in self.connection.execute(
                    f"SELECT start_ms, energy, flags FROM figure_old WHERE {where}",
                    (number, period, *span, self.as_of_ms),
                )
            }
            for start, _, energy, flags, *_, written_ms, _ in self.figures.rows(number, period, *span):
                if written_ms <= self.as_of_ms:  # what stands is newer than all that was set aside
                    newest[start] = (start, energy, flags)
        return [newest[start] for start in sorted(newest)]

    def largest(self, channel: Channel, from_ms: int, until_ms: int) -> Largest | None:
        """The largest interval figure of a register in [from, until) as it stood, the first of equals."""
        rows = self._known(channel, from_ms, until_ms)
        peak = max(rows, key=lambda row: row[1], default=None)  # in order of time: the first of equals
        return None if peak is None else Largest(peak[0], peak[1], len(rows))

    def span(self, period: Period) -> tuple[int, int] | None:
        """Start of the first and of the last figure of that kind that had been written, or None."""
        ends: list[int] = []
        with one_moment(self.connection):
            for table in ("figure", "figure_old"):
                low, high = self.connection.execute(
                    f"SELECT MIN(start_ms), MAX(start_ms) FROM {table} WHERE period = ? AND written_ms <= ?",
                    (period, self.as_of_ms),
                ).fetchone()
                ends += [] if low is None else [int(low), int(high)]
            ends += self.figures.written_by(period, self.as_of_ms)
        return (min(ends), max(ends)) if ends else None

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Balances of a board that start in [from, until) as they stood."""
        rows = self._rows("balance", BALANCE, {"board": board, "period": period}, (from_ms, until_ms))
        return balances_of(board, period, rows, self.flows.unpack)

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """PV figures that start in [from, until) as they stood."""
        return pv_of(period, self._rows("pv", PV, {"period": period}, (from_ms, until_ms)))

    def _rows(self, table: str, what: str, keys: dict[str, object], span: tuple[int, int]) -> list[tuple[Any, ...]]:
        """Newest versions by then, in order of their start."""
        where = " AND ".join(f"{key} = ?" for key in keys)
        part = f"SELECT start_ms, version, {what} FROM {{}} WHERE {where} AND start_ms >= ? AND start_ms < ? AND written_ms <= ?"
        values = (*keys.values(), *span, self.as_of_ms)
        both = f"{part.format(table)} UNION ALL {part.format(table + '_old')}"
        # of a group SQLite gives the row that has the maximum ("bare columns" in its documentation of SELECT)
        rows = self.connection.execute(
            f"SELECT start_ms, {what}, MAX(version) FROM ({both}) GROUP BY start_ms ORDER BY start_ms",
            (*values, *values),
        )
        return [row[:-1] for row in rows]
