"""What a replay reads is settled before anything is written."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from meterd.app.operations.replay_work import Report, note_beyond, nothing_read, prepare
from meterd.core.engine import begin
from meterd.core.model.reading import IMPORT
from tests.app.operations.old_readings_site import imported


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (["--no-export", "q01"], "the plan reads no 2.8.0"),
        (["--no-export", "nobody"], "the plan reads no 2.8.0"),
        (["--no-export", "t1=much"], "--no-export t1 much"),
    ],
)
def test_no_export_where_it_cannot_be_is_an_error_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], why: str
) -> None:
    plan, rows = imported(tmp_path)
    assert main(["replay", str(plan), str(rows), "--out", str(tmp_path / "o"), *options]) == 2
    assert why in capsys.readouterr().err


def test_registers_are_those_of_plan_and_files(tmp_path: Path) -> None:
    """One that did not count shows the same whenever the import of its point was read."""
    plan, rows = imported(tmp_path)
    work = prepare(load_plan(plan), [rows], None, None, no_export={"t1": 7_000})
    with work.history:
        assert work.channels[-1] == ("t1", "2.8.0")
        assert {register for _, register in work.channels[:-1]} == {IMPORT}
        times, values, _ = work.column(("t1", "2.8.0"))
        read, _, _ = work.column(("t1", IMPORT))
    assert times.tolist() == read.tolist()
    assert set(values.tolist()) == {7_000}


def test_what_no_register_of_that_size_can_show_is_counted(tmp_path: Path) -> None:

    site = load_plan(imported(tmp_path)[0]).site
    rules = begin(site, ZoneInfo(site.zone), None).rules["t1", IMPORT]
    most = rules[0].capacity
    assert most is not None
    report, times = Report(), np.arange(3, dtype=np.int64)
    note_beyond(report, ("t1", IMPORT), rules, (times, np.array([0, most - 1, most])))
    assert report.beyond == {("t1", IMPORT): 1}
    note_beyond(report, ("q01", IMPORT), rules, (times, np.array([0, 1, 2])))
    assert ("q01", IMPORT) not in report.beyond


def test_nothing_that_can_be_read_is_an_error_with_its_cells() -> None:
    assert nothing_read(Report()) == "nothing is read; the files hold no values"
    assert "2 values refused" in nothing_read(Report(refused=2))
