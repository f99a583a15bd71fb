"""Stored figures as whoever calculates with them asks for them, wherever they are stored."""

from collections.abc import Sequence
from typing import Protocol

from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow, Channel, PvRow
from meterd.core.registers.register_line import Ints


class StoredFigures(Protocol):
    """Stored figures of periods. Energies in mWh, times in ms UTC."""

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures of T periods by n channels."""

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Balances of one board that start in [from, until)."""

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """PV figures that start in [from, until)."""

    def span(self, period: Period) -> tuple[int, int] | None:
        """First and last start of the figures of a period; None without any."""
