"""The stored figures as they stood at a moment, whatever was written later."""

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.as_of import AsOfStore
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import BalanceRow, FigureRow, PvRow

QUARTER = 900_000
Q01 = ("q01", IMPORT)
WRITES = st.lists(st.tuples(st.integers(0, 3), st.one_of(st.none(), st.integers(0, 3))), min_size=1, max_size=12)


@given(WRITES)
@settings(max_examples=8, deadline=None)
def test_every_moment_can_be_had_again(tmp_path_factory: object, writes: list[tuple[int, int | None]]) -> None:
    """After each write the store is what the past of that moment says later: figures, balances and PV figures."""
    folder: Path = tmp_path_factory.mktemp("past")  # type: ignore[attr-defined]
    path, grid = folder / "s.sqlite", np.arange(4, dtype=np.int64) * QUARTER
    store = SqliteStore.writer(path)

    def look(store: SqliteStore) -> tuple[object, ...]:
        columns = store.columns([Q01, ("q02", IMPORT)], Period.INTERVAL, grid)
        return (
            columns.energy.tolist(),
            columns.present.tolist(),
            columns.flags.tolist(),
            store.balances("main", Period.INTERVAL, 0, 2**62),
            store.pv(Period.INTERVAL, 0, 2**62),
            store.span(Period.INTERVAL),
            store.largest(Q01, 0, 3 * QUARTER),
            store.known_sum(Q01, 0, 3 * QUARTER),
        )

    seen = [look(store)]
    for moment, (place, energy) in enumerate(writes, start=1):
        start = place * QUARTER
        with store.transaction():
            store.write_figures([FigureRow(Q01, Period.INTERVAL, start, energy, 1)], now_ms=moment, reason="r")
            row = BalanceRow("main", Period.INTERVAL, start, start + QUARTER, energy, 1, 2, 3, "inside", False, ("a",))
            store.write_balances([row], now_ms=moment, reason="r")
            pv = PvRow(Period.INTERVAL, start, start + QUARTER, energy, 1, 2, 3, 4, False)
            store.write_pv([pv], now_ms=moment, reason="r")
        seen.append(look(store))
    store.close()
    for moment, expected in enumerate(seen):
        past = AsOfStore.at(path, moment)
        assert look(past) == expected
        assert past.columns([Q01], Period.DAY, np.empty(0, dtype=np.int64)).energy.shape == (0, 1)
        past.close()
