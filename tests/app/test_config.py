"""A plan is loaded whole, or refused with every fault: file, line, column, what is wrong and what would be right."""

from pathlib import Path

import pytest

from meterd.app.config import Fault, Plan, PlanError, load_plan
from meterd.errors import ConfigError
from meterd.site import PointState, Role
from tests.plans import FILES, SITE, edited, write

EXAMPLES = Path(__file__).parents[2] / "config"

# file, text, its replacement, place of the fault, part of what is wrong, part of the remedy
CASES = [
    # site.toml
    ("site.toml", 'name = "mill"', 'name = "Mill 1"', "site.toml:2:1", "'Mill 1' is not a name", "mill-1"),
    ("site.toml", 'name = "mill"', 'name = "mill/1"', "site.toml:2:1", "'mill/1' is not a name", "mill-1"),
    ("site.toml", 'name = "mill"\n', "", "site.toml:1:1", "name is missing", "write the name"),
    ("site.toml", "Europe/Vienna", "Europe/Viena", "site.toml:3:1", "not in the IANA list", "Europe/Vienna?"),
    ("site.toml", "Europe/Vienna", "../../etc/passwd", "site.toml:3:1", "not in the IANA list", "known"),
    ("site.toml", "zone", "interval_s = 1000\nzone", "site.toml:3:1", "does not divide an hour", "900"),
    ("site.toml", "zone", "interval_s = 30\nzone", "site.toml:3:1", "too short", "900"),
    ("site.toml", "zone", 'interval_s = "900"\nzone', "site.toml:3:1", "'900' is not a number", "without quotes"),
    ("site.toml", "zone", "interval_s = true\nzone", "site.toml:3:1", "true is not a number", "12.5"),
    ("site.toml", "zone", 'prefix = "a/b"\nzone', "site.toml:3:1", "one level of a topic", "/ + # $"),
    ("site.toml", "zone", 'prefix = "a+"\nzone', "site.toml:3:1", "one level of a topic", "/ + # $"),
    ("site.toml", "zone", 'titel = "x"\nzone', "site.toml:3:1", "unknown key 'titel'", "did you mean title?"),
    ("site.toml", "[[repeat]]", "[brocker]\nport=1\n[[repeat]]", "site.toml:11:1", "unknown table", "mean broker?"),
    ("site.toml", "[[repeat]]", "[broker]\nport = 70000\n[[repeat]]", "site.toml:12:1", "no port 70000", "1883"),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\npassword = "x"\n[[repeat]]',
        "site.toml:12:1",
        "password in",
        "password_env",
    ),
    (
        "site.toml",
        "[[repeat]]",
        '[[source]]\nname = "far"\npassword = "x"\n[[repeat]]',
        "site.toml:13:1",
        "password in the plan",
        "password_file",
    ),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\npassword_env = "A"\npassword_file = "b"\n[[repeat]]',
        "site.toml:13:1",
        "two places",
        "keep",
    ),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\ncert_file = "c"\ntls = true\n[[repeat]]',
        "site.toml:11:1",
        "key_file",
        "cert_file and",
    ),
    ("site.toml", "[[repeat]]", '[broker]\nca_file = "c"\n[[repeat]]', "site.toml:11:1", "tls is off", "tls = true"),
    (
        "site.toml",
        "[[repeat]]",
        '[broker]\ntls = "yes"\n[[repeat]]',
        "site.toml:12:1",
        "neither true nor false",
        "true",
    ),
    (
        "site.toml",
        "[[repeat]]",
        "[limits]\ngap_s = 1\n[[repeat]]",
        "site.toml:12:1",
        "unknown key 'gap_s'",
        "gap_exact_s",
    ),
    ("site.toml", "[[repeat]]", "[limits]\nstop_limit_s = 0\n[[repeat]]", "site.toml:12:1", "less than 1", "1 or more"),
    ("site.toml", "[[repeat]]", "[limits]\nqueue_limit = inf\n[[repeat]]", "site.toml:12:1", "not finite", "12.5"),
    ("site.toml", "[[repeat]]", "[limits]\nqueue_limit = 1.5\n[[repeat]]", "site.toml:12:1", "not a whole", "write 2"),
    ("site.toml", 'zone = "Europe/Vienna"', "zone = Europe/Vienna", "site.toml:3:8", "invalid value", "double quotes"),
    ("site.toml", 'name = "south"', 'name = "North"', "site.toml:9:1", "'North' is not a name", "such as north"),
    ("site.toml", 'name = "south"', 'name = "nor-th"', "site.toml:9:1", "too like north", "separators"),
    ("site.toml", 'name = "south"', 'name = "south"\nnominal_v = 0', "site.toml:10:1", "not above zero", "above zero"),
    ("site.toml", '[[board]]\nname = "north"', "[[board]]", "site.toml:5:1", "name is missing", "write the name"),
    # repeat
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
    # points.csv
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
    ("points.csv", "live,63", "live,63A", "points.csv:4:30", "'63A' is not a number", "decimal point"),
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
    # instruments.csv
    ("instruments.csv", "q02,2024", "q03,2024", "instruments.csv:6:1", "point q03 does not exist", "did you mean q0"),
    (
        "instruments.csv",
        "q01,2025-03-01",
        "q01,2025-02-28",
        "instruments.csv:5:5",
        "two instruments at",
        "until of the old",
    ),
    (
        "instruments.csv",
        "2024-01-01,2025-03-01",
        "2024-01-01,2023-03-01",
        "instruments.csv:4:16",
        "not after",
        "taken out",
    ),
    ("instruments.csv", "q02,2024-01-01", "q02,01.01.2024", "instruments.csv:6:5", "is not a date", "2026-05-04"),
    ("instruments.csv", "q02,2024-01-01", "q02,2024-02-30", "instruments.csv:6:5", "is not a date", "2026-05-04"),
    ("instruments.csv", "q02,2024-01-01", "q02,2024-01-01 10:00", "instruments.csv:6:5", "has no zone", "+01:00"),
    ("instruments.csv", "q02,2024-01-01", "q02,1024-01-01", "instruments.csv:6:5", "year 1024", "1970"),
    ("instruments.csv", "600/5", "600:5", "instruments.csv:3:31", "'600:5' is not a ratio", "250/5"),
    ("instruments.csv", "600/5", "5/600", "instruments.csv:3:31", "ratio of a current transformer", "250/5"),
    ("instruments.csv", "t2,2024-01-01,,0.5S", "t2,2024-01-01,,0.5 S", "instruments.csv:3:16", "'0.5 S'", "write 0.5S"),
    (
        "instruments.csv",
        "t2,2024-01-01,,0.5S,0.5",
        't2,2024-01-01,,"0,5s",0.5',
        "instruments.csv:3:16",
        "'0,5s'",
        "0.5S",
    ),
    (
        "instruments.csv",
        "t2,2024-01-01,,0.5S,0.5",
        "t2,2024-01-01,,0.5S,0.7",
        "instruments.csv:3:21",
        "'0.7'",
        "known: 0.1, 0.2",
    ),
    ("instruments.csv", "set-b", "set-a", "instruments.csv:3:31", "ct_ratio differs", "one ratio"),
    ("instruments.csv", ",,1.8.0=500", ",,1.8.9=500", "instruments.csv:4:38", "register '1.8.9'", "1.8.0?"),
    ("instruments.csv", ",,1.8.0=500", ",,16.7.0=500", "instruments.csv:4:38", "does not count", "1.8.0"),
    ("instruments.csv", ",,1.8.0=500", ",,1.8.0=2e9", "instruments.csv:4:38", "beyond register_max_wh", "width"),
    (
        "instruments.csv",
        ",,1.8.0=500",
        ",,1.8.0=0.0001",
        "instruments.csv:4:38",
        "cannot show '0.0001'",
        "three decimal",
    ),
    ("instruments.csv", ",,1.8.0=500", ",,1.8.0=5 1.8.0=6", "instruments.csv:4:38", "appears twice", "2.8.0=4"),
    ("instruments.csv", ",1e9,1.8.0=3,", ",1e9,,1.8.0=3", "instruments.csv:5:16", "closing reading without", "until"),
    ("instruments.csv", "1e9,1.8.0=3", "-1,1.8.0=3", "instruments.csv:5:23", "not above zero", "above zero"),
    ("instruments.csv", "1e9,1.8.0=3", "1e16,1.8.0=3", "instruments.csv:5:23", "larger than 1e15", "unit"),
    # inputs.csv
    ("inputs.csv", "q01,16.7.0", "q1,16.7.0", "inputs.csv:5:1", "point q1 does not exist", "mean q01?"),
    ("inputs.csv", "q02,1.8.0", "q02,1.8", "inputs.csv:6:5", "register '1.8' is not known", "1.8.0"),
    ("inputs.csv", "q02,1.8.0", "q02,import", "inputs.csv:6:5", "register 'import' is not known", "write 1.8.0"),
    ("inputs.csv", "q02,1.8.0", "q02,", "inputs.csv:6:5", "register is missing", "1.8.0 (import)"),
    ("inputs.csv", "1.8.0,broker,pulses", "1.8.0,brokr,pulses", "inputs.csv:6:11", "source brokr does", "mean broker?"),
    ("inputs.csv", ",pulses/q02,", ",,", "inputs.csv:6:18", "address is missing", "write the address"),
    ("inputs.csv", "pulses/q02", "pulses/+", "inputs.csv:6:18", "wildcard", "{point}"),
    ("inputs.csv", "pulses/q02", "pulses/#", "inputs.csv:6:18", "wildcard", "{point}"),
    ("inputs.csv", "pulses/q02", "$SYS/uptime", "inputs.csv:6:18", "belongs to the broker", "$"),
    ("inputs.csv", "pulses/q02", "energy/mill/point/t1", "inputs.csv:6:18", "own output energy/mill/", "of the meter"),
    ("inputs.csv", "/power_w", "/power~w", "inputs.csv:5:30", "not a JSON Pointer", "~0"),
    ("inputs.csv", "/power_w", "power w", "inputs.csv:5:30", "neither a JSON Pointer nor", "/import_wh"),
    ("inputs.csv", "Wh,ct,/time", "Wh,ct,time", "inputs.csv:3:44", "not a JSON Pointer", "/time"),
    ("inputs.csv", "/power_w,W", "/power_w,kWh", "inputs.csv:5:39", "does not fit register 16.7.0", "W, kW, MW"),
    ("inputs.csv", "/power_w,W", "/power_w,KW", "inputs.csv:5:39", "unit 'KW' is not known", "write kW"),
    ("inputs.csv", "kWh,0.1", "kWh,0", "inputs.csv:4:44", "every value zero", "write 1"),
    ("inputs.csv", "kWh,0.1", "kWh,-0.1", "inputs.csv:4:44", "negative scale", "2.8.0"),
    ("inputs.csv", "kWh,0.1", "kWh,ct", "inputs.csv:4:44", "needs the ct_ratio", "instruments.csv:4:1"),
    ("inputs.csv", "kWh,0.1", "kWh,cd*2", "inputs.csv:4:44", "'cd*2' is not a number", "decimal point"),
    ("inputs.csv", "kWh,0.1", "imp,0.1", "inputs.csv:4:40", "needs the pulse_wh", "instruments.csv:4:1"),
    (
        "inputs.csv",
        "q01,16.7.0,broker,meters/q01,/power_w,W",
        "q01,1.8.0,broker,meters/q01,/energy_wh,Wh",
        "inputs.csv:5:5",
        "has two inputs, see inputs.csv:4:1",
        "keep one",
    ),
    ("inputs.csv", "/power_w,W", "/import_wh,W", "inputs.csv:5:19", "already read for q01 1.8.0", "correct"),
    ("inputs.csv", "point,register", "point,regster", "inputs.csv:1:7", "unknown column 'regster'", "register?"),
    # consumers.csv
    ("consumers.csv", "oven,q02", "oven,q09", "consumers.csv:2:6", "point q09 of consumer oven", "mean q0"),
    ("consumers.csv", "oven,q02", "Oven,q02", "consumers.csv:2:1", "'Oven' is not a name", "such as oven"),
    ("consumers.csv", "oven,q02", "room-1-heater,q02", "patterns/room.toml:16:1", "too like room-1-heater", "another"),
    ("consumers.csv", "1000,6000", "9000,6000", "consumers.csv:2:12", "min_w 9000", "at most 6000"),
    ("consumers.csv", "1000,6000", "-1,6000", "consumers.csv:2:12", "less than 0", "0 or more"),
    ("consumers.csv", "1000,6000", "1000,", "consumers.csv:2:17", "max_w is missing", "write the max_w"),
    ("consumers.csv", ",1,1000", ",0,1000", "consumers.csv:2:10", "less than 1", "1 or more"),
]


