"""Figures of a site in an archive, as whoever calculates with stored figures asks a store for them."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from meterd.adapters.store.figure_rows import balances_of, pv_of
from meterd.app.operations.acceptances import ACCEPTED
from meterd.app.operations.archive_tables import read_columns
from meterd.app.operations.archived_readings import by_channel
from meterd.app.operations.remade_figures import Basis
from meterd.core.energy.rollup import Columns
from meterd.core.model.archived_month import ArchivedFile, ArchivedMonth
from meterd.core.model.periods import Period, bounds
from meterd.core.model.results import BalanceRow, Channel, PvRow
from meterd.core.registers.clock_offsets import METER_CLOCKS
from meterd.core.registers.corrections import Correction
from meterd.core.registers.register_line import Bools, Ints

MONTHS_KEPT = 14  # in memory: a month, and all back to the same month of the year before
_ENERGY = ("start", "point", "register", "energy_mwh", "flags")
_BALANCE = (
    "board", "start", "end", "feed_mwh", "outgoing_mwh", "residual_mwh", "band_mwh", "verdict", "estimated", "missing",
    "uncovered", "covered", "of", "reconciled",
)  # fmt: skip
_PV = (
    "start", "end", "production_mwh", "grid_import_mwh", "grid_export_mwh", "self_use_mwh", "consumption_mwh", "estimated",
)  # fmt: skip


class _Figures(NamedTuple):
    start_ms: Ints
    energy: Ints  # mWh, 0 where missing
    present: Bools
    flags: Ints


class _Corrections(NamedTuple):
    every: tuple[Correction, ...]

    def all(self) -> Sequence[Correction]:
        """Every correction ever, oldest first."""
        return self.every


class ArchivedFigures:
    """The figures of a site's months in a row, and what people had entered. `fetch` brings a file to this machine."""

    def __init__(self, months: Sequence[ArchivedMonth], basis: Basis, fetch: Callable[[ArchivedFile], Path]) -> None:
        self._months, self._basis, self._fetch = months, basis, fetch
        self._kept: dict[tuple[str, Period], dict[Channel, _Figures]] = {}

    @property
    def corrections(self) -> _Corrections:
        """Dated corrections of factors and readings."""
        return _Corrections(self._basis.corrections)

    def fact(self, name: str) -> str | None:
        """What people have accepted, and how far clocks were off, when the newest month was archived."""
        return {METER_CLOCKS: self._basis.clocks, ACCEPTED: self._basis.accepted}.get(name) or None

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures of T periods by n channels."""
        energy = np.zeros((len(starts), len(channels)), dtype=np.int64)
        present, flags = np.zeros_like(energy, dtype=np.bool_), np.zeros_like(energy, dtype=np.uint8)
        for month in self._between(period, int(starts[0]), int(starts[-1]) + 1) if len(starts) else ():
            own = self._of(month, period)
            for j, channel in enumerate(channels):
                if channel not in own:
                    continue
                figures = own[channel]
                place = np.minimum(np.searchsorted(starts, figures.start_ms), len(starts) - 1)
                hit = starts[place] == figures.start_ms
                energy[place[hit], j], present[place[hit], j] = figures.energy[hit], figures.present[hit]
                flags[place[hit], j] = np.where(figures.present[hit], figures.flags[hit], 0)
        return Columns(energy, present, flags)

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Balances of one board that start in [from, until)."""
        return [
            row
            for month in self._between(period, from_ms, until_ms)
            if (file := _file(month, "balance")) is not None
            for row in balance_rows(self._fetch(file), period)
            if row.board == board and from_ms <= row.start_ms < until_ms
        ]

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """PV figures that start in [from, until)."""
        return [
            row
            for month in self._between(period, from_ms, until_ms)
            if (file := _file(month, "pv")) is not None
            for row in pv_rows(self._fetch(file), period)
            if from_ms <= row.start_ms < until_ms
        ]

    def span(self, period: Period) -> tuple[int, int] | None:
        """First and last start of the figures of a period; None without any."""
        first, last = (
            next((own for month in months if (own := self._of(month, period))), {})
            for months in (self._months, tuple(reversed(self._months)))
        )
        if not first:
            return None
        return (
            min(int(figures.start_ms[0]) for figures in first.values()),
            max(int(figures.start_ms[-1]) for figures in last.values()),
        )

    def _between(self, period: Period, from_ms: int, until_ms: int) -> Iterator[ArchivedMonth]:
        """The months whose files may have periods that start in [from, until): a figure is in the month in which it ends."""
        for month in self._months:
            zone, step = ZoneInfo(month.zone), month.interval_s * 1000
            if month.until_ms > from_ms and month.from_ms < bounds(period, until_ms - 1, zone, step)[1]:
                yield month

    def _of(self, month: ArchivedMonth, period: Period) -> dict[Channel, _Figures]:
        key = (month.month, period)
        if key not in self._kept:
            if len(self._kept) >= MONTHS_KEPT:
                del self._kept[next(iter(self._kept))]
            file = _file(month, "energy")
            self._kept[key] = {} if file is None else dict(_figures(self._fetch(file), period))
        return self._kept[key]


def _file(month: ArchivedMonth, table: str) -> ArchivedFile | None:
    file = month.files.get(table)
    return None if file is None or not file.rows else file


def _figures(path: Path, period: Period) -> Iterator[tuple[Channel, _Figures]]:
    table = energy_columns(path, period)
    for channel, rows in by_channel(table):
        energy = rows["energy_mwh"]
        known = energy.is_valid().to_numpy().astype(np.bool_)
        yield (
            channel,
            _Figures(rows["start"].to_numpy(), energy.fill_null(0).to_numpy(), known, rows["flags"].to_numpy()),
        )


def energy_columns(path: Path, period: Period) -> pa.Table:
    """Start, point, register, energy in mWh and flags of the figures of one kind of period in a file."""
    return read_columns(path, "energy", _ENERGY, period)


def balance_rows(path: Path, period: Period) -> Iterator[BalanceRow]:
    """The balances of one kind of period in a file."""
    for board, *stored in rows_of(read_columns(path, "balance", _BALANCE, period)):
        yield from balances_of(board, period, [stored])


def pv_rows(path: Path, period: Period) -> list[PvRow]:
    """The PV figures of one kind of period in a file."""
    return pv_of(period, rows_of(read_columns(path, "pv", _PV, period)))


def rows_of(table: pa.Table) -> Iterator[tuple[Any, ...]]:
    """The rows of a table as values of Python."""
    return zip(*(column.to_pylist() for column in table.columns), strict=True)
