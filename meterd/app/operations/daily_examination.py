"""What examines the whole store in a thread of its own after each local day, and hands over findings. Never holds up the loop."""

import logging
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.read_store import ReadStore
from meterd.core.errors import MeterdError, described
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, Period, starts
from meterd.core.model.plan import Site

log = logging.getLogger("meterd")


@dataclass(frozen=True, slots=True)
class Outcome:
    """How an examination ended, in words."""

    done: bool
    words: str


class DailyExamination(ABC):
    """One kind of examination. `title` and `failed_event` are how the log names it."""

    def __init__(
        self,
        name: str,
        title: str,
        failed_event: str,
        path: Path,
        site: Site,
        *,
        clock: Callable[[], float] | None = None,
    ) -> None:
        self._name, self._title, self._failed_event = name, title, failed_event
        self._path, self._site, self._clock = path, site, clock or time.monotonic
        self._pause_s = site.limits.drift_pause_s
        self._due = self._clock() + self._pause_s
        self._zone = ZoneInfo(site.zone)
        self._done_to = 0
        self._worker = Worker(name, self._work)
        self._findings: tuple[Finding, ...] | None = None
        self.ends: dict[str, str] = {}  # how findings ended that the newest examination does not make any more
        # of the newest examination; None before the first and while one is asked for
        self.outcome: Outcome | None = None

    @abstractmethod
    def examine(self, store: ReadStore) -> tuple[tuple[Finding, ...], str]:
        """The findings of all closed days, and what was done in words. In the thread; sets `ends` too."""

    def tick(self, closed_to: int | None) -> tuple[Finding, ...] | None:
        """Findings of a finished examination, once; starts another when a local day has closed since the last."""
        findings, self._findings = self._findings, None
        # a thread that died is not begun here, or nobody would be told: `revive` sees to it
        ready = not self._worker.alive and not self._worker.died
        if closed_to is not None and ready and self._clock() >= self._due:
            day = self.newest_day(closed_to)
            if day is not None and day > self._done_to:
                self._done_to, self._due = day, self._clock() + self._pause_s
                self._worker.start()
        return findings

    def request_examination(self) -> None:
        """Examine once more with the next look: closed days have other figures."""
        self._done_to, self._due, self.outcome = 0, self._clock(), None

    def newest_day(self, closed_to: int) -> int | None:
        """Start of the day that the newest closed local day is followed by; None where no day is closed."""
        days = starts(Period.DAY, closed_to - 3 * DAY_MS, closed_to + 1, self._zone, self._site.interval_s * 1000)
        return days[-1] if days else None

    def revive(self) -> bool:
        """See to it that a day is examined again if the thread has died over it; True if so."""
        if not self._worker.died:
            return False
        self._worker, self._done_to = Worker(self._name, self._work), 0
        return True

    def join(self, limit_s: float) -> None:
        """Wait for a running examination."""
        self._worker.join(limit_s)

    def _work(self) -> None:
        try:
            with open_to_read(self._path) as store:
                findings, text = self.examine(store)
            self._findings, self.outcome = findings, Outcome(True, text)
        except MeterdError as exc:
            self.outcome = Outcome(False, str(exc))
            log.error("%s: %s", self._title, exc, extra=about(self._failed_event))
        except Exception as exc:  # an edge of the house style: an examination must never take the daemon with it
            self.outcome = Outcome(False, described(exc))
            log.exception("%s failed; it tries again after the next day", self._title, extra=about(self._failed_event))
