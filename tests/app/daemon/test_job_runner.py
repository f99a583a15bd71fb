"""Jobs of the calendar by the running daemon: each slot once, whatever becomes of clock and process."""

import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from pathlib import Path

import pytest

from meterd.adapters.store.backup import inspect
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import job_calendar
from meterd.app.operations.archive import newest_months, target_of
from meterd.app.operations.archive_check import compare
from meterd.core.model.schedule import JobState
from tests.adapters.notify.servers import Inbox, mail_server
from tests.app.daemon.calendar_site import (
    DAY,
    HOUR,
    LOOK_S,
    MARCH,
    SCHEDULE,
    SetClock,
    plan_with,
    record,
    run_from,
    site_with_jobs,
)
from tests.brokers import until
from tests.faults.mill import Here, running
from tests.programs import Program

pytestmark = pytest.mark.slow
ONE_THIRTY, SIX = MARCH + HOUR + HOUR // 2, MARCH + 6 * HOUR
JOBS = ("drift", "clocks", "backup", "verify", "archive", "report", "costs")
PAPERS = ("cost-allocation", "month-report")
STORE = "s.sqlite"


@pytest.fixture(autouse=True)
def _look_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(job_calendar, "LOOK_S", LOOK_S)


@contextmanager
def calendar(folder: Path, clock: SetClock, inbox: Inbox | None = None) -> Iterator[Here]:
    """The daemon of the site in a folder, with a mail server that takes what comes."""
    with (
        mail_server(inbox or Inbox(), "none", folder) as notify,
        running(plan_with(folder / "mill.toml", notify).site, folder / STORE, clock) as here,
    ):
        assert until(lambda: record(folder / STORE, "backup") is not None, 60), here.failures
        yield here


def runs(folder: Path, job: str) -> tuple[str, str]:
    """State and slot of the newest run."""
    known = record(folder / STORE, job)
    return ("", "") if known is None else (known.state, known.slot)


def documents(inbox: Inbox) -> list[EmailMessage]:
    """Mails with files; others are about findings."""
    return [mail for mail in inbox.mails if list(mail.iter_attachments())]


def issued(path: Path) -> list[tuple[str, str, str]]:
    """Documents on record: kind, period, digest."""
    store = SqliteStore.reader(path)
    try:
        return [(issue.kind, issue.period, issue.sha256) for issue in store.issued.all()]
    finally:
        store.close()


def test_i20_a_night_and_a_first_of_the_month_come_once_though_the_clock_is_set_back(tmp_path: Path) -> None:
    """Backup, verification, drift and clocks at night; report and costs in the morning; nothing again after a restart, or
    when the clock is set back an hour.
    """
    site_with_jobs(tmp_path)
    clock, inbox = SetClock(), Inbox()
    clock.set(MARCH - HOUR)
    with calendar(tmp_path, clock, inbox):
        time.sleep(5 * LOOK_S)
        assert runs(tmp_path, "backup") == ("new", "")  # a new store waits for its next night
        clock.set(ONE_THIRTY)
        assert until(lambda: runs(tmp_path, "backup") == ("done", "2026-03-01"), 60), record(tmp_path / STORE, "backup")
        assert until(lambda: runs(tmp_path, "clocks") == runs(tmp_path, "drift") == ("done", "2026-03-01"), 90)
        assert runs(tmp_path, "report") == ("new", "")
        clock.set(SIX)
        for job in ("verify", "archive", "report", "costs"):
            assert until(lambda j=job: runs(tmp_path, j) == ("done", "2026-03-01"), 90), record(tmp_path / STORE, job)  # type: ignore[misc]
        copies = sorted(path.name for path in (tmp_path / "copies").iterdir())
        assert copies == ["mill-2026-03-01.sqlite"]
        modified = (tmp_path / "copies" / copies[0]).stat().st_mtime_ns
        papers = issued(tmp_path / STORE)
        assert sorted((kind, period) for kind, period, _ in papers) == sorted((kind, "2026-02") for kind in PAPERS * 2)
        assert len(documents(inbox)) == 2
        clock.set(SIX - 5 * HOUR)
        time.sleep(5 * LOOK_S)
    assert inspect(tmp_path / "copies" / copies[0]).changed == ()
    written = {path.name: path.read_bytes() for path in (tmp_path / "documents").iterdir()}
    attached = {
        str(part.get_filename()): part.get_content() for mail in documents(inbox) for part in mail.iter_attachments()
    }
    assert attached == written
    assert sorted(written) == [f"mill-{kind}-2026-02-en.{form}" for kind in PAPERS for form in ("pdf", "xlsx")]
    clock.set(SIX + HOUR)
    with calendar(tmp_path, clock, inbox):
        time.sleep(10 * LOOK_S)
    assert (len(documents(inbox)), issued(tmp_path / STORE)) == (2, papers)
    assert (tmp_path / "copies" / copies[0]).stat().st_mtime_ns == modified


