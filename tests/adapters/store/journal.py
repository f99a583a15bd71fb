"""A small journal with figures, for what reads from it."""

from collections.abc import Callable
from pathlib import Path

from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.results import BalanceRow, FigureRow, PvRow

BEGIN = 1_774_735_200_000  # 2026-03-28 22:00 UTC
QUARTER = 900_000


def reading(number: int) -> Reading:
    """The reading of that number: three registers of two points in turn, one reading a second."""
    channel = (("q01", IMPORT), ("q02", EXPORT), ("q01", POWER))[number % 3]
    value = 0.25 * number - 10 if channel[1] == POWER else 1_000 * number + 1
    at = BEGIN + 1000 * number
    return Reading(*channel, at, value, at)


def add(store: SqliteStore, first: int, count: int) -> None:
    """Keep some readings."""
    with store.transaction():
        store.add_readings([reading(n) for n in range(first, first + count)])


def figures(store: SqliteStore, first: int, count: int, energy: int | None = 250_000) -> None:
    """Keep intervals of one register, with the balance of the board and the PV figures."""
    starts = [BEGIN + QUARTER * n for n in range(first, first + count)]
    with store.transaction():
        rows = [FigureRow(("q01", IMPORT), Period.INTERVAL, s, energy, 0) for s in starts]
        store.write_figures(rows, now_ms=BEGIN, reason="test")
        balances = [
            BalanceRow(
                "main", Period.INTERVAL, s, s + QUARTER, 5000, 4000, 1000, 2000, "inside", False, covered=1, of=1
            )
            for s in starts
        ]
        store.write_balances(balances, now_ms=BEGIN, reason="test")
        pv = [PvRow(Period.INTERVAL, s, s + QUARTER, 9000, None, None, None, None, False) for s in starts]
        store.write_pv(pv, now_ms=BEGIN, reason="test")


def opened(path: Path, readings: int) -> SqliteStore:
    """A writing store with so many readings."""
    store = SqliteStore.writer(path)
    add(store, 0, readings)
    return store


def clock() -> Callable[[], int]:
    """A clock that advances by a second each time it is read."""
    now = [BEGIN + 100 * 86_400_000]

    def read() -> int:
        now[0] += 1000
        return now[0]

    return read
