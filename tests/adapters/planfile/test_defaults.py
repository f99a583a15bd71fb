"""What a plan may leave out: the only board, the only source, rows for every point, several registers in one row."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.plan import Input, Site

HEAD = """\
site = { name = "mill", zone = "Europe/Vienna" }
broker = { host = "127.0.0.1" }
"""
POINTS = """\
point = [
    { point = "t1", role = "feed" },
    { point = "q01", role = "feeder" },
    { point = "q02", role = "feeder", state = "planned" },
]
"""


def site(tmp_path: Path, text: str) -> Site:
    path = tmp_path / "mill.toml"
    path.write_text(HEAD + text, encoding="utf-8")
    return load_plan(path).site


def by_point(loaded: Site) -> dict[str, list[Input]]:
    return {point.name: [row for row in loaded.inputs if row.point == point.name] for point in loaded.points}


def test_the_only_board_and_the_only_source_need_not_be_named(tmp_path: Path) -> None:
    text = 'board = [{ name = "north" }]\n' + POINTS
    text += '[[input]]\npoint = "*"\naddress = "m/{point}"\nregister = "1.8.0"\nfield = "/{point}/e"\n'
    loaded = site(tmp_path, text)
    assert {point.board for point in loaded.points} == {"north"}
    rows = by_point(loaded)
    assert [(row.source, row.address, row.field, row.unit) for row in rows["q01"]] == [
        ("broker", "m/q01", "/q01/e", "Wh")
    ]
    assert rows["q02"] == [], "a planned point is not read"


def test_a_row_of_its_own_takes_the_place_of_the_row_for_every_point(tmp_path: Path) -> None:
    text = 'board = [{ name = "north" }]\n' + POINTS
    text += '[[input]]\npoint = "*"\naddress = "m/{point}"\nregister = "1.8.0"\n'
    text += '[[input]]\npoint = "q01"\naddress = "other/q01"\nregister = "1.8.0"\nunit = "kWh"\n'
    rows = by_point(site(tmp_path, text))
    assert [(row.address, row.unit) for row in rows["q01"]] == [("other/q01", "kWh")]
    assert [row.address for row in rows["t1"]] == ["m/t1"]


def test_one_row_may_read_several_registers_of_one_message(tmp_path: Path) -> None:
    text = 'board = [{ name = "north" }]\n' + POINTS
    text += '[[input]]\npoint = "*"\naddress = "m/{point}"\nfields = { "1.8.0" = "/e", "16.7.0" = "/p" }\n'
    rows = by_point(site(tmp_path, text))["t1"]
    assert {row.register: (row.field, row.unit) for row in rows} == {"1.8.0": ("/e", "Wh"), "16.7.0": ("/p", "W")}


@pytest.mark.parametrize("left_out", ["board", "source"])
def test_where_there_are_two_the_plan_must_say_which(tmp_path: Path, left_out: str) -> None:
    boards = '[{ name = "north" }, { name = "south" }]' if left_out == "board" else '[{ name = "north" }]'
    sources = '[{ name = "a" }, { name = "b" }]' if left_out == "source" else '[{ name = "a" }]'
    text = f"board = {boards}\nsource = {sources}\n{POINTS}"
    text += '[[input]]\npoint = "*"\naddress = "m/{point}"\nregister = "1.8.0"\n'
    with pytest.raises(PlanError) as refused:
        site(tmp_path, text)
    assert all(left_out in str(fault) for fault in refused.value.faults)
