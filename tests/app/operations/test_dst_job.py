"""The job that looks at the stored figures around a change of the clocks, on stores that the ledger has written."""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.store.opening import open_to_write
from meterd.app.operations.dst_job import ClockChangeJob
from meterd.app.operations.ledger import Ledger
from meterd.core.checks.dst import WRONG
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, HOUR_MS, to_ms
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import IMPORT
from tests.brokers import until

SITE = Site(
    "mill",
    "Europe/Vienna",
    interval_s=3600,
    boards=(Board("main"),),
    points=(Point("t1", "main", Role.FEED), Point("bakery", "main", Role.FEEDER)),
    inputs=tuple(Input(point, IMPORT, "s", point) for point in ("t1", "bakery")),
)
CHANGE = to_ms(datetime.fromisoformat("2026-10-25T01:00:00+00:00"))
BEGIN, END = CHANGE - 32 * DAY_MS, CHANGE + 9 * DAY_MS  # until the day, the week and the month of the change are closed


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six weeks around the change, a reading each hour."""
    path = tmp_path_factory.mktemp("stored") / "s.sqlite"
    times = np.arange(BEGIN, END + 1, HOUR_MS, dtype=np.int64)
    with open_to_write(path) as store:
        ledger = Ledger(store, SITE, ZoneInfo(SITE.zone))
        for point in ("t1", "bakery"):
            ledger.import_history((point, IMPORT), times, np.arange(len(times), dtype=np.int64) * 700_000, END)
        ledger.recompute_all(END, END)
    return path


@pytest.fixture
def path(stored: Path, tmp_path: Path) -> Path:
    """A store of its own for each test."""
    return Path(shutil.copy(stored, tmp_path))


@pytest.fixture
def job(path: Path) -> Iterator[ClockChangeJob]:
    result = ClockChangeJob(path, SITE)
    yield result
    result.close()


def looked(job: ClockChangeJob, now_ms: int, closed_to_ms: int = END) -> list[Finding]:
    """What is to be reported once the job has read the store. The loop calls so, tick after tick."""
    assert until(lambda: job.tick(now_ms, closed_to_ms) is not None and job.outcome(closed_to_ms) is not None, 60)
    return job.tick(now_ms, closed_to_ms)


HOUR_OF_T1 = "channel = 1 AND period = 'interval' AND start_ms = ?"


def lose_an_hour(path: Path) -> None:
    """One hour of a register is deleted by somebody else."""
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"CREATE TABLE aside AS SELECT * FROM figure WHERE {HOUR_OF_T1}", (CHANGE,))
        assert db.execute(f"DELETE FROM figure WHERE {HOUR_OF_T1}", (CHANGE,)).rowcount == 1


def put_it_back(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("INSERT INTO figure SELECT * FROM aside")


def test_nothing_is_looked_at_before_the_day_of_the_change_is_closed(job: ClockChangeJob) -> None:
    """Without a closed figure, and until the day is over, there is nothing to verify: that is an outcome too."""
    assert job.tick(CHANGE, None) == []
    assert job.outcome(None) == "there is no change of the clocks to verify"
    job.tick(CHANGE + HOUR_MS, CHANGE + HOUR_MS)
    assert job.outcome(CHANGE + HOUR_MS) == "there is no change of the clocks to verify"


def test_right_figures_are_no_finding_and_are_counted(job: ClockChangeJob) -> None:
    """Two registers and the feed side of the board."""
    assert [f for f in looked(job, END) if f.cause == WRONG] == []
    assert job.outcome(END) == "3 series around the change of the clocks of 2026-10-25T01:00:00Z: 0 figures wrong"


def test_a_wrong_figure_is_a_finding_until_a_later_look_finds_it_right(path: Path, job: ClockChangeJob) -> None:
    """It stays without another look at the store, which is read again a day later."""
    lose_an_hour(path)
    (finding,) = [f for f in looked(job, END) if f.cause == WRONG]
    assert "t1 1.8.0, interval 2026-10-25T02:00+01:00: it is over and has no row" in finding.text
    put_it_back(path)
    later = END + DAY_MS // 2
    assert [f.cause for f in job.tick(later, END)] == [WRONG]
    assert job.outcome(END) is not None, "nothing is being read"
    assert until(lambda: job.tick(END + DAY_MS + HOUR_MS, END) == [], 60)
    assert job.outcome(END) == "3 series around the change of the clocks of 2026-10-25T01:00:00Z: 0 figures wrong"


def test_asked_for_it_looks_at_once(path: Path, job: ClockChangeJob) -> None:
    """As the calendar does, also where the last look found nothing wrong."""
    assert looked(job, END) == []
    lose_an_hour(path)
    job.check_again()
    assert [f.cause for f in looked(job, END)] == [WRONG]


def test_a_store_that_cannot_be_read_is_tried_again(path: Path, job: ClockChangeJob) -> None:
    """The loop says what is wrong with the store; this job has no outcome until it can be read."""
    away = path.rename(path.with_name("away.sqlite"))
    for minute in range(3):
        moment = END + minute * 60_000
        assert job.tick(moment, END) == []
        assert job.outcome(END) is None
    away.rename(path)
    assert until(lambda: job.tick(END + HOUR_MS, END) == [] and job.outcome(END) is not None, 60)
    assert job.outcome(END) == "3 series around the change of the clocks of 2026-10-25T01:00:00Z: 0 figures wrong"
