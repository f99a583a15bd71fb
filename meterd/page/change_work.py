"""What corrections would change, worked out one at a time beside everything else, and kept for whoever looks again.

A year takes some seconds: the sheet is answered at once and says that it is being worked out.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from meterd.correction import Correction, Foreseen
from meterd.errors import MeterdError, described

log = logging.getLogger("meterd.page")

KEPT = 8  # results: of a few people who compare two factors
KEPT_S = 900.0  # a result is shown, and may be confirmed, for so long
FAILED_S = 5.0  # and a failure for so long: then whoever asks again lets it be tried again


class Seer(Protocol):
    """Whoever can work it out; takes seconds."""

    def foreseen(self, one: Correction) -> Foreseen:
        """What the correction would change; MeterdError in words."""


@dataclass(frozen=True, slots=True)
class Sight:
    """How far it is: `working` since so many seconds, `busy` with that of somebody else, `done` or `failed` with words."""

    state: str
    since_s: float = 0.0
    foreseen: Foreseen | None = None
    words: str = ""


@dataclass(frozen=True, slots=True)
class _Job:
    about: Correction
    books: int
    begun_s: float
    ended_s: float | None = None
    foreseen: Foreseen | None = None
    words: str = ""


class Foresight:
    """Works one out at a time. Methods may be called from any thread."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._turn = threading.Condition()
        self._running: _Job | None = None
        self._ended: dict[Correction, _Job] = {}
        self._books = 0  # how often they have changed since the start

    def ask(self, seer: Seer, one: Correction, wait_s: float = 0.0) -> Sight:
        """How far it is; begins if nothing else is under way. Waits so long at most for one that ends soon."""
        about = _key(one)
        with self._turn:
            if self._known(about) is None and self._running is None:
                self._running = _Job(about, self._books, self._clock())
                threading.Thread(target=self._work, args=(seer, self._running), name="foresight", daemon=True).start()
            self._turn.wait_for(lambda: self._known(about) is not None, wait_s)
            return self._sight(about)

    def take(self, one: Correction) -> bool:
        """Whether what it would change has been shown: only then it may be entered, and by one click only."""
        with self._turn:
            job = self._known(_key(one))
            if job is None or job.foreseen is None:
                return False
            del self._ended[job.about]
            return True

    def forget(self) -> None:
        """The books have changed: every result is of other figures."""
        with self._turn:
            self._books += 1
            self._ended.clear()

    def _known(self, about: Correction) -> _Job | None:
        job = self._ended.get(about)
        if job is None or job.ended_s is None:
            return None
        return job if self._clock() - job.ended_s < (KEPT_S if job.foreseen else FAILED_S) else None

    def _sight(self, about: Correction) -> Sight:
        job = self._known(about)
        if job is not None:
            return Sight("done" if job.foreseen else "failed", 0.0, job.foreseen, job.words)
        if self._running is None:
            return Sight("busy")  # it has ended this very moment; the next look begins ours
        return Sight("working" if self._running.about == about else "busy", self._clock() - self._running.begun_s)

    def _work(self, seer: Seer, job: _Job) -> None:
        done = replace(job, words="it ended without an answer")
        try:
            done = replace(job, foreseen=seer.foreseen(job.about), words="")
        except MeterdError as exc:
            done = replace(job, words=str(exc))
        except Exception as exc:  # an edge of the house style: it stands for one HTTP request
            log.error("page: %s", described(exc), extra={"event": "page-failed", "subject": ""})
        finally:
            with self._turn:
                self._running = None
                self._keep(replace(done, ended_s=self._clock()))
                self._turn.notify_all()

    def _keep(self, job: _Job) -> None:
        self._ended.pop(job.about, None)
        if job.books == self._books:
            self._ended[job.about] = job
        while len(self._ended) > KEPT:
            self._ended.pop(next(iter(self._ended)))


def _key(one: Correction) -> Correction:
    """Who says it and why changes no figure."""
    return replace(one, reason="", person="", made_ms=0)
