"""Cells come as text from every encoding and separator; rows of another width are left out with their number."""

import io

import openpyxl
import pandas as pd
import pytest

from meterd.adapters.sources.old_readings.container import Content
from meterd.adapters.sources.old_readings.grid import Grid, decoded, grid_of
from meterd.core.errors import SourceError

TEXT = "Zeit;Büro\n01.01.2025 00:00;1,5\n01.01.2025 01:00;2,5\n"


def content(data: bytes, suffix: str = ".csv") -> Content:
    return Content(f"a{suffix}", suffix, data)


def cells(grid: Grid) -> list[tuple[str, ...]]:
    return list(zip(*(column.tolist() for column in grid.cells), strict=True))


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [("utf-8", b""), ("utf-8", b"\xef\xbb\xbf"), ("windows-1252", b""), ("utf-16", b""), ("utf-16-le", b"")],
)
def test_the_encoding_is_recognised(encoding: str, mark: bytes) -> None:
    """With and without a byte order mark."""
    grid = grid_of(content(mark + TEXT.encode(encoding)))
    assert (grid.encoding, grid.separator, cells(grid)[0]) == (encoding, ";", ("Zeit", "Büro"))


def test_a_named_encoding_that_does_not_fit_is_refused_with_its_row() -> None:
    data = TEXT.encode() + "01.01.2025 02:00;Bö\n".encode("windows-1252")
    with pytest.raises(SourceError, match=r'a\.csv, row 4: .* is not utf-8; try encoding = "windows-1252"'):
        decoded(content(data), "utf-8")
    with pytest.raises(SourceError, match="unknown encoding 'klingon'; known are utf-8"):
        decoded(content(data), "klingon")


@pytest.mark.parametrize("separator", [";", "\t", "|", ","])
def test_the_separator_is_recognised(separator: str) -> None:
    rows = [separator.join(["a", "b", "c"]), *[separator.join(["2025-01-01", "1.5", '"x"'])] * 5]
    grid = grid_of(content("\n".join(rows).encode()))
    assert (grid.separator, grid.width, cells(grid)[1]) == (separator, 3, ("2025-01-01", "1.5", "x"))


def test_rows_of_another_width_are_named() -> None:
    """More cells than the others: left out. Fewer: kept for titles, and marked."""
    text = "Remark\n\na;b;c\n" + "1;2;3\n" * 4 + "1;2;3;4\n1;2\n1;2;3;;\n"
    grid = grid_of(content(text.encode()))
    assert [(odd.row, odd.reason) for odd in grid.odd] == [(8, "4 cells where the other rows have 3")]
    assert grid.rows.tolist() == [1, 3, 4, 5, 6, 7, 9, 10]
    assert sorted(grid.short) == [1, 9]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"one\ntwo\n", "no separator is recognised"),
        (b"\x00\x01\x02\x03;\n", "it is no text"),
        (b'a;b\n"1;2\n', "a cell in quotation marks does not end; close the mark"),
        (b"\n \n", "no separator|no row"),
    ],
)
def test_what_is_no_table_is_refused_in_words(data: bytes, text: str) -> None:
    with pytest.raises(SourceError, match=text):
        grid_of(content(data))


def test_a_workbook_gives_numbers_and_dates_in_one_way() -> None:
    """The sheet with the most rows; others are named. 07:15 stays 07:15 although a workbook counts days."""
    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.append(["x", "y"])
    first.append(["x", "y"])
    sheet = book.create_sheet("Werte")
    stamps = pd.date_range("2025-03-01", periods=96, freq="15min")
    sheet.append(["Zeit", "Büro"])
    for place, stamp in enumerate(stamps):
        sheet.append([stamp.to_pydatetime(), "1,5" if place == 3 else 1234.125 + place])
    out = io.BytesIO()
    book.save(out)
    grid = grid_of(content(out.getvalue(), ".xlsx"))
    assert (grid.sheet, grid.others, grid.rows.tolist()) == ("Werte", (first.title,), list(range(1, 98)))
    assert grid.cells[0].tolist()[1:] == [stamp.isoformat(sep=" ") for stamp in stamps]
    assert (cells(grid)[1][1], cells(grid)[4][1], grid.is_typed(1).tolist()[:5]) == (
        "1234.125", "1,5", [False, True, True, True, False],
    )  # fmt: skip
    with pytest.raises(SourceError, match="no sheet 'Daten' with a table; it has"):
        grid_of(content(out.getvalue(), ".xlsx"), sheet="Daten")
    with pytest.raises(SourceError, match=r"it is no workbook, or a damaged one; save it as \.xlsx or CSV"):
        grid_of(content(out.getvalue()[:400], ".xlsx"))


def test_parquet_gives_its_names_as_the_first_row() -> None:
    out = io.BytesIO()
    pd.DataFrame({"when": pd.to_datetime(["2025-01-01T00:00Z"]), "Büro": [1.5]}).to_parquet(out)
    assert cells(grid_of(content(out.getvalue(), ".parquet"))) == [
        ("when", "Büro"),
        ("2025-01-01 00:00:00+00:00", "1.5"),
    ]
    with pytest.raises(SourceError, match="the Parquet file is damaged"):
        grid_of(content(b"PAR1 no more", ".parquet"))
