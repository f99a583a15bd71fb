"""Boards, points and consumers of a plan: each fault with its place and what would be right."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterd.adapters.planfile.checks.site import check_points
from meterd.adapters.planfile.defaults import apply_defaults
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.planfile.read import load
from meterd.adapters.planfile.schema import Entry, InputRow
from tests.app.commands import CONFIG
from tests.plan_faults import Case, label, refused

CASES: list[Case] = [
    ("points.csv", "aliases\n", "alias\n", "points.csv:1:57", "unknown column 'alias'", "did you mean aliases?"),
    ("points.csv", "aliases\n", "title\n", "points.csv:1:57", "column title appears twice", "keep one"),
    ("points.csv", "aliases\n", "password\n", "points.csv:1:57", "password in the plan", "password_env"),
    ("points.csv", "q02,south", "Q02,south", "points.csv:5:1", "'Q02' is not a name", "such as q02"),
    ("points.csv", "q02,south", "ofen_süd,south", "points.csv:5:1", "'ofen_süd' is not a name", "such as ofen-sued"),
    ("points.csv", "q02,south", "q-002,south,feeder\nq02,south", "points.csv:6:1", "q02 is too like q-002", "zeros"),
    ("points.csv", "q02,south", "q01,south", "points.csv:5:1", "q01 is used twice, see points.csv:4:1", "another name"),
    ("points.csv", ",riser-old", ",q-2", "points.csv:4:41", "q-2 is too like q02", "another name"),
    ("points.csv", "q02,south", "q02,sout", "points.csv:5:5", "board sout of point q02", "did you mean south?"),
    ("points.csv", "q02,south", "q02,", "points.csv:5:5", "point q02 has no board", "known: north, south"),
    ("points.csv", "south,feeder", "south,feedr", "points.csv:5:11", "role 'feedr' is not known", "feeder?"),
    ("points.csv", "Bakery,live", "Bakery,Live", "points.csv:5:26", "state 'Live' is not known", "write live"),
    ("points.csv", "live,63", "live,63A", "points.csv:4:30", "'63A' is not a number", "write 63 without a unit"),
    ("points.csv", "live,63", 'live,"63,5"', "points.csv:4:30", "decimal comma", "write 63.5"),
    ("points.csv", "live,63", "live,63,5", "points.csv:4:43", "10 cells, the first line names 9", "not 12,5"),
    ("points.csv", "live,63", "live,1_000", "points.csv:4:30", "'1_000' is not a number", "digits"),
    ("points.csv", "live,63", "live,nan", "points.csv:4:30", "'nan' is not a number", "digits"),
    ("points.csv", "live,63", "live,0", "points.csv:4:30", "not above zero", "leave it empty"),
    ("points.csv", "south,feeder,", "south,sub,", "points.csv:5:15", "hangs below no feeder", "below"),
    ("points.csv", "south,feeder,", "south,sub,q01", "points.csv:5:15", "q01 is on board north", "there too"),
    ("points.csv", "south,feeder,", "south,sub,t2", "points.csv:5:15", "t2 has role feed, only a feeder", "none"),
    (
        "points.csv",
        "south,feeder,",
        "south,sub,q03",
        "points.csv:5:15",
        "feeder q03 does not exist",
        "none is declared",
    ),
    ("points.csv", "south,feeder,", "south,feeder,q01", "points.csv:5:18", "cannot hang below", "sub, pv or storage"),
    ("points.csv", ",Bakery,", ',"Bak"ery",', "points.csv:5", "cannot split", "double a quote"),
    ("points.csv", "Bakery", "Bak\x07ery", "points.csv:5:19", "control character", "one line"),
    ("consumers.csv", "oven,q02", "oven,q09", "consumers.csv:2:6", "point q09 of consumer oven", "mean q0"),
    ("consumers.csv", "oven,q02", "Oven,q02", "consumers.csv:2:1", "'Oven' is not a name", "such as oven"),
    ("consumers.csv", "oven,q02", "room-1-heater,q02", "patterns/room.toml:16:1", "too like room-1-heater", "another"),
    ("consumers.csv", "1000,6000", "9000,6000", "consumers.csv:2:12", "min_w 9000", "at most 6000"),
    ("consumers.csv", "1000,6000", "-1,6000", "consumers.csv:2:12", "less than 0", "0 or more"),
    ("consumers.csv", "1000,6000", "1000,", "consumers.csv:2:17", "max_w is missing", "write the max_w"),
    ("consumers.csv", ",1,1000", ",0,1000", "consumers.csv:2:10", "less than 1", "1 or more"),
]


@pytest.mark.parametrize("case", CASES, ids=label)
def test_each_rule_is_refused_with_place_reason_and_remedy(tmp_path: Path, case: Case) -> None:
    refused(tmp_path, case)


def test_a_limit_that_nobody_looks_at_is_named(tmp_path: Path) -> None:
    """Of a feed, of a flexible load, of a room; once for all copies of a drawn room. Of a feeder it is taken."""
    shutil.copytree(CONFIG / "harrow-mill", tmp_path / "mill")
    points, studio = tmp_path / "mill" / "points.csv", tmp_path / "mill" / "patterns" / "studio.toml"
    lines = points.read_text().splitlines()
    limits = {"t1": "2000", "heat-pump": "900", "bakery-boiler": "50"}
    rows = [lines[0] + ",night_max_w"] + [f"{line},{limits.get(line.partition(',')[0], '')}" for line in lines[1:]]
    points.write_text("\n".join(rows) + "\n")
    studio.write_text(studio.read_text().replace("[[point]]\n", "[[point]]\nnight_max_w = 500\n", 1))
    loaded = load_plan(tmp_path / "mill")
    assert loaded.site.point("heat-pump").night_max_w == 900
    reported = [fault.what for fault in loaded.warnings if "night_max_w" in fault.what]
    assert [what.partition(": ")[0] for what in reported if "studio" not in what] == [
        "night_max_w of t1 does nothing",
        "night_max_w of bakery-boiler does nothing",
    ]
    assert len([what for what in reported if "a single room" in what]) == 1


class Walked(list[Entry[InputRow]]):
    """Counts how often somebody goes through it."""

    count = 0

    def __iter__(self) -> Iterator[Entry[InputRow]]:
        """From its first to its last."""
        self.count += 1
        return super().__iter__()


def test_points_are_checked_without_going_through_all_inputs_for_each() -> None:
    """Found with a plan of 10,000 points: 17 s of processor instead of 1.5, growing with the square of their number."""
    notes, draft = Notes(), load(CONFIG / "harrow-mill", Notes())
    apply_defaults(draft)
    inputs = Walked(draft.inputs)
    draft.inputs = inputs
    check_points(draft, notes)
    assert inputs.count == 1
    assert not notes.faults
