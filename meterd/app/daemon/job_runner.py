"""Runs the jobs of the calendar, one at a time, and remembers how each run ended.

woken -> due by record and moment -> "running" stored -> work in a child process, or asked of a part of the loop -> result
stored -> the next. What was stored as running when nobody runs it was interrupted: it is run again.
"""

import logging
import pickle
import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.runtime.logging import about
from meterd.app.daemon.job_calendar import JobCalendar
from meterd.app.operations.child_process import Child
from meterd.app.operations.job_request import JobRequest
from meterd.core.checks.rules import job_failed_finding
from meterd.core.errors import ConfigError, MeterdError, StoreError, described
from meterd.core.model.facts import FactStore
from meterd.core.model.finding import Finding
from meterd.core.model.job_rules import fact_of, rules_of, stored_record
from meterd.core.model.schedule import (
    JobRecord,
    JobRule,
    begun,
    due,
    failed,
    first_seen,
    interrupted,
    newest_slot,
    succeeded,
    to_text,
    with_remarks,
)
from meterd.core.topics.senml import EARLIEST_MS

log = logging.getLogger("meterd")

LIMIT_S = 4 * 3600.0  # of one run: a slow archive of many months takes an hour
INSIDE_LIMIT_S = 3600.0  # of a part of the loop: an examination of two years of history takes a minute
WORK = "meterd.app.operations.job_work"


@dataclass(frozen=True, slots=True)
class InsideJob:
    """A job that a part of the loop does: `ask` lets it begin, `outcome` says how it ended: whether done, and words."""

    ask: Callable[[], None]
    outcome: Callable[[], tuple[bool, str] | None]


@dataclass(frozen=True, slots=True)
class _Run:
    """The run at hand. `child` is None for a job of the loop."""

    job: str
    begun_s: float
    child: Child | None


