"""Lists of meters as people keep them become points; what is guessed is said, what is not understood is left out and said."""

from pathlib import Path

import openpyxl
import pytest

from meterd.app.operations.point_list import read_points
from meterd.core.errors import SourceError

ROWS = (
    ("Zählerliste Bootswerft", "", "", "", "", ""),
    ("Bezeichnung", "Art", "Sicherung", "Zählernummer", "Klasse", "Wandler"),
    ("Netzeinspeisung", "", "250 A", "N-1", "B", "250/5 A"),
    ("PV Hallendach", "", "3x63A", "N-2", "Kl. 1", ""),
    ("Büro 2", "Verbraucher", 35, "N-3", "0,5S", ""),
    ("Büro-2", "", "?", "", "", ""),
    ("", "", "", "", "", ""),
)


def workbook(path: Path) -> Path:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in ROWS:
        sheet.append(row)
    book.save(path)
    return path


def test_a_spreadsheet_in_german(tmp_path: Path) -> None:
    """A title above the names of the columns, numbers in any dress, two names that are the same."""
    listed = read_points(workbook(tmp_path / "list.xlsx"))
    assert listed.columns == {
        "title": "Bezeichnung", "role": "Art", "rating_a": "Sicherung", "serial": "Zählernummer", "meter_class": "Klasse",
        "ct_ratio": "Wandler",
    }  # fmt: skip
    results = [(p.name, p.values["role"], p.values.get("rating_a"), p.values.get("meter_class")) for p in listed.points]
    assert results == [
        ("netzeinspeisung", "feed", "250", "B"),
        ("pv-hallendach", "pv", "63", "1"),
        ("buero-2", "feeder", "35", "0.5S"),
        ("buero-2-2", "feeder", None, None),
    ]
    assert listed.points[0].values["ct_ratio"] == "250/5"
    assert "role feed, by its name" in listed.points[0].guesses
    assert listed.points[2].guesses == ["role feeder, by its kind"]
    assert "rating_a left out: '?' is not understood" in listed.points[3].guesses


def test_the_words_of_the_plan_are_its_columns(tmp_path: Path) -> None:
    """A list that is a points.csv already, with a column that no plan has."""
    path = tmp_path / "list.csv"
    path.write_text("point,role,board,title,colour\nq01,sub,north,Ovens,red\nt1,feed,north,,\n", encoding="utf-8")
    listed = read_points(path)
    assert [(p.name, p.values["role"], p.values["board"], p.guesses) for p in listed.points] == [
        ("q01", "sub", "north", []), ("t1", "feed", "north", []),
    ]  # fmt: skip
    assert listed.unused == ("colour",)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a;b\n1;2\n3;4\n", "no row has titles such as point, title, role"),
        (
            "serial;class\n1;B\n2;B\n",
            "no column names the points; call one 'point' or 'title'; it has 'serial', 'class'",
        ),
        ("point;title\n;\n", "no row|names a point"),
    ],
)
def test_what_is_no_list_is_refused_in_words(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "list.csv").write_text(text)
    with pytest.raises(SourceError, match=message):
        read_points(tmp_path / "list.csv")
