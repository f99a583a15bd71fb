"""A plan is loaded whole, or refused with every fault: file, line, column, what is wrong and what would be right."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import Plan, PlanError, load_plan
from meterd.core.model.plan import PointState, Role
from tests.plan_faults import faults_of
from tests.plans import FILES, SITE, edited, write

EXAMPLES = Path(__file__).parents[3] / "config"


def test_the_plan_of_the_tests_is_sound(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, FILES))
    assert plan.warnings == ()
    assert [point.name for point in plan.site.points][-3:] == ["room-01", "room-02", "room-03"]


def test_all_faults_of_all_files_come_at_once(tmp_path: Path) -> None:
    broken = {
        **FILES,
        "site.toml": SITE.replace("Vienna", "Viena").replace('"mill"', '"mill"\ninterval_s = 7'),
        "points.csv": FILES["points.csv"].replace("live,63", 'liv,"6,3"').replace("q02,south", "q02,west"),
        "instruments.csv": FILES["instruments.csv"].replace("600/5", "600").replace("t1,2024-01-01", "t1,2024-13-01"),
        "inputs.csv": FILES["inputs.csv"].replace("pulses/q02", "pulses/#").replace("16.7.0", "16.9.0"),
        "consumers.csv": FILES["consumers.csv"].replace("oven,q02", "oven,q7"),
        "patterns/room.toml": FILES["patterns/room.toml"].replace('"B"', '"D"'),
    }
    places = [(fault.file, fault.line) for fault in faults_of(write(tmp_path, broken))]
    assert places == [
        ("site.toml", 3),
        ("site.toml", 4),
        ("points.csv", 4),
        ("points.csv", 4),
        ("points.csv", 5),
        ("instruments.csv", 2),
        ("instruments.csv", 3),
        ("inputs.csv", 5),
        ("inputs.csv", 6),
        ("consumers.csv", 2),
        ("patterns/room.toml", 8),
    ]


def test_an_unreadable_file_is_the_only_fault_reported_of_what_it_would_have_held(tmp_path: Path) -> None:
    faults = faults_of(write(tmp_path, {**FILES, "points.csv": FILES["points.csv"].encode() + b"caf\xe9,north\n"}))
    assert [str(fault) for fault in faults] == [
        "points.csv:6:4: byte 0xe9 is not UTF-8 text; save the file as UTF-8",
    ]


def test_a_plan_that_is_not_there_is_refused(tmp_path: Path) -> None:
    assert str(faults_of(tmp_path / "none")[0]).startswith("none: there is no such plan; name a plan folder")
    assert "cannot read the file" in faults_of(tmp_path)[0].what


def test_the_name_of_a_retired_point_is_never_used_again(tmp_path: Path) -> None:
    files = edited("points.csv", "q02,south,feeder,,Bakery,live", "q-01,south,feeder,,Old riser,retired")
    faults = [fault for fault in faults_of(write(tmp_path, files)) if "too like" in fault.what]
    assert "never used again" in faults[0].right


def test_a_file_with_a_misspelt_name_is_refused_and_a_strange_one_is_warned_of(tmp_path: Path) -> None:
    write(tmp_path, {**FILES, "readings-of-may-2024.csv": "a,b\n"})
    assert [str(warning) for warning in load_plan(tmp_path).warnings] == [
        "readings-of-may-2024.csv: the file is not read; move it out of the plan folder"
    ]
    (tmp_path / "consumers.csv").rename(tmp_path / "consumer.csv")
    assert str(faults_of(tmp_path)[0]) == "consumer.csv: the file is not read; rename it to consumers.csv"


def test_an_unreadable_plan_error_text_holds_every_fault(tmp_path: Path) -> None:
    write(tmp_path, edited("inputs.csv", "pulses/q02", "pulses/#"))
    with pytest.raises(PlanError, match=r"the plan has 1 fault\ninputs.csv:6:18: topic"):
        load_plan(tmp_path)


@pytest.mark.parametrize(
    ("name", "old", "new", "warning"),
    [
        ("points.csv", "t2,south,feed", "t2,south,backup", "board south has no feed"),
        ("points.csv", "=E1-Q11", "Q11", "'Q11' is not a reference designation"),
        ("instruments.csv", "1.8.0=500", "", "lacks its closing or opening reading"),
        ("instruments.csv", "0.5S,0.5,set-b,600/5", "0.5S,0.5,,", "has a ct_class but no ct_ratio"),
        ("instruments.csv", "t1,2024-01-01,,0.5S,0.5,set-a,1000/5,,1e11,,\n", "", "point t1 is live but has no instr"),
        ("inputs.csv", "t1,1.8.0,broker,meters/t1,/import_wh,Wh,,/time\n", "", "point t1 is live but has no input"),
        ("inputs.csv", "t1,1.8.0,broker,meters/t1,/import_wh,Wh", "t1,16.7.0,broker,a,,W", "no energy register"),
        ("points.csv", "Transformer,live,,-T1", "Transformer,retired,,-T1", "retired but still has an input"),
    ],
)
def test_what_a_plan_may_lack_is_a_warning(tmp_path: Path, name: str, old: str, new: str, warning: str) -> None:
    files = edited(name, old, new)
    if "600/5" in old:
        files["inputs.csv"] = FILES["inputs.csv"].replace("Wh,ct,", "Wh,,")
    plan = load_plan(write(tmp_path, files))
    assert any(warning in fault.what for fault in plan.warnings), plan.warnings


# --- what a sound plan becomes --------------------------------------------------------------------------------------


# --- the examples ---------------------------------------------------------------------------------------------------


def example(name: str) -> Plan:
    return load_plan(EXAMPLES / name)


def test_the_small_example_is_a_whole_plan_in_about_twenty_lines() -> None:
    plan = example("small.toml")
    lines = (EXAMPLES / "small.toml").read_text().splitlines()
    assert len([line for line in lines if line and not line.startswith("#")]) <= 25
    roles = [point.role for point in plan.site.points]
    assert (roles.count(Role.FEED), roles.count(Role.FEEDER), roles.count(Role.PV)) == (1, 6, 1)
    assert len(plan.site.inputs) == 8 * 3
    assert plan.warnings == ()
    assert {meter_input.address for meter_input in plan.site.inputs} == {
        f"meters/{point.name}" for point in plan.site.points
    }


def test_harrow_mill_is_sound_and_has_what_the_manual_says() -> None:
    plan = example("harrow-mill")
    site = plan.site
    assert plan.warnings == ()
    assert [board.rating_kva for board in site.boards] == [630, 400]
    assert len([point for point in site.points if point.role is Role.FEEDER]) == 25
    studios = [point for point in site.points if point.role is Role.SUB]
    assert len(studios) == 48
    assert {point.below for point in studios} == {"riser-east", "riser-west"}
    assert [point.name for point in site.points if point.state is PointState.FITTED] == ["print-shop", "studio-48"]
    exchanged = site.instruments_of("climbing-hall")
    assert len(exchanged) == 2
    assert exchanged[0].closing == (("1.8.0", 412_345_680_000),)
    assert {meter_input.unit for meter_input in site.inputs} >= {"Wh", "kWh", "W", "kW", "imp", "/", "V", "A"}
    assert [len(copies.numbers) for copies in plan.copies] == [24, 24]
    assert len(site.consumers) == 48 + 5


def test_without_a_source_the_broker_is_one_and_a_single_source_need_not_be_named(tmp_path: Path) -> None:
    assert [source.name for source in load_plan(write(tmp_path / "a", FILES)).site.sources] == ["broker"]
    files = {
        **FILES,
        "site.toml": SITE + '[[source]]\nname = "history"\nprotocol = "file"\npath = "history"\n',
        "inputs.csv": FILES["inputs.csv"].replace(",broker,", ",,"),
    }
    site = load_plan(write(tmp_path / "b", files)).site
    assert [(source.name, source.options) for source in site.sources] == [
        ("history", (("path", str(tmp_path / "b" / "history")),))
    ]
    assert {meter_input.source for meter_input in site.inputs} == {"history"}
    files["site.toml"] += 'zone = "Europe/Wien"\n'
    assert str(faults_of(write(tmp_path / "c", files))[0]).startswith("site.toml:19:1: zone 'Europe/Wien' is unknown")
