"""Supervises threads: the loop revives what has died, and a thread of its own sees whether the loop itself goes on.

What has died is started again within a second or so. What hangs cannot be ended from outside: it is reported, and a
loop that hangs gets no more signs of life out to the service manager, which starts the process again.
"""

import faulthandler
import logging
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from meterd.adapters.runtime import heap, sd_notify
from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.worker import Worker
from meterd.app.daemon.step_runner import StepRunner
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding

log = logging.getLogger("meterd")

CHECK_S = 1.0
SAMPLE_S = 5.0  # between two looks at what each thread does
HUNG_S = 30.0  # a loop that stands still for so long hangs: its steps take a second
STUCK_S = 45.0  # a thread inside one call for so long: all of them wait with limits of ten seconds at most
LONG_S = 600.0  # an examination of two years of history takes a minute, most of it inside one call of the database
STATUS_S = 10.0
GIVE_BACK_S = 60.0  # between two looks at memory that is free; pages and examinations leave some
# threads of ours that wait with a limit everywhere; the embedded broker's waits for the end of its child
_LIMITS = {"source-": STUCK_S, "mqtt-": STUCK_S, "line-store": STUCK_S, "notify ": STUCK_S, "announce": STUCK_S,
           "plan-watch": STUCK_S, "drift": LONG_S, "unusual": LONG_S, "roof": LONG_S, "forecast": LONG_S,
           "disk-space": LONG_S}  # fmt: skip
_WAITING = ("threading", "queue")  # waiting for work by choice
_REPORT = "this is a fault of the program: report it with the log"


@dataclass(frozen=True, slots=True)
class _ThreadPosition:
    """Where a thread stands, and since when."""

    frame: FrameType
    instruction: int
    since_s: float


