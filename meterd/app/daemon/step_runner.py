"""Runs the steps of the loop: what goes wrong in one, or takes too long, is reported, and the others go on."""

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from meterd.adapters.runtime.clock import Clock
from meterd.adapters.runtime.logging import about
from meterd.core.checks.rules import fault_finding
from meterd.core.errors import described
from meterd.core.model.finding import Finding

log = logging.getLogger("meterd")

TELL_AGAIN_S = 3600.0  # the same fault of a step is reported once an hour
LATE_S = 5.0  # a step that takes longer delays the surplus; the longest usual one, 20,000 readings, takes a second
LATE_FOR_S = 600.0  # a late step is a finding for so long after it: once is noticed, again and again is one finding


@dataclass(slots=True)
class Counters:
    """What happened since the start."""

    readings: int = 0
    deliveries: int = 0
    ticks: int = 0
    figures: int = 0
    store_failures: int = 0
    snapshots: int = 0
    failures: int = 0  # steps that went wrong
    unkept: int = 0  # readings that no journal could hold
    turned_away: int = 0  # deliveries sent back because too many readings waited
    late: int = 0  # steps that took too long
    reloads: int = 0  # plans taken while running


@dataclass(frozen=True, slots=True)
class _Late:
    """A step that took too long."""

    took_s: float
    at_ms: int
    ended_s: float


@dataclass(slots=True)
class StepRunner:
    """The steps of one loop. `name` and `beat_s` may be read by any thread: what it does now, and since when."""

    clock: Clock
    counters: Counters
    name: str = "start"
    beat_s: float = field(default_factory=time.monotonic)
    events: list[Finding] = field(default_factory=list)  # for the next look at findings
    _reported: dict[str, tuple[str, float]] = field(
        default_factory=dict
    )  # what went wrong in a step, and when it was reported
    _late: dict[str, _Late] = field(default_factory=dict)

    def begin(self, name: str) -> None:
        """The loop goes on with something."""
        self.name, self.beat_s = name, time.monotonic()

    def attempt(self, step: str, work: Callable[..., None], *args: object) -> None:
        """One step of the loop: what goes wrong in it is reported, and the other steps go on."""
        with self.timed(step):
            try:
                work(*args)
            except Exception as exc:  # an edge of the house style: the loop serves the other boards and points
                self.went_wrong(step, described(exc))

    @contextmanager
    def timed(self, step: str) -> Iterator[None]:
        """Takes the time of a step, and notes it when it was too long."""
        self.begin(step)
        begun = self.beat_s
        try:
            yield
        finally:
            self.begin("wait")
            took = self.beat_s - begun
            if took > LATE_S:
                self.counters.late += 1
                self._late[step] = _Late(took, self.clock.now_ms(), self.beat_s)

    def went_wrong(self, step: str, text: str) -> None:
        """Count it; log it and make it a finding, the same fault once an hour."""
        self.counters.failures += 1
        reported, at_s = self._reported.get(step, ("", 0.0))
        if reported == text and time.monotonic() - at_s < TELL_AGAIN_S:
            return
        self._reported[step] = (text, time.monotonic())
        log.error("step %s went wrong: %s", step, text, extra=about("step-failed", step))
        self.events.append(fault_finding(step, text, self.clock.now_ms()))

    def thread_died(self, died: threading.ExceptHookArgs) -> None:
        """Says in one line what would be a traceback; the supervisor starts the thread again."""
        name = died.thread.name if died.thread is not None else "unknown"
        text = described(died.exc_value) if died.exc_value is not None else str(died.exc_type)
        log.error("thread %s ended: %s", name, text, extra=about("thread-ended", name))

    def findings(self, site: str) -> list[Finding]:
        """One finding for the steps that took too long within the last minutes: the newest in words, the others beside."""
        now_s = time.monotonic()
        self._late = {name: late for name, late in self._late.items() if now_s - late.ended_s < LATE_FOR_S}
        if not self._late:
            return []
        name, late = max(self._late.items(), key=lambda item: item[1].ended_s)
        text = f"the step {name} of the loop took {late.took_s:.1f} s, {LATE_S:g} s are allowed: nothing is published meanwhile"
        others = tuple(f"{n}: {late.took_s:.1f} s" for n, late in sorted(self._late.items()) if n != name)
        remedy = "see whether the disk or the processor of this machine is overloaded; if not, report it with the log"
        return [Finding("loop-late", site, late.at_ms, text, remedy, (), others)]
