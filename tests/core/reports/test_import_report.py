"""An import says what came of each register: readings, gaps, refused values with reasons, decided events."""

import json
from pathlib import Path

import numpy as np
import pytest

from meterd.app.cli.main import main
from meterd.core.model.periods import text
from meterd.core.model.reading import IMPORT, Refusals
from meterd.core.reports.import_report import LISTED, examine
from tests.app.two_meters import BEGIN, HOUR, plan_file

GAP_MS = 4_800_000


def test_gaps_are_counted_and_the_longest_listed() -> None:
    """Counted by hand: two steps longer than the limit, one exactly as long, one time twice, any order."""
    times = np.array([0, 10 * HOUR, HOUR, 2 * HOUR, 2 * HOUR, 2 * HOUR + GAP_MS, 13 * HOUR], dtype=np.int64)
    report = examine(("f1", IMPORT), times, Refusals(), GAP_MS)
    assert (report.readings, report.repeats, report.gaps) == (7, 1, 2)
    assert report.longest == ((2 * HOUR + GAP_MS, 10 * HOUR), (10 * HOUR, 13 * HOUR))
    assert (report.first_ms, report.last_ms) == (0, 13 * HOUR)
    even = np.arange(50, dtype=np.int64) * 2 * GAP_MS
    assert (
        examine(("f1", IMPORT), even, Refusals(), GAP_MS).gaps,
        examine(("f1", IMPORT), even[::2], Refusals(), 1).gaps,
    ) == (0, 0)
    twice = np.concatenate([np.arange(60, dtype=np.int64) * HOUR, 59 * HOUR + np.arange(1, 50) * 2 * GAP_MS])
    assert len(examine(("f1", IMPORT), twice, Refusals(), GAP_MS).longest) == LISTED


def test_steps_of_the_own_period_are_no_gaps() -> None:
    """Found with an export of quarter hours: 5,848 gaps of 15 minutes. One reading that is missing is a gap."""
    times = np.delete(np.arange(5849, dtype=np.int64) * 900_000, 100)
    report = examine(("f1", IMPORT), times, Refusals(), 300_000)
    assert (report.step_ms, report.gaps, report.longest) == (900_000, 1, ((99 * 900_000, 101 * 900_000),))


def test_no_time_is_no_gap() -> None:
    """A register without readings."""
    nothing = examine(("f1", IMPORT), np.zeros(0, dtype=np.int64), Refusals(), GAP_MS)
    assert (nothing.readings, nothing.first_ms, nothing.gaps) == (0, None, 0)


@pytest.fixture
def history(tmp_path: Path) -> Path:
    """Four days of two meters as a CSV file: a gap, a value that is no number, a stranger, a meter that begins anew."""
    lines = ["time,point,register,value"]
    for hour in range(96):
        at = text(BEGIN + hour * HOUR)
        lines.append(f"{at},feed,import,{1000 * hour}")
        if not 20 <= hour < 30:
            lines.append(f"{at},f1,import,{900 * hour if hour < 60 else 10 * (hour - 60)}")
        lines.append(f"{at},stranger,import,1")
    lines[4] = lines[4].rpartition(",")[0] + ",n/a"
    path = tmp_path / "old.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_the_report_of_an_import(tmp_path: Path, history: Path) -> None:
    """Everything a person must check before the figures are believed, as JSON and as text."""
    plan = str(plan_file(tmp_path))
    store = str(tmp_path / "s.sqlite")
    assert main(["replay", plan, str(history), "--into", store, "--report", str(tmp_path / "r.json")]) == 0
    output = json.loads((tmp_path / "r.json").read_text())
    by_point = {r["point"]: r for r in output["registers"]}
    assert by_point["f1"]["gaps"] == 1
    assert by_point["f1"]["longest_gaps"] == [{"from": text(BEGIN + 19 * HOUR), "until": text(BEGIN + 30 * HOUR)}]
    assert sum(r["refused"] for r in output["registers"]) == 1
    assert sum(r["readings"] for r in output["registers"]) == 96 + 86 - 1
    assert any("n/a" in sample for r in output["registers"] for sample in r["refused_samples"])
    assert [(e["point"], e["what"]) for e in output["decided"]] == [("f1", "reset")]
    assert output["not_in_the_plan"] == {"stranger": 96} or sum(output["not_in_the_plan"].values()) == 96
    assert main(["replay", plan, str(history), "--into", store, "--report", str(tmp_path / "r.txt")]) == 0
    message = (tmp_path / "r.txt").read_text()
    for part in ("f1 import: 86 readings", "gaps: 1", "11.00 h", "refused: 1", "reset", "stranger"):
        assert part in message


@pytest.mark.parametrize("minutes", [0, 7])
def test_an_import_says_why_its_last_interval_has_no_figure(
    tmp_path: Path, history: Path, capsys: pytest.CaptureFixture[str], minutes: int
) -> None:
    """A reading at the end of an hour closes it; one seven minutes later begins the next, which nothing has closed yet."""
    plan, end = str(plan_file(tmp_path)), BEGIN + 95 * HOUR
    with history.open("a") as file:
        file.write(f"{text(end + minutes * 60_000)},feed,import,95500\n")
    report = tmp_path / "r.txt"
    for into in (["--into", str(tmp_path / "s.sqlite"), "--report", str(report)], ["--out", str(tmp_path / "tables")]):
        assert main(["replay", plan, str(history), *into]) == 0
        message = f"figure after {text(end)} yet: the newest reading, of {text(end + minutes * 60_000)}"
        assert (message in " ".join(capsys.readouterr().out.split())) == (minutes > 0)
    assert ("which a later reading closes." in report.read_text()) == (minutes > 0)


def test_a_report_that_cannot_be_written_is_said(
    tmp_path: Path, history: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An unknown folder, and a report of tables, which are no import."""
    plan = str(plan_file(tmp_path))
    into = ["--into", str(tmp_path / "s.sqlite"), "--report", str(tmp_path / "absent" / "r.txt")]
    assert main(["replay", plan, str(history), *into]) == 1
    assert "cannot write the report" in capsys.readouterr().err
    assert main(["replay", plan, str(history), "--out", str(tmp_path / "o"), "--report", "r.txt"]) == 2
