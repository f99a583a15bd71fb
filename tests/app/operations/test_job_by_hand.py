"""A job by hand keeps its record; the commands are tried in tests/app/cli/test_jobs.py."""

import threading
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import job_by_hand
from meterd.app.operations.job_by_hand import run_by_hand
from meterd.app.operations.orders import OrderFolder
from meterd.core.errors import ConfigError
from meterd.core.model.job_rules import fact_of
from meterd.core.model.schedule import JobRecord, JobState, begun, to_text
from tests.app.daemon.calendar_site import MARCH, plan_with, record, site_with_jobs


def test_it_counts_for_its_slot(tmp_path: Path) -> None:
    """The daemon does not do again what was done by hand; a former run that was killed is made up for."""
    plan = plan_with(site_with_jobs(tmp_path, days=2))
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.set_fact(fact_of("verify"), to_text(begun(JobRecord(), "2026-02-28", MARCH)))
    store.close()
    done, text = run_by_hand(plan, path, "verify", "Ada", lambda: MARCH + 5 * 3_600_000)
    assert done, text
    known = record(path, "verify")
    assert known is not None
    assert (known.state, known.slot, known.tries, known.done[-1]) == (JobState.DONE, "2026-03-01", 0, "2026-03-01")


def test_what_does_not_run_is_refused(tmp_path: Path) -> None:
    """With the reason of the plan."""
    plan = plan_with(site_with_jobs(tmp_path, "", days=2))
    with pytest.raises(ConfigError, match="the job backup does not run: no backup_folder"):
        run_by_hand(plan, tmp_path / "s.sqlite", "backup", "Ada", lambda: MARCH)


@pytest.mark.slow
def test_a_daemon_that_is_killed_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command does not wait for ever."""
    monkeypatch.setattr(job_by_hand, "LOOK_S", 0.2)
    plan, path = plan_with(site_with_jobs(tmp_path, days=2)), tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.set_fact(fact_of("backup"), to_text(begun(JobRecord(), "2026-02-28", MARCH)))
    ended = threading.Event()

    def other() -> None:
        while not ended.wait(0.05):
            if OrderFolder(path).carry_out(lambda order: f"the job {order.what} has begun"):
                ended.wait(1.0)
                store.close()  # as the end of the process lets go
                return

    thread = threading.Thread(target=other)
    thread.start()
    done, text = run_by_hand(plan, path, "backup", "Ada", lambda: MARCH)
    thread.join(30)
    assert (done, text) == (False, "the daemon has ended meanwhile; its next start runs the job again")
