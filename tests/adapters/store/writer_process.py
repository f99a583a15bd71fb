"""A writer in a process of its own, to be killed: `python -m tests.adapters.store.writer_process STORE`."""

import sys
from contextlib import suppress
from pathlib import Path

from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.model.results import FigureRow

QUARTER = 900_000
POINTS = ("q01", "q02", "q03", "q04", "q05")


class Mishap(Exception):
    """Something that goes wrong in the middle of a transaction."""


def write_one(store: SqliteStore, n: int, *, mishap: bool = False) -> None:
    """The n-th transaction: a reading of each point, a figure that is new, one that changes every time, the count."""
    with store.transaction():
        store.add_readings([Reading(point, IMPORT, n * QUARTER, n * 1000, n) for point in POINTS])
        rows = [FigureRow(("q01", IMPORT), Period.INTERVAL, n * QUARTER, n, 0)]
        rows += [FigureRow(("q02", IMPORT), Period.YEAR, 0, n, 0)]
        store.write_figures(rows, now_ms=n, reason=f"round {n}")
        if mishap:
            raise Mishap
        store.set_fact("rounds", str(n + 1))


def main(path: Path) -> None:
    """Write until killed; every seventh transaction is given up half-way first."""
    store = SqliteStore.writer(path)
    while True:
        n = int(store.fact("rounds") or 0)
        with suppress(Mishap):
            write_one(store, n, mishap=n % 7 == 0)
        if n % 7 == 0:
            write_one(store, n)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
