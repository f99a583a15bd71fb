"""Columns of text, numbers and times give exactly what single cells give."""

from datetime import datetime

import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.files.cells import LocalOrder, TimeRule, numbers, scaled, times
from meterd.adapters.sources.number import NotANumber, from_text
from meterd.adapters.sources.timestamps import rfc3339_ms
from meterd.core.model.reading import milli

CELL = (
    st.floats(allow_nan=False, allow_infinity=False, min_value=-1e11, max_value=1e11).map(repr)
    | st.decimals(min_value=-(10**9), max_value=10**9, places=4).map(str)
    | st.text(alphabet="0123456789.-+eE_, ", max_size=9)
    | st.sampled_from(["NaN", "inf", "1e400", "true", "", "１", "-0.0", "1e5", "9007199254740993"])
)


@given(st.lists(CELL, max_size=30), st.sampled_from([1.0, 1000.0, 0.1, 1e6]))
def test_column_of_text_gives_exactly_what_single_cells_give(cells: list[str], scale: float) -> None:
    column = scaled(numbers(pa.array(cells, pa.string()), "test"), scale, cumulative=True)
    for row, cell in enumerate(cells):
        try:
            value: int | None = milli(from_text(cell), scale)
        except (NotANumber, ValueError):
            value = None
        assert bool(column.good[row]) == (value is not None), cell
        assert value is None or column.values[row] == value
        assert bool(column.missing[row]) == (not cell.strip())


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=30), st.sampled_from([1.0, 1000.0, 0.1]))
def test_column_of_doubles_gives_exactly_what_milli_gives(values: list[float], scale: float) -> None:
    column = scaled(numbers(pa.array(values, pa.float64(), from_pandas=False), "test"), scale, cumulative=True)
    for row, value in enumerate(values):
        try:
            assert column.values[row] == milli(value, scale)
            assert column.good[row]
        except ValueError:
            assert not column.good[row]


STAMP = st.datetimes(datetime.fromisoformat("1991-01-01"), datetime.fromisoformat("2098-01-01")).flatmap(
    lambda at: st.sampled_from(["Z", "z", "+00:00", "-08:00", "+05:45"]).map(lambda zone: at.isoformat() + zone)
) | st.sampled_from(
    [
        "2026-02-30T00:00:00Z",
        "2026-02-29T00:00:00Z",
        "2028-02-29T00:00:00Z",
        "2026-01-01",
        "",
        "x",
        "1990-12-31T23:59:60Z",
    ]
)


@given(st.lists(STAMP, max_size=20))
def test_column_of_stamps_gives_exactly_what_single_stamps_give(stamps: list[str]) -> None:
    column = times(pa.array(stamps, pa.string()), TimeRule(), LocalOrder(), "test")
    for row, stamp in enumerate(stamps):
        try:
            value: int | None = rfc3339_ms(stamp)
        except ValueError:
            value = None
        assert bool(column.good[row]) == (value is not None), stamp
        assert value is None or column.values[row] == value