@dataclass(slots=True)
class Supervisor:
    """`tick` belongs to the loop; the rest runs on a thread of its own. `mark` is a file that says that the loop hung."""

    step_runner: StepRunner
    mark: Path
    status: Callable[[], str]
    revived: dict[str, tuple[int, int]] = field(default_factory=dict)  # thread -> how often, and when last
    stuck: dict[str, str] = field(default_factory=dict)  # thread -> where it hangs
    threads: Mapping[str, Callable[[], bool]] = field(default_factory=dict)  # name -> starts it again if it has died
    hangs: bool = False
    watchdog_s: float = 0.0  # end the process if the loop has not gone on for so long; 0 = a service manager does it
    _ready: bool = False
    _stands: dict[int, _ThreadPosition] = field(default_factory=dict)
    _worker: Worker = field(init=False)
    _status_s: float = 0.0

    def __post_init__(self) -> None:
        self._worker = Worker("supervisor", self._work)

    def start(self) -> None:
        """Begin to look."""
        self._worker.start()

    def stop(self, limit_s: float) -> None:
        """End."""
        self._worker.stopping.set()
        if self.watchdog_s:
            faulthandler.cancel_dump_traceback_later()
        self._worker.join(limit_s)

    # -- for the loop --------------------------------------------------------------------------------------------------

    def tick(self, site: str, now_ms: int) -> list[Finding]:
        """Call about once a second: dead threads are started again; what a person should know."""
        for name, revive in {**self.threads, "supervisor": self._worker.revive}.items():
            if revive():
                self.revived[name] = (self.revived.get(name, (0, 0))[0] + 1, now_ms)
                log.warning("thread %s had died and was started again", name, extra=about("thread-revived", name))
        findings = [
            Finding(
                "revived", f"thread-{name}", at_ms,
                f"thread {name}: it had died and was started again, {count} times since the start", _REPORT,
            )
            for name, (count, at_ms) in self.revived.items()
        ]  # fmt: skip
        stuck = dict(self.stuck)
        if stuck:
            names = ", ".join(f"{name} {where}" for name, where in sorted(stuck.items()))
            remedy = f"restart the daemon when it can be spared for a moment; {_REPORT}"
            findings.append(Finding("thread-hangs", site, now_ms, f"threads that do not go on: {names}", remedy))
        return findings

    # -- the thread ----------------------------------------------------------------------------------------------------

    def _work(self) -> None:
        sampled = given_back = 0.0
        while not self._worker.stopping.wait(CHECK_S):
            now = time.monotonic()
            self._check_loop(now)
            if now - sampled >= SAMPLE_S:
                sampled = now
                self._sample(now)
            if now - given_back >= GIVE_BACK_S:
                given_back = now
                heap.give_back()
        self._stands.clear()

    def _check_loop(self, now_s: float) -> None:
        if not self._ready:
            if not self.step_runner.counters.snapshots:
                return  # catching up with a long journal may take its time; the manager waits for the first snapshot
            self._ready = True
            sd_notify.tell(sd_notify.READY, f"STATUS={self.status()}")
        age_s = now_s - self.step_runner.beat_s
        if age_s < HUNG_S:
            self._goes_on()
            sd_notify.tell(sd_notify.ALIVE)
            if self.watchdog_s:  # a timer of C: it also ends a process in which no thread of Python gets its turn
                faulthandler.dump_traceback_later(self.watchdog_s, exit=True)
        elif not self.hangs:
            self.hangs = True
            text = f"the loop stands in the step {self.step_runner.name} for {age_s:.0f} s"
            log.error("%s; the watchdog is no longer fed", text, extra=about("loop-hangs"))
            self._write_mark(text)
        if now_s - self._status_s >= STATUS_S:
            self._status_s = now_s
            sd_notify.tell(f"STATUS={self.status()}")

    def _goes_on(self) -> None:
        if self.hangs:
            self.hangs = False
            log.warning("the loop runs again", extra=about("loop-goes-on"))
            self.mark.unlink(missing_ok=True)

    def _write_mark(self, text: str) -> None:
        """Not in the store: the loop that hangs may have it locked."""
        try:
            self.mark.write_text(text, encoding="utf-8")
        except OSError as exc:
            log.error("cannot write %s: %s", self.mark.name, exc.strerror, extra=about("store-refuses"))

    def _sample(self, now_s: float) -> None:
        """A thread that is inside the same call at the same instruction as before has not gone on."""
        limits = {t.ident: (t.name, limit) for t in threading.enumerate() if (limit := _limit(t.name)) and t.ident}
        # the one way to see what other threads do (CPython). A frame keeps what its call has at hand: those of the other
        # threads, the loop's among them, are let go at once
        frames = {ident: frame for ident, frame in sys._current_frames().items() if ident in limits}
        stands, stuck = {}, {}
        for ident, (name, limit) in limits.items():
            frame = frames.get(ident)
            if frame is None or frame.f_globals.get("__name__") in _WAITING:
                continue
            known = self._stands.get(ident)
            same = known is not None and known.frame is frame and known.instruction == frame.f_lasti
            since = known.since_s if same and known is not None else now_s
            stands[ident] = _ThreadPosition(frame, frame.f_lasti, since)
            if now_s - since >= limit:
                stuck[name] = f"(for {now_s - since:.0f} s at {frame.f_globals.get('__name__')}:{frame.f_lineno})"
        for name in stuck.keys() - self.stuck.keys():
            log.error("thread %s hangs %s", name, stuck[name], extra=about("thread-hangs", name))
        self._stands, self.stuck = stands, stuck


def _limit(name: str) -> float:
    return next((limit for start, limit in _LIMITS.items() if name.startswith(start)), 0.0)


def read_mark(path: Path) -> str:
    """What a supervisor wrote before the process was ended from outside, once; empty if there is nothing."""
    try:
        text = path.read_text(encoding="utf-8")
        path.unlink()
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as exc:
        raise StoreError(f"cannot read and remove {path}: {exc}; remove it by hand") from exc
    return text
