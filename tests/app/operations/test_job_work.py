"""What jobs do, without the daemon: copies that stay, copies that are refused, documents that wait."""

import fcntl
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import Plan, load_plan
from meterd.adapters.runtime.people_log import Act, PeopleLog, people_log_path
from meterd.app.operations import job_work
from meterd.app.operations.job_request import JobRequest
from meterd.app.operations.job_work import run_job
from meterd.core.errors import StoreError
from meterd.core.model.plan import Limits
from meterd.core.model.schedule import Schedule
from tests.app.daemon.calendar_site import MARCH, site_with_jobs

SLOT = "2026-03-01"


def request(folder: Path, job: str, slot: str = SLOT, **schedule: object) -> JobRequest:
    """A run of a job of the site in a folder."""
    plan = load_plan(folder / "mill.toml")
    site = replace(plan.site, schedule=replace(plan.site.schedule, **schedule))  # type: ignore[arg-type]
    return JobRequest(job, Plan(site, (), plan.fingerprint), folder / "s.sqlite", slot, MARCH)


def copies(folder: Path) -> list[str]:
    """What lies in the folder of the copies."""
    return sorted(path.name for path in (folder / "copies").iterdir())


def test_copies_of_a_month(tmp_path: Path) -> None:
    """The newest of each day, week and month stays, with its log of people; other files are left alone."""
    site_with_jobs(tmp_path, days=2)
    PeopleLog(people_log_path(tmp_path / "s.sqlite")).add(Act(1, "login", "Anna"))
    (tmp_path / "copies").mkdir()
    (tmp_path / "copies" / "mill-notes.sqlite").write_text("not ours", encoding="utf-8")
    for n in range(40):
        slot = (date(2026, 2, 1) + timedelta(days=n)).isoformat()
        text = run_job(request(tmp_path, "backup", slot, backup_days=2, backup_weeks=2, backup_months=2))
    left = [f"mill-2026-{day}.sqlite" for day in ("02-28", "03-08", "03-11", "03-12")]
    assert copies(tmp_path) == sorted([*left, *(f"{name}.people" for name in left), "mill-notes.sqlite"])
    assert text.startswith("mill-2026-03-12.sqlite: ")
    assert text.endswith("readings, sound; 4 copies, 1 older ones removed")


def test_a_changed_store_costs_no_older_copy(tmp_path: Path) -> None:
    """A copy that is not what was written counts for nothing: the sound ones stay, and somebody is notified."""
    site_with_jobs(tmp_path, days=2)
    for slot in ("2026-02-27", "2026-02-28"):
        run_job(request(tmp_path, "backup", slot))
    with closing(sqlite3.connect(tmp_path / "s.sqlite")) as db:
        db.execute("UPDATE figure SET energy = energy + 1 WHERE period = 'hour' AND energy > 0")
        db.commit()
    for job in ("backup", "verify"):
        with pytest.raises(StoreError, match=r"is not what was written: figure f1 1\.8\.0"):
            run_job(request(tmp_path, job, backup_days=1, backup_weeks=0, backup_months=0))
    assert {"mill-2026-02-27.sqlite", "mill-2026-02-28.sqlite"} <= set(copies(tmp_path))


def test_a_copy_needs_room(tmp_path: Path) -> None:
    """Refused before it is begun; nothing is left of it."""
    site_with_jobs(tmp_path, days=2)
    wanted = request(tmp_path, "backup")
    site = replace(wanted.plan.site, limits=Limits(disk_free_mb=shutil.disk_usage(tmp_path).free // 1_000_000 + 100))
    with pytest.raises(StoreError, match=r"has room for .* make room, or keep fewer copies"):
        run_job(replace(wanted, plan=replace(wanted.plan, site=site)))
    assert copies(tmp_path) == []


def test_verification_says_how_much(tmp_path: Path) -> None:
    """Everything of a sound store."""
    site_with_jobs(tmp_path, days=2)
    assert run_job(request(tmp_path, "verify")).endswith("readings and all figures are what was written")


@pytest.mark.parametrize("job", ["report", "costs"])
def test_documents_wait_for_the_end_of_the_month(job: str, tmp_path: Path) -> None:
    """What is not closed is not issued."""
    site_with_jobs(tmp_path, days=45)
    with pytest.raises(StoreError, match="2026-02 is not closed yet: its figures are closed until 2026-02-"):
        run_job(request(tmp_path, job))
    assert not (tmp_path / "documents").exists()


def test_costs_of_a_year_come_with_december(tmp_path: Path) -> None:
    """What is divided by the year only has nothing in other months."""
    site_with_jobs(tmp_path, days=59)
    wanted = request(tmp_path, "costs")
    yearly = tuple(replace(rule, per="year") for rule in wanted.plan.site.allocations)
    plan = replace(wanted.plan, site=replace(wanted.plan.site, allocations=yearly))
    assert run_job(replace(wanted, plan=plan)) == "no cost is divided by the month"


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """Of documents too."""
    site_with_jobs(tmp_path)
    (tmp_path / "documents").write_text("in the way", encoding="utf-8")
    with pytest.raises(StoreError, match=r"cannot write into .*documents: .*; name a documents_folder"):
        run_job(request(tmp_path, "report"))


def test_one_job_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever process runs it."""
    monkeypatch.setattr(job_work, "TURN_S", 0.3)
    site_with_jobs(tmp_path, days=2)
    with (tmp_path / "s.sqlite.jobs.lock").open("w") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(StoreError, match="another job of this store is running"):
            run_job(request(tmp_path, "verify"))
    run_job(request(tmp_path, "verify"))


def test_a_job_without_target_is_not_begun() -> None:
    """The defaults of the plan name none."""
    assert Schedule().backup_folder == Schedule().documents_folder == ""