class JobRunner:
    """Belongs to the loop and stays while plans change: a run goes on with the plan that it was begun with."""

    def __init__(self, store: FactStore, path: Path) -> None:
        self._store, self._path = store, path
        self._results: queue.SimpleQueue[tuple[bool, str]] = queue.SimpleQueue()
        self._calendar: JobCalendar | None = None
        self._rules: dict[str, JobRule] = {}
        self._records: dict[str, JobRecord] = {}
        self._unstored: set[str] = set()
        self._inside: Mapping[str, InsideJob] = {}
        self._run: _Run | None = None
        self._plan: Plan | None = None
        self._zone = ZoneInfo("UTC")

    def serve(self, plan: Plan, inside: Mapping[str, InsideJob]) -> None:
        """From now on by this plan."""
        self.stop_calendar()
        self._plan, self._zone, self._inside = plan, ZoneInfo(plan.site.zone), inside
        self._rules = {rule.name: rule for rule in rules_of(plan.site)}
        self._calendar = JobCalendar(tuple(self._rules.values()), self._zone)

    def _read_records(self, now_ms: int) -> None:
        for name, rule in self._rules.items():
            if name not in self._records:
                self._remember(name, self._known(rule, now_ms))

    def _known(self, rule: JobRule, now_ms: int) -> JobRecord:
        stored = stored_record(self._store.fact, rule.name)
        return first_seen(rule, now_ms, self._zone) if stored is None else interrupted(stored)

    # -- for the loop --------------------------------------------------------------------------------------------------

    def tick(self, now_ms: int) -> list[Finding]:
        """Call about once a second: takes the result of a run, begins the next; what a person should know."""
        if now_ms < EARLIEST_MS or self._plan is None:
            return []
        self._read_records(now_ms)
        self._take(now_ms)
        self._store_records()
        if self._run is None and not self._unstored and self._calendar is not None and self._calendar.woken():
            self._begin_due(now_ms)
        site = self._plan.site.name
        return [
            finding
            for name, record in self._records.items()
            if not self._rules[name].off and (finding := job_failed_finding(site, name, record)) is not None
        ]

    def run_now(self, job: str, now_ms: int) -> str:
        """Begin a job by order of a person; ConfigError where it cannot be begun now."""
        rule = self._rules.get(job)
        if rule is None:
            raise ConfigError(f"there is no job {job[:40]!r}; there are {', '.join(self._rules)}")
        if rule.off:
            raise ConfigError(f"the job {job} does not run: {rule.off}")
        if self._run is not None:
            raise ConfigError(f"the job {self._run.job} is running; wait until it has ended")
        self._read_records(now_ms)
        slot = newest_slot(rule, now_ms, self._zone).label
        self._begin(rule, slot, now_ms)
        if self._run is None:
            raise StoreError("the store does not take that a job begins; the finding of the store says why")
        return f"the job {job} has begun, for {slot}"

    def revive(self) -> bool:
        """A thread of the calendar that died is started again; True if so."""
        return self._calendar is not None and self._calendar.revive()

    def stop_calendar(self) -> None:
        """Begin nothing more; a run goes on."""
        if self._calendar is not None:
            self._calendar.stop()
            self._calendar = None

    def stop(self) -> None:
        """End; a run that is under way is interrupted and begins again with the next start."""
        self.stop_calendar()
        if self._run is not None and self._run.child is not None:
            self._run.child.end()

    # -- runs ----------------------------------------------------------------------------------------------------------

    def _begin_due(self, now_ms: int) -> None:
        for name, rule in self._rules.items():
            slot = due(rule, self._records[name], now_ms, self._zone)
            if slot is not None:
                self._begin(rule, slot.label, now_ms)
                return

    def _begin(self, rule: JobRule, slot: str, now_ms: int) -> None:
        before = self._records[rule.name]
        self._remember(rule.name, begun(before, slot, now_ms))
        self._store_records()
        if rule.name in self._unstored:  # a run that is not stored could be run twice
            self._remember(rule.name, before)
            return
        inside = self._inside.get(rule.name)
        child = None if inside is not None else Child(WORK, LIMIT_S, late="see what holds it up")
        self._run = _Run(rule.name, time.monotonic(), child)
        log.info("job %s begins, for %s", rule.name, slot, extra=about("job-begun", rule.name))
        if inside is not None:
            inside.ask()
            return
        assert self._plan is not None, "a rule is of a plan"
        request = pickle.dumps(JobRequest(rule.name, self._plan, self._path, slot, now_ms))
        threading.Thread(target=self._work, args=(child, request), name=f"job {rule.name}", daemon=True).start()

    def _work(self, child: Child, request: bytes) -> None:
        """On its own thread: wait for the child."""
        try:
            answer = child.ask(request)
            self._results.put((bool(answer["done"]), str(answer["words"])))
        except MeterdError as exc:
            self._results.put((False, str(exc)))
        except Exception as exc:  # an edge of the house style: without an answer the job would run for ever
            self._results.put((False, described(exc)))

    def _take(self, now_ms: int) -> None:
        if self._run is None or (ended := self._ended(self._run)) is None:
            return
        (is_done, text), name = ended, self._run.job
        record = self._records[name]
        if is_done:
            text = with_remarks(self._rules[name], record, text)
        self._remember(name, succeeded(record, now_ms, text) if is_done else failed(record, now_ms, text))
        level = logging.INFO if is_done else logging.WARNING
        log.log(level, "job %s: %s", name, text, extra=about("job-done" if is_done else "job-failed", name))
        self._run = None
        if self._calendar is not None:
            self._calendar.wake()

    def _ended(self, run: _Run) -> tuple[bool, str] | None:
        if run.child is not None:
            try:
                return self._results.get_nowait()
            except queue.Empty:
                return None
        outcome = self._inside[run.job].outcome()
        if outcome is None and time.monotonic() - run.begun_s > INSIDE_LIMIT_S:
            return False, f"it has not ended within {INSIDE_LIMIT_S / 60:.0f} min"
        return outcome

    # -- records -------------------------------------------------------------------------------------------------------

    def _remember(self, name: str, record: JobRecord) -> None:
        self._records[name] = record
        self._unstored.add(name)

    def _store_records(self) -> None:
        if not self._unstored:
            return
        try:
            with self._store.transaction():
                for name in self._unstored:
                    self._store.set_fact(fact_of(name), to_text(self._records[name]))
        except StoreError as exc:
            log.error("runs of jobs are not stored: %s", exc, extra=about("store-refuses"))
            return
        self._unstored = set()
