"""Everything a store holds, row by row, for exports: one moment of the store, read beside the daemon."""

import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path

from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.adapters.store.reading_connection import reason, refuse_newer
from meterd.adapters.store.reconciled_flows import ReconciledFlows
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period
from meterd.core.model.results import Channel

Row = tuple[object, ...]
READING = ("at_ms", "value", "received_ms", "marks")
FIGURE = ("start_ms", "energy", "flags", "version", "written_ms", "reason")
BALANCE = (
    "start_ms", "end_ms", "feed", "outgoing", "residual", "band", "verdict", "estimated", "missing", "uncovered", "covered",
    "of", "reconciled", "version", "written_ms", "reason",
)  # fmt: skip
PV = (
    "start_ms", "end_ms", "production", "grid_import", "grid_export", "self_use", "consumption", "estimated", "version",
    "written_ms", "reason",
)  # fmt: skip


class ArchiveReader:
    """One snapshot: what the daemon writes meanwhile is not in it."""

    def __init__(self, path: Path) -> None:
        if not path.exists():
            raise StoreError(f"there is no store at {path}; has the daemon or a replay written one yet?")
        try:
            self._db = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)
            self._db.execute("BEGIN")
            self.schema = refuse_newer(self._db, path)
            rows = self._db.execute("SELECT id, point, register FROM channel ORDER BY point, register").fetchall()
        except (sqlite3.Error, UnicodeDecodeError) as exc:
            raise StoreError(f"cannot read the store {path}: {reason(exc)}") from exc
        self._flows = ReconciledFlows(self._db)
        self._readings, self._figures = JoinedReadings(self._db), JoinedFigures(self._db)
        self.channels: dict[Channel, int] = {(point, register): number for number, point, register in rows}

    def close(self) -> None:
        """End the snapshot."""
        self._db.close()

    def boards(self) -> list[str]:
        """Every board that has a balance."""
        return [str(row[0]) for row in self._db.execute("SELECT DISTINCT board FROM balance ORDER BY board")]

    def span(self) -> tuple[int, int] | None:
        """From the first reading or figure to behind the last one; None if there is nothing."""
        ends: list[int] = []
        for number in self.channels.values():
            ends += self._readings.ends(number) or ()
            for period in Period:  # a week or a year begins before its first reading
                ends += self._figures.ends(number, period) or ()
        return (min(ends), max(ends) + 1) if ends else None

    def readings(self, channel: Channel, from_ms: int, until_ms: int) -> Iterator[Row]:
        """Readings of one register in [from, until), sorted by time."""
        try:
            for row in self._readings.in_turn(self.channels[channel], from_ms, until_ms):
                yield row[1:]
        except sqlite3.Error as exc:
            raise StoreError(f"cannot read the store: {exc}") from exc

    def figures(self, channel: Channel, period: Period, from_ms: int, until_ms: int) -> Iterator[Row]:
        """Newest figures of one register that start in [from, until)."""
        try:
            for start, version, energy, flags, *_, written_ms, reason_ in self._figures.in_turn(
                self.channels[channel], period, from_ms, until_ms
            ):
                yield start, energy, flags, version, written_ms, reason_
        except sqlite3.Error as exc:
            raise StoreError(f"cannot read the store: {exc}") from exc

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> Iterator[Row]:
        """Newest balances of one board that start in [from, until)."""
        rows = self._rows(
            f"SELECT {', '.join(BALANCE)} FROM balance WHERE board = ? AND period = ? AND start_ms >= ? AND start_ms < ?"
            " ORDER BY start_ms",
            (board, period, from_ms, until_ms),
        )
        return self._flows.in_text(rows, BALANCE.index("reconciled"))

    def pv(self, period: Period, from_ms: int, until_ms: int) -> Iterator[Row]:
        """Newest PV figures that start in [from, until)."""
        return self._rows(
            f"SELECT {', '.join(PV)} FROM pv WHERE period = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms",
            (period, from_ms, until_ms),
        )

    def _rows(self, ask: str, values: Sequence[object]) -> Iterator[Row]:
        try:
            yield from self._db.execute(ask, values)
        except sqlite3.Error as exc:
            raise StoreError(f"cannot read the store: {exc}") from exc
