"""What corrections would change, worked out one at a time beside everything else, and kept for the next look.

A year takes some seconds: the page is answered at once and says that it is being worked out.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from meterd.core.errors import MeterdError, described
from meterd.core.registers.corrections import Correction, CorrectionPreview

log = logging.getLogger("meterd.page")

RESULTS_LIMIT = 8  # results: of a few people who compare two factors
RESULT_S = 900.0  # a result is shown, and may be confirmed, for so long
FAILED_S = 5.0  # and a failure for so long: then whoever asks again lets it be tried again


class Previewer(Protocol):
    """Whoever can work it out; takes seconds."""

    def preview(self, correction: Correction) -> CorrectionPreview:
        """What the correction would change; MeterdError in words."""


@dataclass(frozen=True, slots=True)
class PreviewStatus:
    """How far it is: `working` since so many seconds, `busy` with that of somebody else, `done` or `failed` with words."""

    state: str
    since_s: float = 0.0
    preview: CorrectionPreview | None = None
    words: str = ""


@dataclass(frozen=True, slots=True)
class _Job:
    about: Correction
    changes: int
    begun_s: float
    ended_s: float | None = None
    preview: CorrectionPreview | None = None
    words: str = ""


class PreviewJob:
    """Works one out at a time. Methods may be called from any thread."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._turn = threading.Condition()
        self._running: _Job | None = None
        self._ended: dict[Correction, _Job] = {}
        self._changes = 0  # how often the stored figures have changed since the start

    def ask(self, previewer: Previewer, correction: Correction, wait_s: float = 0.0) -> PreviewStatus:
        """How far it is; begins if nothing else is under way. Waits so long at most for one that ends soon."""
        about = _key(correction)
        with self._turn:
            if self._known(about) is None and self._running is None:
                self._running = _Job(about, self._changes, self._clock())
                threading.Thread(
                    target=self._work, args=(previewer, self._running), name="foresight", daemon=True
                ).start()
            self._turn.wait_for(lambda: self._known(about) is not None, wait_s)
            return self._sight(about)

    def take(self, correction: Correction) -> bool:
        """Whether what it would change has been shown: only then it may be entered, and by one click only."""
        with self._turn:
            job = self._known(_key(correction))
            if job is None or job.preview is None:
                return False
            del self._ended[job.about]
            return True

    def forget(self) -> None:
        """The stored figures have changed: every result is of other figures."""
        with self._turn:
            self._changes += 1
            self._ended.clear()

    def _known(self, about: Correction) -> _Job | None:
        job = self._ended.get(about)
        if job is None or job.ended_s is None:
            return None
        return job if self._clock() - job.ended_s < (RESULT_S if job.preview else FAILED_S) else None

    def _sight(self, about: Correction) -> PreviewStatus:
        job = self._known(about)
        if job is not None:
            return PreviewStatus("done" if job.preview else "failed", 0.0, job.preview, job.words)
        if self._running is None:
            return PreviewStatus("busy")  # it has ended this very moment; the next look begins ours
        return PreviewStatus(
            "working" if self._running.about == about else "busy", self._clock() - self._running.begun_s
        )

    def _work(self, previewer: Previewer, job: _Job) -> None:
        done = replace(job, words="it ended without an answer")
        try:
            done = replace(job, preview=previewer.preview(job.about), words="")
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
        if job.changes == self._changes:
            self._ended[job.about] = job
        while len(self._ended) > RESULTS_LIMIT:
            self._ended.pop(next(iter(self._ended)))


def _key(correction: Correction) -> Correction:
    """Who says it and why changes no figure."""
    return replace(correction, reason="", person="", made_ms=0)
