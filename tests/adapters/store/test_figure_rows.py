"""Figures read as columns are those of the rows, whatever moments are asked for."""

import sqlite3
from contextlib import closing

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.store.figure_rows import columns_of
from meterd.core.energy.rollup import HOLES_MS
from meterd.core.model.periods import Period

HOUR = HOLES_MS[Period.HOUR] // 6
PLACES = st.sets(st.one_of(st.integers(0, 12), st.integers(0, 60)), min_size=1)
FIGURES = st.dictionaries(
    st.tuples(st.sampled_from([1, 2]), st.integers(0, 60)),
    st.tuples(st.none() | st.integers(-(2**62), 2**62), st.integers(0, 255)),
)


@given(FIGURES, PLACES, st.sampled_from([[2, -1, 1], [1, 2, 1], [2]]))
def test_columns_are_those_of_the_rows(
    figures: dict[tuple[int, int], tuple[int | None, int]], places: set[int], numbers: list[int]
) -> None:
    """Scattered, in a row and with holes; a figure without energy and a register that is not there are missing.

    Registers that differ are read together, else one after the other.
    """
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute("CREATE TABLE figure (channel, period, start_ms, energy, flags)")
        rows = [(number, "hour", place * HOUR, *figure) for (number, place), figure in figures.items()]
        rows += [(1, "day", place * HOUR, 7, 0) for place in places]
        db.executemany("INSERT INTO figure VALUES (?, ?, ?, ?, ?)", rows)
        asked = sorted(places)
        columns = columns_of(db, numbers, Period.HOUR, np.array(asked, dtype=np.int64) * HOUR)
    for t, place in enumerate(asked):
        for j, number in enumerate(numbers):
            energy, flags = figures.get((number, place), (None, 0))
            assert columns.present[t, j] == (energy is not None)
            assert (columns.energy[t, j], columns.flags[t, j]) == ((0, 0) if energy is None else (energy, flags))
