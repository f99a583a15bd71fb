"""Reads the plan again when its files have changed, or when it is asked to, on a thread of its own.

A plan is taken over by the loop only when it has no fault, is of the same site, and everything that reads secrets and
certificates could be made from it; otherwise the running plan stays and one finding lists every fault.
"""

import logging
import threading
from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.planfile.loader import Plan, PlanError, load_plan
from meterd.adapters.planfile.read import PATTERNS
from meterd.adapters.runtime.clock import Clock
from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.worker import Worker
from meterd.app.daemon.assembly import rehearse
from meterd.core.errors import ConfigError, described
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site
from meterd.core.texts.plan_diff import fixed

log = logging.getLogger("meterd")

CHECK_S = 2.0  # between two looks; files that are the same at two looks in a row are not being written any more
FAULTS_REPORTED = 200  # faults in one finding: some 30 kB, far below what a broker refuses; the rest is counted
CAUSE = "plan-refused"
_REMEDY = "the running daemon keeps its plan"

_READ = ("*.toml", "*.csv", f"{PATTERNS}/*.toml")  # below the folder of the plan: it may name any of them

Marks = tuple[tuple[str, int, int], ...]


def marks(path: Path) -> Marks:
    """Name, time of change and size of every file of a plan that exists."""
    folder = path if path.is_dir() else path.parent
    own = [] if path.is_dir() else [path]
    results = []
    for file in [*own, *(file for pattern in _READ for file in sorted(folder.glob(pattern)) if file not in own)]:
        try:
            stat = file.stat()
        except OSError:
            continue
        results.append((str(file), stat.st_mtime_ns, stat.st_size))
    return tuple(results)


@dataclass(frozen=True, slots=True)
class PlanFile:
    """Where a plan was read, its fingerprint, and the state of its files before they were read."""

    path: Path
    fingerprint: str
    marks: Marks


def read_plan(path: Path) -> tuple[Plan, PlanFile]:
    """Load a plan so that changes from this moment on are seen. PlanError with every fault."""
    before = marks(path)
    plan = load_plan(path)
    return plan, PlanFile(path, plan.fingerprint, before)


class PlanWatch:
    """Watches the files of one plan. `start` and `stop` it; the loop asks `waiting`, `take` and `findings`."""

    def __init__(self, file: PlanFile, site: Site, clock: Clock) -> None:
        self._path, self._site, self._clock = file.path, site, clock
        self.fingerprint = file.fingerprint  # of the plan that runs
        self._read_as = file.marks
        self._lock = threading.Lock()
        self._next: Plan | None = None
        self._refused: Finding | None = None
        self._asked = threading.Event()
        self._worker = Worker("plan-watch", self._work)
        self._stop = self._worker.stopping

    # -- for the loop --------------------------------------------------------------------------------------------------

    def ask(self) -> None:
        """Read the plan now, whether its files have changed or not. May be called from a signal handler."""
        self._asked.set()

    def waiting(self) -> bool:
        """Whether a new plan waits to be taken."""
        return self._next is not None

    def take(self) -> Plan | None:
        """The new plan, once."""
        with self._lock:
            plan, self._next = self._next, None
            return plan

    def runs(self, plan: Plan) -> None:
        """The loop works with this plan now."""
        with self._lock:
            self._site, self.fingerprint = plan.site, plan.fingerprint

    def refuse(self, text: str) -> None:
        """The loop could not work with a plan that seemed sound, and went back to the one before."""
        self._say_refused([text])

    def findings(self) -> list[Finding]:
        """That the plan in the files is not the one that runs, and why."""
        refused = self._refused
        return [] if refused is None else [refused]

    # -- the thread ----------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to look."""
        self._worker.start()

    def revive(self) -> bool:
        """Start the thread again if it has died."""
        return self._worker.revive()

    def stop(self, limit_s: float) -> None:
        """End."""
        self._stop.set()
        self._asked.set()
        self._worker.join(limit_s)

    def _work(self) -> None:
        seen = self._read_as
        while not self._stop.is_set():
            asked = self._asked.wait(CHECK_S)
            self._asked.clear()
            if self._stop.is_set():
                return
            before, seen = seen, marks(self._path)
            if asked or (seen == before and seen != self._read_as):
                self._read_as = seen
                self._read(asked=asked)

    def _read(self, *, asked: bool) -> None:
        try:
            plan = load_plan(self._path)
            wrong = fixed(self._site, plan.site)
            if not wrong:
                rehearse(plan.site, self._clock)
        except PlanError as exc:
            self._say_refused([str(fault) for fault in exc.faults])
        except ConfigError as exc:
            self._say_refused([str(exc)])
        except Exception as exc:  # an edge of the house style: a plan must not end the thread that reads the next one
            self._say_refused([described(exc)])
        else:
            if wrong:
                self._say_refused(
                    [f"{item}; it cannot change while the daemon runs: stop it and start it" for item in wrong]
                )
            else:
                self._offer(plan, asked=asked)

    def _offer(self, plan: Plan, *, asked: bool) -> None:
        with self._lock:
            self._refused = None
            changed = plan.fingerprint != self.fingerprint
            self._next = plan if changed else None
        if not changed:
            level = logging.WARNING if asked else logging.INFO  # whoever asked wants an answer
            log.log(level, "plan read again: nothing has changed", extra=about("plan-unchanged", self._site.name))

    def _say_refused(self, faults: list[str]) -> None:
        reported, rest = faults[:FAULTS_REPORTED], len(faults) - FAULTS_REPORTED
        if rest > 0:
            reported = [*reported, f"and {rest} more: `meterd check` lists all"]
        noun = "fault" if len(faults) == 1 else "faults"
        text = f"the plan in {self._path.name} is not taken, {len(faults)} {noun}, the first: {faults[0]}; {_REMEDY}"
        remedy = "mend what is listed; the plan is read again when its files change"
        known = self._refused
        at_ms = self._clock.now_ms() if known is None else known.at_ms
        with self._lock:
            self._next = None
            self._refused = Finding(CAUSE, self._site.name, at_ms, text, remedy, (), tuple(reported))
        log.error("%s", text, extra=about(CAUSE, self._site.name))
