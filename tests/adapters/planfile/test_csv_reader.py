"""A CSV file is read the same from whatever spreadsheet wrote it, and every cell knows its place."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.planfile.csv_reader import read_csv_file
from meterd.adapters.planfile.fault import Notes, Place

COLUMNS = ("point", "title", "rating_a")
WANTED = [
    {"point": "q01", "title": "Ovens, east", "rating_a": "63"},
    {"point": "q02", "title": 'The "old" hall; north'},
]
DIALECTS = {
    "comma": 'point,title,rating_a\nq01,"Ovens, east",63\nq02,"The ""old"" hall; north",\n',
    "semicolon": 'point;title;rating_a\nq01;Ovens, east;63\nq02;"The ""old"" hall; north";\n',
    "tab": 'point\ttitle\trating_a\nq01\tOvens, east\t63\nq02\t"The ""old"" hall; north"\t\n',
    "crlf": 'point,title,rating_a\r\nq01,"Ovens, east",63\r\nq02,"The ""old"" hall; north",\r\n',
    "old mac line ends": 'point,title,rating_a\rq01,"Ovens, east",63\rq02,"The ""old"" hall; north",\r',
    "separator hint": 'sep=;\npoint;title;rating_a\nq01;Ovens, east;63\nq02;"The ""old"" hall; north";\n',
    "all quoted": '"point","title","rating_a"\n"q01","Ovens, east","63"\n"q02","The ""old"" hall; north",""\n',
    "spare empty columns": 'point;title;rating_a;;\nq01;Ovens, east;63;;\nq02;"The ""old"" hall; north";;;\n;;;;\n',
    "comments, blanks, other order": '# "ours"\n\nRating_A,point,title\n63, q01 ,"Ovens, east"\n # it\'s, "so\n'
    ',q02,"The ""old"" hall; north"',
}


@pytest.mark.parametrize("text", DIALECTS.values(), ids=DIALECTS)
def test_dialects_give_the_same_rows(text: str) -> None:
    notes = Notes()
    assert [dict(row.values) for row in read_csv_file(text, "points.csv", COLUMNS, notes)] == WANTED
    assert not notes.faults


@pytest.mark.parametrize(
    ("dialect", "first", "second"),
    [
        ("comma", (2, 19), (3, 1)),
        ("separator hint", (3, 17), (4, 1)),
        ("comments, blanks, other order", (4, 1), (6, 2)),
    ],
)
def test_places_are_those_of_a_text_editor(dialect: str, first: tuple[int, int], second: tuple[int, int]) -> None:
    rows = read_csv_file(DIALECTS[dialect], "points.csv", COLUMNS, Notes())
    assert rows[0].at("rating_a") == Place("points.csv", *first)
    assert rows[1].at("point") == Place("points.csv", *second)


def test_a_cell_that_goes_over_two_lines_moves_the_places_below() -> None:
    rows = read_csv_file('point,title\nq01,"two\nlines"\nq02,x\n', "points.csv", COLUMNS, Notes())
    assert rows[1].at("title") == Place("points.csv", 4, 5)


def test_an_open_quote_is_reported_at_its_row() -> None:
    notes = Notes()
    read_csv_file('point,title\nq01,"never closed\nq02,x\n', "points.csv", COLUMNS, notes)
    assert [(fault.line, "cannot split" in fault.what) for fault in notes.faults] == [(2, True)]


def test_an_empty_file_lacks_its_first_line() -> None:
    notes = Notes()
    assert read_csv_file("\n\n", "points.csv", COLUMNS, notes) == []
    assert [fault.right for fault in notes.faults] == ["write point,title,rating_a"]


@given(st.lists(st.lists(st.text("ab,;\"' \t#\n", min_size=1), min_size=3, max_size=3), min_size=1))
def test_what_the_csv_module_writes_comes_back_and_stands_where_it_says(table: list[list[str]]) -> None:
    table = [["x" + cell.strip() for cell in row] for row in table]  # a row that begins with # is a comment
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([COLUMNS, *table])
    lines = text.getvalue().split("\n")
    rows = read_csv_file(text.getvalue(), "t.csv", COLUMNS, Notes())
    assert [list(row.values.values()) for row in rows] == table
    for row, cells in zip(rows, table, strict=True):
        for column, cell in zip(COLUMNS, cells, strict=True):
            place = row.at(column)
            assert place.line is not None
            assert place.column is not None
            assert lines[place.line - 1][place.column - 1 :].lstrip('"').startswith(cell.split("\n")[0].split('"')[0])
