"""Rows with places, and files that are no text of ours: each is refused with its place and what would be right."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.row import LARGEST_FILE, Cell, Row, mapped, read_text

ROW = Row({"point": "q01", "rating_a": Cell("63")}, Place("points.csv", 4, 1), {"rating_a": Place("points.csv", 4, 9)})


def test_a_value_that_is_not_written_stands_where_its_row_begins() -> None:
    assert ROW.at("rating_a") == Place("points.csv", 4, 9)
    assert ROW.at("title") == Place("points.csv", 4, 1)
    other = ROW.but({"title": "Ovens"}, {"title": Place("points.csv", 4, 30)})
    assert (other.values["title"], other.at("title").column) == ("Ovens", 30)
    assert "title" not in ROW.values


def test_every_text_of_a_row_is_changed_also_inside_and_cells_stay_cells() -> None:
    row = ROW.but({"fields": {"1.8.0": "/a"}, "aliases": ["a", "b"], "count": 3})
    changed = mapped(row, str.upper)
    assert changed.values == {
        "point": "Q01", "rating_a": "63", "fields": {"1.8.0": "/A"}, "aliases": ["A", "B"], "count": 3
    }  # fmt: skip
    assert isinstance(changed.values["rating_a"], Cell), "its number is still to be read"
    assert not isinstance(changed.values["point"], Cell)


@pytest.mark.parametrize(
    ("data", "what", "place"),
    [
        ("name,größe\n".encode("utf-16"), "UTF-16", (1, 1)),
        (b"point,title\nq01,Gr\xf6\xdfe\n", "byte 0xf6 is not UTF-8", (2, 7)),
        ("ä,".encode() + b"\xff", "byte 0xff is not UTF-8", (1, 3)),
        (b" " * (LARGEST_FILE + 1), f"the file has {LARGEST_FILE + 1} bytes", (None, None)),
    ],
)
def test_a_file_that_is_not_utf_8_is_refused_where_it_begins_to_differ(
    tmp_path: Path, data: bytes, what: str, place: tuple[int | None, int | None]
) -> None:
    path, notes = tmp_path / "points.csv", Notes()
    path.write_bytes(data)
    assert read_text(path, "points.csv", notes) is None
    (fault,) = notes.faults
    assert what in fault.what
    assert (fault.line, fault.column) == place
    assert fault.right


def test_a_byte_order_mark_is_no_part_of_the_text_and_the_largest_file_is_read(tmp_path: Path) -> None:
    path, notes = tmp_path / "points.csv", Notes()
    path.write_bytes("\ufeffpoint\n".encode())
    assert read_text(path, "points.csv", notes) == "point\n"
    path.write_bytes(b" " * LARGEST_FILE)
    assert len(read_text(path, "points.csv", notes) or "") == LARGEST_FILE
    assert not notes.faults


def test_a_file_that_is_not_there_is_a_fault_and_no_exception(tmp_path: Path) -> None:
    notes = Notes()
    assert read_text(tmp_path / "none.csv", "none.csv", notes) is None
    assert [fault.what for fault in notes.faults] == ["cannot read the file: No such file or directory"]
