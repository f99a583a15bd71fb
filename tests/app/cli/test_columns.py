"""`meterd columns` and `meterd replay` with the export of a boat yard: proposed, shown, read, refused, listed."""

import csv
import gzip
from datetime import datetime
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from meterd.core.model.periods import to_ms
from tests.app.boat_yard import POINTS, REGISTERS, german_export, histories, write_plan

HOURS = 24 * 92 - 1  # 92 local days from New Year over the change to summer time
Said = pytest.CaptureFixture[str]


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    """The folder of the plan, with the export beside it."""
    moments, readings = histories(HOURS)
    (tmp_path / "export.csv").write_bytes(german_export(moments, readings).encode("windows-1252"))
    return write_plan(tmp_path / "yard")


def energies(folder: Path) -> dict[str, dict[str, str]]:
    """Days of a replay into tables, by name of the register and local day."""
    with (folder / "energy_day.csv").open() as file:
        return {row["start"]: row for row in csv.DictReader(file)}


def test_the_export_of_a_boat_yard_is_read_to_the_mwh_from_its_proposal(
    yard: Path, tmp_path: Path, capsys: Said
) -> None:
    """Proposed, written as a mapping file into the plan folder, replayed with it: every day is what was counted."""
    export, mapping = str(tmp_path / "export.csv"), yard / "columns.toml"
    assert main(["columns", export, str(yard), "--write", str(mapping)]) == 0, capsys.readouterr().err
    output = capsys.readouterr().out
    assert "windows-1252, separator ;, decimal ,, dates day-month-year, registers, 12 columns for 11 points" in output
    assert "crane import" in output
    assert "2024-01-01 00:00+01:00" in output
    assert main(["check", str(yard)]) == 0
    assert "columns.toml" not in capsys.readouterr().out
    assert main(["replay", str(yard), export, "--out", str(tmp_path / "out")]) == 0, capsys.readouterr().err
    assert not (tmp_path / "out" / "left-out.csv").exists()
    moments, readings = histories(HOURS)
    days = energies(tmp_path / "out")
    assert len(days) == 92
    row_of = {to_ms(moment): place for place, moment in enumerate(moments)}
    for start, day in days.items():
        first, last = (row_of[to_ms(_moment(stamp))] for stamp in (start, day["end"]))
        for point, register in REGISTERS:
            counted = readings[point, register][last] - readings[point, register][first]
            assert int(day[f"{point}.{'export' if register == '2.8.0' else 'import'}_mwh"]) == counted


def _moment(stamp: str) -> datetime:
    return datetime.fromisoformat(stamp.replace(" ", "T").replace("Z", "+00:00"))


def test_without_a_plan_it_says_what_is_missing(tmp_path: Path, yard: Path, capsys: Said) -> None:
    assert main(["columns", str(tmp_path / "export.csv")]) == 1
    output = capsys.readouterr().out
    assert "give the plan behind the file" in output
    assert 'decimal = ","' in output


def test_a_question_is_shown_and_refused_until_it_is_answered(tmp_path: Path, yard: Path, capsys: Said) -> None:
    """First of February or second of January; after --set the rows are shown, and replay reads them."""
    path = tmp_path / "us.csv"
    path.write_text("Date,Bootskran kWh\n01/02/2025 00:00,1.5\n01/02/2025 01:00,2.75\n01/02/2025 02:00,3.5\n")
    assert main(["columns", str(path), str(yard)]) == 1
    assert "# to be decided: 01/02/2025 is 2025-02-01" in capsys.readouterr().out
    command = ["replay", str(yard), str(path), "--out", str(tmp_path / "out")]
    assert main(command) == 2
    assert "say which: --set date_order=..." in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    answer = ["--set", "date_order=month-day-year"]
    assert main(["columns", str(path), str(yard), *answer]) == 0
    assert "2025-01-02 01:00+01:00" in capsys.readouterr().out
    assert main([*command, *answer]) == 0
    assert sorted(energies(tmp_path / "out")) == ["2025-01-01 23:00:00.000Z"]


def test_a_file_of_which_nothing_is_read_writes_nothing(tmp_path: Path, yard: Path, capsys: Said) -> None:
    """Exit code 1 for tables and for a store, with the first cells and what would be right."""
    path = tmp_path / "words.csv"
    path.write_text("Zeit;Bootskran kWh;Büro kWh\n01.01.2025;a1;b\n02.01.2025;c2;d\n", encoding="utf-8")
    for place in (["--out", str(tmp_path / "out")], ["--into", str(tmp_path / "s.sqlite")]):
        assert main(["replay", str(yard), str(path), *place]) == 1
        output = capsys.readouterr().err
        assert "nothing is read, and nothing is written: 4 values refused" in output
        assert "words.csv, row 2, Bootskran kWh, 'a1': no number; write a number such as 1234" in output
    assert not (tmp_path / "out").exists()
    assert not (tmp_path / "s.sqlite").exists()
    path.write_text("Zeit;Temperatur\n01.01.2025;1,5\n02.01.2025;2,5\n")
    assert main(["replay", str(yard), str(path), "--out", str(tmp_path / "out")]) == 1
    assert (
        "no column is recognised ('Zeit', 'Temperatur'); write --map COLUMN=POINT:REGISTER" in capsys.readouterr().err
    )
    option = ["--map", "Temperatur=crane:import"]
    assert main(["replay", str(yard), str(path), "--out", str(tmp_path / "out"), *option]) == 0


@pytest.mark.parametrize("plain", [False, True])
def test_what_is_left_out_is_counted_and_listed(tmp_path: Path, yard: Path, capsys: Said, plain: bool) -> None:
    """A partly read file: how many of which kind, and every one in a file, also of a plain table."""
    if plain:
        rows = ["time,crane 1.8.0", *(f"2025-01-01T{h:02}:00:00Z,{'x' if h % 5 == 2 else h}" for h in range(24))]
    else:
        rows = ["Zeit;Bootskran kWh", *(f"01.01.2025 {h:02}:00;{'x' if h % 5 == 2 else h}" for h in range(24))]
    path = tmp_path / ("a.csv.gz" if plain else "a.csv")
    text = "\n".join([*rows, ""]).encode()
    path.write_bytes(gzip.compress(text) if plain else text)
    assert main(["replay", str(yard), str(path), "--into", str(tmp_path / "s.sqlite")]) == 0
    output = capsys.readouterr().out
    assert "left out: 5 values: no " in output
    with (tmp_path / "s.left-out.csv").open() as file:
        listed = list(csv.DictReader(file))
    assert [(row["row"], row["value"], row["point"]) for row in listed] == [
        (str(h + 2), "x", "crane") for h in (2, 7, 12, 17, 22)
    ]


@pytest.mark.parametrize(
    ("option", "text"),
    [
        (["--set", "colour=red"], "unknown key 'colour'"),
        (["--columns", "absent.toml"], "cannot read the mapping file absent.toml: no such file or directory"),
    ],
)
def test_a_wrong_option_is_an_error_in_words(
    yard: Path, tmp_path: Path, capsys: Said, option: list[str], text: str
) -> None:
    assert main(["columns", str(tmp_path / "export.csv"), str(yard), *option]) == 2
    assert text in capsys.readouterr().err


def test_every_point_of_the_yard_has_a_role() -> None:
    """The example of the README has eleven points."""
    assert len(POINTS) == 11