def test_i20_a_month_of_outage_is_made_up_for_once_and_told(tmp_path: Path) -> None:
    """On return one backup, of the newest night; what was missed is said by the command and the page."""
    site_with_jobs(tmp_path)
    clock = SetClock()
    clock.set(MARCH - 40 * DAY)
    with calendar(tmp_path, clock):
        pass
    clock.set(MARCH + 12 * HOUR)
    inbox = Inbox()
    with calendar(tmp_path, clock, inbox):
        for job in ("backup", "verify", "report", "costs"):
            assert until(lambda j=job: runs(tmp_path, j) == ("done", "2026-03-01"), 90), record(tmp_path / STORE, job)  # type: ignore[misc]
    assert [path.name for path in (tmp_path / "copies").iterdir()] == ["mill-2026-03-01.sqlite"]
    assert {period for _, period, _ in issued(tmp_path / STORE)} == {"2026-02"}
    assert len(documents(inbox)) == 2
    results = {job: known.words for job in ("backup", "report") if (known := record(tmp_path / STORE, job)) is not None}
    assert results["backup"].endswith("; missed before: 40")  # nights from 20 January to 28 February
    assert results["report"].endswith("; missed before: 1")  # the report of January


def test_a_failed_job_is_a_finding_and_is_tried_again(tmp_path: Path) -> None:
    """A folder that cannot be written: the finding says why, and is over when it can be."""
    site_with_jobs(tmp_path)
    (tmp_path / "copies").write_text("in the way", encoding="utf-8")
    clock = SetClock()
    clock.set(MARCH - HOUR)
    with calendar(tmp_path, clock) as here:
        clock.set(ONE_THIRTY)
        assert here.has("job-failed-backup", 60)
        message = here.findings()["job-failed-backup"].text
        assert "the job backup for 2026-03-01 is not done, tries so far 1: cannot use" in message
        assert "name a backup_folder that can be written" in message
        (tmp_path / "copies").unlink()
        time.sleep(5 * LOOK_S)
        assert runs(tmp_path, "backup")[0] == "failed"  # it waits
        clock.set(ONE_THIRTY + 2 * 60_000)
        assert until(lambda: runs(tmp_path, "backup") == ("done", "2026-03-01"), 60)
        assert until(lambda: "job-failed-backup" not in here.findings(), 30)


def test_a_report_waits_until_the_month_is_closed(tmp_path: Path) -> None:
    """Periods close because they are over, not because a clock rang."""
    site_with_jobs(tmp_path, days=45)
    store = SqliteStore.writer(tmp_path / STORE)
    with store.transaction():
        store.set_fact("unsettled_from_ms", "")
    store.close()
    clock = SetClock()
    clock.set(MARCH - 13 * DAY)
    with calendar(tmp_path, clock) as here:
        clock.set(MARCH - 10 * DAY)
        assert runs(tmp_path, "report")[0] == "new"
        # the daemon closes February by itself when it is over; a report of it does not come before
        clock.set(SIX)
        assert until(lambda: runs(tmp_path, "report")[0] in ("done", "failed"), 90)
        known = record(tmp_path / STORE, "report")
        assert known is not None
        assert known.state is JobState.DONE or "2026-02 is not closed yet" in known.words
        assert here.failures == []


@pytest.mark.parametrize("job", JOBS)
def test_i20_killed_in_the_middle_it_is_done_once(job: str, tmp_path: Path) -> None:
    """kill -9 while it runs, alone: on return it runs again, is done once on record, which tells the tries, and leaves
    nothing half written.
    """
    plan, inbox = (
        site_with_jobs(tmp_path, SCHEDULE + "".join(f'{other} = "off"\n' for other in JOBS if other != job)),
        Inbox(),
    )
    with mail_server(inbox, "none", tmp_path) as notify:
        clock = SetClock()
        clock.set(MARCH - HOUR)
        with running(plan_with(plan, notify).site, tmp_path / STORE, clock):
            assert until(lambda: record(tmp_path / STORE, job) is not None, 60)
        for tries in (1, 2):
            with _process(plan, SIX + tries * HOUR, notify.smtp_port) as process:
                assert until(lambda: runs(tmp_path, job)[0] == "running", 90), runs(tmp_path, job)
                process.send_signal(signal.SIGKILL)
                process.wait(30)
            if runs(tmp_path, job)[0] != "running":
                break  # it was quicker than we
        known = record(tmp_path / STORE, job)
        assert known is not None
        tries = known.tries + 1 if known.state is JobState.RUNNING else 1
        with _process(plan, SIX + 12 * HOUR, notify.smtp_port):
            assert until(lambda: runs(tmp_path, job) == ("done", "2026-03-01"), 120), record(tmp_path / STORE, job)
    known = record(tmp_path / STORE, job)
    assert known is not None
    assert known.words.endswith(f"; tries: {tries}") == (tries > 1)
    partials = [path for path in tmp_path.rglob("*.partial") if path.parent.name != "copies"]
    assert partials == []
    if job == "backup":
        assert [path.name for path in (tmp_path / "copies").iterdir()] == ["mill-2026-03-01.sqlite"]
        assert inspect(tmp_path / "copies" / "mill-2026-03-01.sqlite").changed == ()
    if job == "archive":
        plan_now = plan_with(plan)
        assert compare(tmp_path / STORE, plan_now.site, target_of(plan_now)).faults == []
        assert [month.month for month in newest_months(target_of(plan_now), "mill")] == ["2026-01", "2026-02"]
    papers = issued(tmp_path / STORE)
    assert len(papers) == len(set(papers))
    assert len({str(mail["Message-ID"]) for mail in documents(inbox)}) <= 2


@contextmanager
def _process(plan: Path, moment_ms: int, port: int) -> Iterator[Program]:
    process = Program([str(plan), str(moment_ms), str(port)], plan.parent / "log", work=run_from)
    try:
        yield process
    finally:
        process.kill()
        process.wait(30)
