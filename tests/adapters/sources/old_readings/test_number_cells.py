"""Numbers with comma or point, with thousands in any dress; what fits two readings is not guessed."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.old_readings.number_cells import NumberStyle, number_style, read_numbers


def texts(*cells: str) -> np.ndarray:  # type: ignore[type-arg]
    return np.array(cells, dtype=object)


@pytest.mark.parametrize(
    ("cells", "wanted"),
    [
        (["1.234,5"], NumberStyle(",", ".")),
        (["1,234.5"], NumberStyle(".", ",")),
        (["1.234.567"], NumberStyle(",", ".")),
        (["12,5"], NumberStyle(",")),
        (["0,125", "1,250"], NumberStyle(",")),
        (["12345,678"], NumberStyle(",")),
        (["1.234", "12345"], NumberStyle(".")),
        (["1 234,567"], NumberStyle(",", " ")),
        (["1'234.567"], NumberStyle(".", "'")),
        (["12", "x"], NumberStyle(".")),
        (["1,234", "12,500"], NumberStyle("", "", "1,234")),
        (["1.234 kWh"], NumberStyle("", "", "1.234")),
    ],
)
def test_the_style_is_what_all_numbers_allow(cells: list[str], wanted: NumberStyle) -> None:
    assert number_style(texts(*cells)) == wanted


@pytest.mark.parametrize(
    ("cell", "style", "wanted"),
    [
        ("1.234,5", NumberStyle(",", "."), 1234.5),
        ("1\u202f234,5 kWh", NumberStyle(",", " "), 1234.5),
        ("12,5-", NumberStyle(","), -12.5),
        ("\u22127,5", NumberStyle(","), -7.5),
        ("1,5e3", NumberStyle(","), 1500.0),
        ("1.23,5", NumberStyle(",", "."), None),
        ("1.5", NumberStyle(","), None),
        ("1.234", NumberStyle(","), None),
        ("n/a", NumberStyle(","), None),
        ("12 MWh", NumberStyle(","), None),
    ],
)
def test_one_number(cell: str, style: NumberStyle, wanted: float | None) -> None:
    """A sign at the wrong place is no number; another unit than the column's neither."""
    cells = read_numbers(texts(cell), np.zeros(1, dtype=bool), style, "kWh")
    assert (cells.values[0] if cells.good[0] else None) == wanted
    assert wanted is not None or cells.reasons == {0: "no number; write a number such as 1234,5"}


def test_cells_that_the_file_holds_as_numbers_have_a_point() -> None:
    """A workbook with numbers, and one cell that somebody typed as text."""
    cells = read_numbers(texts("1234.125", "1.234,5", ""), np.array([True, False, True]), NumberStyle(",", "."))
    assert (cells.values.tolist()[:2], cells.good.tolist(), cells.missing.tolist()) == (
        [1234.125, 1234.5], [True, True, False], [False, False, True],
    )  # fmt: skip


@given(
    st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=30),
    st.sampled_from([(",", "."), (".", ","), (",", " "), (".", "'"), (",", "")]),
)
def test_what_is_written_comes_back(milli: list[int], signs: tuple[str, str]) -> None:
    """Python's own formatting is the other route: six digits behind the sign, thousands apart."""
    decimal, thousands = signs
    cells = [
        f"{Decimal(value).scaleb(-6):,f}".translate({ord(","): thousands or None, ord("."): decimal}) for value in milli
    ]
    style = number_style(texts(*cells))
    if any("," in cell or "." in cell for cell in cells) and style.decimal:
        assert style.decimal == decimal
    read = read_numbers(texts(*cells), np.zeros(len(cells), dtype=bool), NumberStyle(decimal, thousands))
    assert read.good.all()
    assert [round(value * 10**6) for value in read.values.tolist()] == milli
