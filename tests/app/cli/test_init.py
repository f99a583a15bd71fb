"""`meterd init` makes a plan that passes the check from a list of meters; a plan with a fault leaves nothing behind."""

import io
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from meterd.core.model.plan import PointState
from tests.app.boat_yard import POINTS, TITLES, german_export, histories

Said = pytest.CaptureFixture[str]


@pytest.fixture
def listed(tmp_path: Path) -> Path:
    """The list of the boat yard, as a spreadsheet program writes it."""
    path = tmp_path / "list.csv"
    rows = [f"{title};{role};{'250' if role == 'feed' else '63'} A" for role, title in POINTS.values()]
    path.write_text("\n".join(["Bezeichnung;Art;Sicherung", *rows, ""]), encoding="utf-8")
    return path


def test_from_the_list_to_the_days_of_an_export(tmp_path: Path, listed: Path, capsys: Said) -> None:
    """Two commands and no line of the plan typed: the export is recognised by the titles of the list."""
    folder = tmp_path / "boat-yard"
    made = ["init", str(folder), "--points", str(listed), "--zone", "Europe/Berlin", "--source", "file"]
    assert main(made) == 0, capsys.readouterr().err
    assert "points: 11, boards: 1; the plan has no fault" in capsys.readouterr().out
    assert main(["check", str(folder)]) == 0
    moments, readings = histories(48)
    (tmp_path / "export.csv").write_bytes(german_export(moments, readings).encode("windows-1252"))
    out = tmp_path / "out"
    assert main(["replay", str(folder), str(tmp_path / "export.csv"), "--out", str(out)]) == 0, capsys.readouterr().err
    assert f"{len(TITLES)} columns for 11 points" in capsys.readouterr().out
    assert main(made) == 2
    assert "holds a plan already; name another folder" in capsys.readouterr().err


def test_without_a_source_points_are_planned(tmp_path: Path, listed: Path) -> None:
    folder = tmp_path / "yard"
    assert main(["init", str(folder), "--points", str(listed), "--zone", "Europe/Berlin"]) == 0
    assert {point.state for point in load_plan(folder).site.points} == {PointState.PLANNED}
    assert not (folder / "inputs.csv").exists()


def test_topics_of_the_list_are_inputs(tmp_path: Path) -> None:
    """A point without a topic stays planned; a ratio brings the question of its side as a comment."""
    path = tmp_path / "list.csv"
    path.write_text("point,role,topic,ct ratio\nt1,feed,m/t1,250/5\nq1,,m/q1,\nq2,,,\n")
    folder = tmp_path / "yard"
    assert main(["init", str(folder), "--points", str(path), "--zone", "UTC", "--source", "mqtt"]) == 0
    site = load_plan(folder).site
    assert [(row.point, row.address) for row in site.inputs] == [("t1", "m/t1"), ("q1", "m/q1")]
    assert site.point("q2").state is PointState.PLANNED
    assert "# guessed: the registers show the primary side" in (folder / "points.csv").read_text()


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--zone", "Mars"], "time zone 'Mars' is not in the IANA list"),
        ([], "say --zone: nobody can be asked here"),
        (
            ["--zone", "UTC", "--name", "Boat Yard"],
            "'Boat Yard' is no name of a site; write for example --name boat-yard",
        ),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_written(
    tmp_path: Path, listed: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch, options: list[str], text: str
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert main(["init", str(tmp_path / "yard"), "--points", str(listed), *options]) == 2
    assert text in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["list.csv"]