def faults_of(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(PlanError) as caught:
        load_plan(folder)
    assert isinstance(caught.value, ConfigError)
    return caught.value.faults


@pytest.mark.parametrize(("name", "old", "new", "place", "what", "right"), CASES, ids=[f"{c[0]}:{c[2]}" for c in CASES])
def test_each_rule_is_refused_with_place_reason_and_remedy(
    tmp_path: Path, name: str, old: str, new: str, place: str, what: str, right: str
) -> None:
    faults = faults_of(write(tmp_path, edited(name, old, new)))
    lines = [str(fault) for fault in faults]
    assert any(line.startswith(place + ": ") and what in line for line in lines), lines
    fault = next(fault for fault in faults if what in fault.what)
    assert right in fault.right
    assert len(faults) == 1 or name in ("site.toml", "patterns/room.toml", "points.csv"), lines


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


def test_two_broken_lines_of_one_toml_file_are_both_told(tmp_path: Path) -> None:
    broken = SITE.replace('name = "north"', "name = north").replace('"01-03"', "01-03")
    faults = faults_of(write(tmp_path, {**FILES, "site.toml": broken}))
    assert [(fault.file, fault.line) for fault in faults if "invalid" in fault.what or "expected" in fault.what] == [
        ("site.toml", 6),
        ("site.toml", 13),
    ]


def test_a_broken_table_header_does_not_make_the_keys_below_it_wrong(tmp_path: Path) -> None:
    faults = faults_of(write(tmp_path, {**FILES, "site.toml": SITE.replace("[site]", "[site")}))
    assert [(fault.file, fault.line) for fault in faults] == [("site.toml", 1)]


def test_an_unreadable_file_is_the_only_fault_told_of_what_it_would_have_held(tmp_path: Path) -> None:
    faults = faults_of(write(tmp_path, {**FILES, "points.csv": FILES["points.csv"].encode() + b"caf\xe9,north\n"}))
    assert [str(fault) for fault in faults] == [
        "points.csv:6:4: byte 0xe9 is not UTF-8 text; save the file as UTF-8",
    ]


def test_a_plan_that_is_not_there_is_refused(tmp_path: Path) -> None:
    assert str(faults_of(tmp_path / "none")[0]).startswith("none: there is no such plan; name a plan folder")
    assert "cannot read the file" in faults_of(tmp_path)[0].what


def test_the_name_of_a_retired_point_is_never_used_again(tmp_path: Path) -> None:
    files = edited("points.csv", "q02,south,feeder,,Bakery,live", "q-01,south,feeder,,Old riser,retired")
    found = [fault for fault in faults_of(write(tmp_path, files)) if "too like" in fault.what]
    assert "never used again" in found[0].right


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
    assert any(warning in found.what for found in plan.warnings), plan.warnings


# --- what a sound plan becomes --------------------------------------------------------------------------------------


def test_dates_mean_local_midnight_of_the_site(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, FILES))
    old, new = plan.site.instruments_of("q01")
    assert old.until_ms == new.from_ms == 1_740_783_600_000  # date -u -d 2025-02-28T23:00Z +%s
    assert (old.closing, new.opening) == ((("1.8.0", 500_000),), (("1.8.0", 3_000),))


