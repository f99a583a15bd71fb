"""A pattern is drawn once; its copies are whole, and what differs in one is reported."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.plan import PointState
from tests.plan_faults import Case, label, refused
from tests.plans import FILES, ROOM, SITE, edited, write

TWO = ROOM.replace('fields = { "1.8.0" = "room-{n}:import", "16.7.0" = "room-{n}:power" }', "") + (
    '[[point]]\npoint = "room-{n}-pv"\nrole = "pv"\n'
    '[[instrument]]\npoint = "room-{n}-pv"\nmeter_class = "B"\n'
    '[[input]]\npoint = "room-{n}-pv"\nregister = "1.8.0"\naddress = "rooms/{n}/pv"\n'
)
TWO = TWO.replace('address = "rooms/{n}"\n', 'address = "rooms/{n}"\nregister = "1.8.0"\n')


def test_copies_stand_below_the_root_with_their_number_in_every_text(tmp_path: Path) -> None:
    site = load_plan(write(tmp_path, FILES)).site
    room = site.point("room-03")
    assert (room.board, room.below, room.title) == ("north", "q01", "Room 03")
    assert {meter_input.address for meter_input in site.inputs if meter_input.point == "room-03"} == {"rooms/03"}
    assert [consumer.point for consumer in site.consumers if consumer.name == "room-03-heater"] == ["room-03"]
    assert len(site.instruments_of("room-03")) == 1


def test_count_gives_numbers_of_one_width(tmp_path: Path) -> None:
    files = edited("site.toml", 'numbers = "01-03"', "count = 11")
    names = [point.name for point in load_plan(write(tmp_path, files)).site.points if "room" in point.name]
    assert (names[0], names[-1], len(names)) == ("room-01", "room-11", 11)


def test_ranges_and_single_numbers(tmp_path: Path) -> None:
    files = edited("site.toml", '"01-03"', '"02-03, 07 10-11"')
    assert load_plan(write(tmp_path, files)).copies[0].numbers == ("02", "03", "07", "10", "11")


def test_overrides_reach_every_kind_of_row_and_are_listed(tmp_path: Path) -> None:
    text = 'state = "fitted"\nmax_w = 3000\nmeter_class = "1"\naddress = "rooms/new/2"'
    plan = load_plan(write(tmp_path, edited("site.toml", 'title = "Corner room"', text)))
    assert plan.site.point("room-02").state is PointState.FITTED
    assert plan.site.instruments_of("room-02")[0].meter_class == "1"
    assert {meter_input.address for meter_input in plan.site.inputs if meter_input.point == "room-02"} == {
        "rooms/new/2"
    }
    assert plan.site.point("room-01").state is PointState.LIVE
    assert [
        (difference.subject, difference.key, difference.drawn, difference.here)
        for difference in plan.copies[0].differences
    ] == [
        ("room-02", "state", "-", "fitted"),
        ("room-02-heater", "max_w", "1500", "3000"),
        ("room-02", "meter_class", "B", "1"),
        ("room-02", "address", "rooms/02", "rooms/new/2"),
    ]


def test_with_several_rows_of_a_kind_the_override_names_one(tmp_path: Path) -> None:
    files = {**FILES, "patterns/room.toml": TWO}
    with pytest.raises(PlanError, match=r'title may belong to 2 rows .* below \[repeat.override.02."room-02"\]'):
        load_plan(write(tmp_path / "a", files))
    files["site.toml"] = SITE.replace(
        'title = "Corner room"', 'room-02-pv.title = "South roof"\n"room-02-pv 1.8.0".address = "roofs/2"'
    )
    site = load_plan(write(tmp_path / "b", files)).site
    assert (site.point("room-02").title, site.point("room-02-pv").title) == ("Room 02", "South roof")
    assert [meter_input.address for meter_input in site.inputs if meter_input.point == "room-02-pv"] == ["roofs/2"]


@pytest.mark.parametrize(
    ("override", "what"),
    [
        ('room-03.title = "x"', "copy 02 has nothing named 'room-03'; did you mean room-02?"),
        ('room-02.titel = "x"', "unknown key 'titel' of room-02; did you mean title?"),
        ('room-02.max_w = "x"', "unknown key 'max_w' of room-02; did you mean max_w?"),
    ],
)
def test_an_override_of_nothing_is_refused(tmp_path: Path, override: str, what: str) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, edited("site.toml", 'title = "Corner room"', override)))
    assert [f"{fault.line}: {fault.what}; {fault.right}" for fault in caught.value.faults] == [f"18: {what}"]


def test_a_row_of_instruments_csv_takes_the_place_of_the_drawn_one(tmp_path: Path) -> None:
    files = {**FILES, "instruments.csv": FILES["instruments.csv"] + "room-03,2024-05-01,,A,,,,,,,\n"}
    plan = load_plan(write(tmp_path, files))
    assert [instrument.meter_class for instrument in plan.site.instruments_of("room-03")] == ["A"]
    assert plan.copies[0].differences[-1].subject == "room-03"


def test_a_fault_of_the_drawing_is_reported_once_and_not_once_per_copy(tmp_path: Path) -> None:
    files = {**FILES, "patterns/room.toml": ROOM.replace('"B"', '"Q"').replace("1500", "-1")}
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, files))
    assert [(fault.file, fault.line) for fault in caught.value.faults] == [
        ("patterns/room.toml", 8),
        ("patterns/room.toml", 18),
    ]


def test_rows_of_every_point_leave_out_points_with_rows_of_their_own(tmp_path: Path) -> None:
    files = {
        **FILES,
        "inputs.csv": "point,register,address,field\n*,1.8.0,all/{point},\n*,16.7.0,all/{point},/w\nq02,1.8.0,own,\n",
        "points.csv": FILES["points.csv"].replace(
            "t2,south,feed,,Transformer,live", "t2,south,feed,,Transformer,planned"
        ),
    }
    inputs = load_plan(write(tmp_path, files)).site.inputs
    assert [
        (meter_input.point, meter_input.address, meter_input.unit)
        for meter_input in inputs
        if "room" not in meter_input.point
    ] == [
        ("q02", "own", "Wh"),
        ("t1", "all/t1", "Wh"),
        ("t1", "all/t1", "W"),
        ("q01", "all/q01", "Wh"),
        ("q01", "all/q01", "W"),
    ]


CASES: list[Case] = [
    ("site.toml", '"room"', '"rom"', "site.toml:12:1", "no file patterns/rom.toml", "did you mean room?"),
    ("site.toml", '"01-03"', '"01-3"', "site.toml:13:1", "different width", "01-03"),
    ("site.toml", '"01-03"', '"01 2"', "site.toml:13:1", "different widths", "2 digits"),
    ("site.toml", '"01-03"', '"03-01"', "site.toml:13:1", "backwards", "01-03"),
    ("site.toml", '"01-03"', '"01-03 02"', "site.toml:13:1", "number 02 appears twice", "once"),
    ("site.toml", '"01-03"', '"one"', "site.toml:13:1", "'one' is not a number", "001-010"),
    ("site.toml", '"01-03"', '"000001-999999"', "site.toml:13:1", "too long", "9999"),
    ("site.toml", '"01-03"', '"01-03"\ncount = 3', "site.toml:11:1", "either count or numbers", "01-48"),
    ("site.toml", '"01-03"', '"01-03"\nwidth = 3', "site.toml:14:1", "2 digits, width says 3", "leave width out"),
    ("site.toml", 'numbers = "01-03"', "count = 10\nwidth = 1", "site.toml:14:1", "does not fit 10", "2 to 6"),
    ("site.toml", 'numbers = "01-03"', "count = 100000", "site.toml:13:1", "too many", "9999"),
    ("site.toml", "override.02", "override.2", "site.toml:17:1", "no copy '2'", "did you mean 02?"),
    ("site.toml", 'title = "Corner', 'titel = "Corner', "site.toml:18:1", "unknown key 'titel'", "title?"),
    ("site.toml", 'title = "Corner room"', "rating_a = -5", "site.toml:18:1", "not above zero", "above zero"),
    (
        "site.toml",
        "[repeat.override.02]\ntitle",
        "[repeat.override]\n02",
        "site.toml:18:1",
        "not a table",
        "override.02]",
    ),
    (
        "patterns/room.toml",
        'point = "room-{n}"\nrole',
        'point = "room"\nrole',
        "patterns/room.toml:2:1",
        "same in",
        "{n}",
    ),
    ("patterns/room.toml", "rooms/{n}", "rooms/{m}", "patterns/room.toml:12:1", "placeholder {m}", "{point}"),
    ("patterns/room.toml", "max_w", "max_watt", "patterns/room.toml:18:1", "unknown key 'max_watt'", "max_w?"),
]


@pytest.mark.parametrize("case", CASES, ids=label)
def test_each_rule_of_a_pattern_is_refused_with_place_reason_and_remedy(tmp_path: Path, case: Case) -> None:
    refused(tmp_path, case)
