"""The calendar wakes at the local times of the jobs, and often enough for everything else."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from apscheduler.schedulers.base import STATE_STOPPED

from meterd.app.daemon import job_calendar
from meterd.app.daemon.job_calendar import JobCalendar
from meterd.core.model.periods import to_ms
from meterd.core.model.schedule import JobRule, Rhythm, next_slot
from tests.brokers import until

RULES = (
    JobRule("backup", Rhythm.DAY, 1, 30),
    JobRule("report", Rhythm.MONTH, 6, 0),
    JobRule("x", Rhythm.DAY, off="no"),
)


@contextmanager
def started(zone: str) -> Iterator[JobCalendar]:
    """A calendar, ended in any case."""
    calendar = JobCalendar(RULES, ZoneInfo(zone))
    try:
        yield calendar
    finally:
        calendar.stop()


@pytest.mark.parametrize("zone", ["Europe/Vienna", "Australia/Lord_Howe", "America/St_Johns"])
def test_it_wakes_at_the_slots_of_the_core(zone: str) -> None:
    """The library and our own rules name the same moments; what is off has none."""
    with started(zone) as calendar:
        now_ms = to_ms(datetime.now(UTC))
        times = {job.id: to_ms(job.next_run_time) for job in calendar._scheduler.get_jobs()}
    assert set(times) == {"backup", "report", "look"}
    for rule in RULES[:2]:
        assert times[rule.name] == next_slot(rule, now_ms, ZoneInfo(zone)).at_ms


def test_it_wakes_again_and_again_and_when_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each look is reported once."""
    monkeypatch.setattr(job_calendar, "LOOK_S", 0.2)
    with started("UTC") as calendar:
        assert until(calendar.woken)
        assert until(calendar.woken)
    calendar.woken()
    assert not calendar.woken()
    calendar.wake()
    assert calendar.woken()
    assert not calendar.woken()


def test_a_thread_that_died_is_started_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one that lives, and none after the end."""
    monkeypatch.setattr(job_calendar, "LOOK_S", 0.2)
    with started("UTC") as calendar:
        assert not calendar.revive()
        died = calendar._scheduler
        died.state = STATE_STOPPED
        died.wakeup()
        died._event.set()
        died._thread.join(20)
        assert calendar.revive()
        assert until(calendar.woken)
    assert not any(thread.name == "APScheduler" and thread.is_alive() for thread in threading.enumerate()) or until(
        lambda: not any(thread.name == "APScheduler" for thread in threading.enumerate()), 20
    )
