"""`meterd jobs`: the list, one of them now, with and without a daemon, and what is said to a wrong wish."""

import json
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from meterd.core.model.schedule import JobState
from tests.app.daemon.calendar_site import SetClock, plan_with, record, site_with_jobs
from tests.brokers import until
from tests.faults.mill import running


def listed(plan: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, dict[str, object]]]:
    """Exit code and rows by job."""
    capsys.readouterr()
    code = main(["jobs", str(plan), "--format", "json"])
    return code, {row["job"]: row for row in json.loads(capsys.readouterr().out)}


def test_the_list(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Every job, also before there is a store."""
    plan = site_with_jobs(tmp_path, days=2)
    (tmp_path / "s.sqlite").unlink()
    code, rows = listed(plan, capsys)
    assert code == 0
    assert rows["backup"]["when"] == "01:30 every day"
    assert rows["report"]["when"] == "06:00 every month"
    assert {row["state"] for row in rows.values()} == {"new"}
    assert main(["jobs", str(plan)]) == 0
    assert "verify" in capsys.readouterr().out


def test_one_now_without_a_daemon(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """It is done here and recorded; one that fails is reported, and listed with exit code 1 until it is done."""
    plan = site_with_jobs(tmp_path, days=2)
    assert main(["jobs", str(plan), "--run", "backup"]) == 0
    assert "readings, sound; 1 copies" in capsys.readouterr().out
    code, rows = listed(plan, capsys)
    assert (code, rows["backup"]["state"], rows["backup"]["tries"]) == (0, "done", 0)
    for copy in (tmp_path / "copies").iterdir():
        copy.unlink()
    (tmp_path / "copies").rmdir()
    (tmp_path / "copies").write_text("in the way", encoding="utf-8")
    assert main(["jobs", str(plan), "--run", "backup"]) == 1
    assert "name a backup_folder that can be written" in capsys.readouterr().err
    code, rows = listed(plan, capsys)
    assert (code, rows["backup"]["state"], rows["backup"]["tries"]) == (1, "failed", 1)
    (tmp_path / "copies").unlink()
    assert main(["jobs", str(plan), "--run", "backup"]) == 0
    assert listed(plan, capsys)[0] == 0


@pytest.mark.parametrize(
    ("job", "text"),
    [
        ("bakup", "there is no job 'bakup'; there are drift, clocks, backup"),
        ("report", "the job report does not run: no mail in [notify] and no documents_folder; see [schedule]"),
        ("drift", "the job drift is done by the daemon, and none runs on this store"),
    ],
)
def test_a_wrong_wish(job: str, text: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Said in one line, and nothing is recorded."""
    plan = site_with_jobs(tmp_path, "", days=2)
    assert main(["jobs", str(plan), "--run", job]) == 2
    assert text in capsys.readouterr().err
    known = record(tmp_path / "s.sqlite", job)
    assert known is None or known.state is JobState.NEW


def test_no_store(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Nothing to copy."""
    plan = site_with_jobs(tmp_path, days=2)
    (tmp_path / "s.sqlite").unlink()
    assert main(["jobs", str(plan), "--run", "verify"]) == 1
    assert "there is no store at" in capsys.readouterr().err
    assert not (tmp_path / "s.sqlite").exists()


@pytest.mark.slow
def test_one_now_by_the_daemon(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """It runs there, also what only the daemon can do; the command waits for the end."""
    plan, clock = site_with_jobs(tmp_path, days=2), SetClock()
    with running(plan_with(plan).site, tmp_path / "s.sqlite", clock):
        assert until(lambda: record(tmp_path / "s.sqlite", "backup") is not None, 60)
        for job, text in (
            ("backup", "readings, sound"),
            ("drift", "parts examined"),
            ("clocks", "change of the clocks"),
        ):
            assert main(["jobs", str(plan), "--run", job, "--by", "Ada"]) == 0
            assert text in capsys.readouterr().out
        assert main(["jobs", str(plan), "--run", "bakup"]) == 2
        known = record(tmp_path / "s.sqlite", "backup")
        assert known is not None
        assert known.state is JobState.DONE
