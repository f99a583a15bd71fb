"""What a way of its own to give stored figures has in common with every other: all but the columns is passed on."""

from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow, PvRow


class OtherColumns:
    """Stored figures that give their columns in a way of their own; all else is as it is stored."""

    def __init__(self, stored: StoredFigures) -> None:
        self._stored = stored

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """Balances of one board that start in [from, until)."""
        return self._stored.balances(board, period, from_ms, until_ms)

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """PV figures that start in [from, until)."""
        return self._stored.pv(period, from_ms, until_ms)

    def span(self, period: Period) -> tuple[int, int] | None:
        """First and last start of the figures of a period; None without any."""
        return self._stored.span(period)
