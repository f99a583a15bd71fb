"""Wakes the loop at the local times of the jobs, and every half minute: after a failure, or when the clock was set.

It decides nothing: which job is due follows from what was recorded and the moment (`core/model/schedule.py`).
"""

import logging
import threading
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from meterd.core.model.schedule import JobRule, Rhythm

LOOK_S = 30
# it tells each wake-up; our log has a line per change of state
logging.getLogger("apscheduler").setLevel(logging.WARNING)


class JobCalendar:
    """`woken` belongs to the loop. Times are those of this machine's clock; the loop judges by the daemon's own."""

    def __init__(self, rules: Sequence[JobRule], zone: ZoneInfo) -> None:
        self._rules, self._zone = rules, zone
        self._wake = threading.Event()
        self._scheduler = self._started()

    def woken(self) -> bool:
        """Whether there is a reason to look at the jobs since the last call."""
        woken = self._wake.is_set()
        self._wake.clear()
        return woken

    def wake(self) -> None:
        """Look with the next tick: a run has ended, and another may be due."""
        self._wake.set()

    def revive(self) -> bool:
        """A thread that died is started again; True if so."""
        thread = self._scheduler._thread  # a scheduler whose thread died still says that it runs
        if thread is None or thread.is_alive():
            return False
        self._scheduler = self._started()
        return True

    def stop(self) -> None:
        """End; it only waits."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def _started(self) -> BackgroundScheduler:
        # in the thread of the scheduler: to wake takes no time
        executors = {"default": DebugExecutor()}
        defaults = {"coalesce": True, "misfire_grace_time": None}
        scheduler = BackgroundScheduler(timezone=self._zone, executors=executors, job_defaults=defaults)
        for rule in self._rules:
            if not rule.off:
                day = 1 if rule.rhythm is Rhythm.MONTH else "*"
                trigger = CronTrigger(day=day, hour=rule.hour, minute=rule.minute, timezone=self._zone)
                scheduler.add_job(self._wake.set, trigger, id=rule.name)
        scheduler.add_job(self._wake.set, IntervalTrigger(seconds=LOOK_S, timezone=self._zone), id="look")
        scheduler.start()
        return scheduler