def test_an_input_holds_unit_scale_and_the_mark_of_the_secondary_side(tmp_path: Path) -> None:
    inputs = {(one.point, one.register): one for one in load_plan(write(tmp_path, FILES)).site.inputs}
    assert inputs["t2", "1.8.0"].per_ct
    assert (inputs["q01", "1.8.0"].unit, inputs["q01", "1.8.0"].scale) == ("kWh", 0.1)
    assert inputs["q01", "1.8.0"].where == "inputs.csv:4"
    assert inputs["room-02", "16.7.0"].unit == "W"
    assert inputs["room-02", "16.7.0"].field == "room-02:power"


def test_scale_ct_with_a_factor(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, edited("inputs.csv", "Wh,ct,", "Wh,ct*0.001,")))
    one = next(one for one in plan.site.inputs if one.point == "t2")
    assert (one.scale, one.per_ct) == (0.001, True)


def test_the_fingerprint_follows_the_meaning_and_not_the_spelling(tmp_path: Path) -> None:
    first = load_plan(write(tmp_path / "a", FILES))
    lines = FILES["points.csv"].splitlines()
    spelt = {
        **FILES,
        "points.csv": "\ufeff" + "\r\n".join([lines[0], *reversed(lines[1:])]).replace(",", ";"),
        "instruments.csv": "# moved\n\n" + FILES["instruments.csv"].replace("1e11", "100000000000"),
    }
    assert load_plan(write(tmp_path / "b", spelt)).fingerprint == first.fingerprint
    other = load_plan(write(tmp_path / "c", edited("points.csv", "live,63", "live,64")))
    assert other.fingerprint != first.fingerprint


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
    assert {one.address for one in plan.site.inputs} == {f"meters/{point.name}" for point in plan.site.points}


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
    assert {one.unit for one in site.inputs} >= {"Wh", "kWh", "W", "kW", "imp", "/", "V", "A"}
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
    assert {one.source for one in site.inputs} == {"history"}
    files["site.toml"] += 'zone = "Europe/Wien"\n'
    assert str(faults_of(write(tmp_path / "c", files))[0]).startswith("site.toml:19:1: zone 'Europe/Wien' is unknown")
