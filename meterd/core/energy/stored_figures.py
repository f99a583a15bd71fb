"""Stored figures as whoever calculates with them asks for them, wherever they are stored."""

from collections.abc import Sequence
from typing import Protocol

from meterd.core.energy.completeness import StoredEnergies
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import Period
from meterd.core.model.results import Anchor, BalanceRow, Channel, KnownSum, Largest, PvRow, Version
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


class StoredIntervals(Protocol):
    """What is stored of the figures of one register beside their energies. Times in ms UTC."""

    def anchor(self, channel: Channel, at_ms: int) -> tuple[int, Anchor] | None:
        """The newest interval that starts at or before the moment and has an anchor: its start and the anchor."""

    def anchors(self, channel: Channel, from_ms: int, until_ms: int) -> dict[int, Anchor]:
        """Anchors of the intervals that start in [from, until), by start."""

    def interval_starts(self, channel: Channel, low: int, high: int, period: Period = Period.INTERVAL) -> list[int]:
        """Starts of the intervals, or of longer periods, in [low, high) that have a figure, in order."""

    def known_sum(self, channel: Channel, from_ms: int, until_ms: int) -> KnownSum:
        """The intervals in [from, until) that are known, added up."""

    def largest(self, channel: Channel, from_ms: int, until_ms: int) -> Largest | None:
        """The largest interval figure in [from, until), the first of equals; None where none is known."""

    def stored_energies(self, channels: Sequence[Channel], from_ms: int, until_ms: int) -> list[StoredEnergies]:
        """How many interval figures of each register are known and estimated in [from, until), and their energies."""

    def versions(self, channel: Channel, period: Period, start_ms: int) -> list[Version]:
        """Every version of one figure of any period, oldest first."""
