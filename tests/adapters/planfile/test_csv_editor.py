"""One cell of a spreadsheet changes; everything else stays byte by byte."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.planfile.csv_editor import CsvText

SHEET = '''\
# bought in spring
point,title,note
q01, "Cafe, ground floor" ,"said ""yes"""

# spare rows below
q02,Bakery
,,
q03,"two
lines",x'''


def test_rows_are_read_as_the_plan_reads_them() -> None:
    """Comments, blank rows and quotes as in RFC 4180; short rows have empty cells."""
    assert CsvText(SHEET).rows == [
        {"point": "q01", "title": "Cafe, ground floor", "note": 'said "yes"'},
        {"point": "q02", "title": "Bakery", "note": ""},
        {"point": "q03", "title": "two\nlines", "note": "x"},
    ]


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_one_cell_changes_and_nothing_else(line_end: str, delimiter: str, mark: str) -> None:
    """Whatever the separator, the line ends and the mark at the beginning."""

    def made(text: str) -> str:
        return mark + text.replace("\n", line_end).replace(",", delimiter)

    csv_file = CsvText(made(SHEET))
    assert csv_file.with_value(0, "point", "q11").text == made(SHEET.replace("q01,", "q11,"))
    assert csv_file.with_value(2, "note", "y").text == made(SHEET[:-1] + "y")
    assert csv_file.with_value(1, "note", "n").text == made(SHEET.replace("q02,Bakery", "q02,Bakery,n"))
    assert csv_file.with_row({"point": "q04", "note": "z"}, after=0).text == made(
        SHEET.replace('""yes"""\n', '""yes"""\nq04,,z\n')
    )
    assert csv_file.with_row({"point": "q04"}).text == made(SHEET + "\nq04,,")
    assert csv_file.with_value(1, "tenant", "Ada").text == made(
        SHEET.replace("title,note", "title,note,tenant").replace("q02,Bakery", "q02,Bakery,,Ada")
    )


def test_a_quoted_cell_stays_quoted_and_a_hint_is_no_row() -> None:
    """What a spreadsheet put in quotes is left in quotes; its first line that tells the separator stays."""
    csv_file = CsvText('sep=;\n"point";"title"\n"q01";"a"\n')
    assert csv_file.with_value(0, "title", "b").text == 'sep=;\n"point";"title"\n"q01";"b"\n'
    assert CsvText("point,note\n").with_row({"point": "q1", "note": "#"}).text == 'point,note\nq1,"#"\n'


CELLS = st.text(
    st.characters(codec="utf-8", exclude_characters="\r\n\x00", exclude_categories=("Cs", "Zs", "Cc")), max_size=6
)


@given(st.lists(st.tuples(CELLS, CELLS), min_size=1, max_size=5), st.integers(0, 4), CELLS)
def test_what_is_written_is_read_back(rows: list[tuple[str, str]], place: int, value: str) -> None:
    """Any text in a cell, beside any others, comes back through Python's own reader."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows(
        [("point", "note"), *(("p" + a, b) for a, b in rows)]
    )
    row = place % len(rows)
    text = CsvText(out.getvalue()).with_value(row, "note", value).with_row({"point": "end", "note": value}).text
    read = list(csv.reader(io.StringIO(text)))
    expected = [["p" + a, value.strip() if i == row else b] for i, (a, b) in enumerate(rows)]
    assert [[a, b.strip() if i == row else b] for i, (a, b) in enumerate(read[1:-1])] == expected
    assert read[-1][0] == "end"
    assert read[-1][1].strip() == value.strip()
