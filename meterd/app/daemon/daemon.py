"""The daemon: sources in, one loop that owns state and store, topics out; a new plan is taken without stopping.

`run` opens what stays (store, broker, publisher) and lets one loop after the other work, one for each plan:

    store, way out -> parts of the plan -> loop -> wound up in order -> parts of the next plan -> loop -> ... -> farewell

Publishing follows committing, so that a restart never contradicts what was said.
"""

import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from meterd.adapters.planfile.build import fingerprint
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.runtime.clock import Clock, WallClock
from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.people_log import Act, PeopleLog, people_log_path
from meterd.adapters.runtime.sd_notify import STOPPING, tell
from meterd.adapters.store.presence import lost_before
from meterd.adapters.store.recovery import open_sound
from meterd.adapters.store.store_mark import older
from meterd.adapters.store.unreadable_rows import put_right
from meterd.adapters.store.write_store import WriteStore
from meterd.app.daemon.assembly import PlanRuntime, Runtime, inside_jobs, make_plan_runtime, resume
from meterd.app.daemon.digest_check import DigestCheck, at_start
from meterd.app.daemon.health_probe import RunFacts, gather
from meterd.app.daemon.inbox import Inbox
from meterd.app.daemon.job_runner import InsideJob, JobRunner
from meterd.app.daemon.loop import Loop
from meterd.app.daemon.output import Output
from meterd.app.daemon.plan_reload import PlanFile, PlanWatch
from meterd.app.daemon.run_record import RELOADED, begin_run, end_run
from meterd.app.daemon.selftest import self_test
from meterd.app.daemon.source_monitor import lost_finding, older_finding
from meterd.app.daemon.step_runner import Counters, StepRunner
from meterd.app.daemon.supervisor import Supervisor
from meterd.app.daemon.zone_update import follow_rules
from meterd.core.checks.rules import DAMAGED
from meterd.core.checks.staleness import Arrivals
from meterd.core.drift.detection_limits import Visible
from meterd.core.errors import MeterdError, StoreError, described
from meterd.core.model.finding import Finding
from meterd.core.model.health import Health
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot
from meterd.core.texts.plan_diff import change
from meterd.core.topics.senml import EARLIEST_MS

log = logging.getLogger("meterd")

THREAD_LIMIT_S = 2.0  # for threads that only look


@dataclass(slots=True)
class Daemon:
    """One site, one store. `run` blocks until `stop` is set; everything else is for looking, from any thread.

    With `file` the files of the plan are watched, and a changed plan is taken over while running.
    """

    site: Site
    store_path: Path
    clock: Clock = field(default_factory=WallClock)
    on_snapshot: Callable[[Snapshot], None] | None = None
    file: PlanFile | None = None
    watchdog_s: float = 0.0
    counters: Counters = field(default_factory=Counters)
    snapshot: Snapshot | None = None
    published: Callable[[], int] = int  # messages so far; int() is 0
    _step_runner: StepRunner = field(init=False)
    _inbox: Inbox = field(init=False)
    _facts: RunFacts = field(init=False)
    _plans: PlanWatch | None = None
    _digests: DigestCheck | None = None
    _pageless: Finding | None = None
    _runtime: Runtime | None = None
    _plan_runtime: PlanRuntime | None = None
    _supervisor: Supervisor = field(init=False)

    def __post_init__(self) -> None:
        self._step_runner = StepRunner(self.clock, self.counters)
        self._inbox = Inbox(self.counters)
        plan = self.file.fingerprint if self.file is not None else fingerprint(self.site)
        self._facts = RunFacts(plan=plan)
        self._supervisor = Supervisor(
            self._step_runner, self._path_beside("hung"), self._status, watchdog_s=self.watchdog_s
        )

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set, then end in order: sources first, the queue emptied, then a farewell.

        Raises StoreError, PublishError or ConfigError for what makes a start impossible, and StoreError at the end when
        accepted readings could not be stored.
        """
        self_test()
        with ExitStack() as stack:
            stack.callback(setattr, threading, "excepthook", threading.excepthook)
            threading.excepthook = self._step_runner.thread_died
            store = self._open_store()
            stack.callback(store.close)
            changed = at_start(self.store_path)
            put_right(store, changed, self.clock.now_ms())
            self._digests = DigestCheck(self.store_path, changed)
            self._digests.start()
            stack.callback(self._digests.stop, THREAD_LIMIT_S)
            stack.enter_context(self._run_record(store))
            output = Output(store)
            stack.callback(output.close)
            self.published = output.published
            self._watch_plan(stack)
            self._supervisor.start()
            stack.callback(self._supervisor.stop, THREAD_LIMIT_S)
            jobs = JobRunner(store, self.store_path)
            stack.callback(jobs.stop)
            runtime = Runtime(
                jobs=jobs,
                store=store,
                store_path=self.store_path,
                clock=self.clock,
                counters=self.counters,
                step_runner=self._step_runner,
                inbox=self._inbox,
                supervisor=self._supervisor,
                show=self._show,
                ending=self._plan_waits,
                conditions=self._conditions,
            )
            self._runtime = runtime
            self._serve_plans(stop, runtime, output)
        if self._inbox.held:
            count = sum(len(delivery.readings) for _, delivery in self._inbox.held)
            raise StoreError(
                f"{count} readings could not be stored; those not confirmed come again with the next start"
            )

    def reload(self) -> None:
        """Read the plan again, as after SIGHUP; nothing happens at once."""
        if self._plans is not None:
            self._plans.ask()

    def without_page(self, text: str) -> None:
        """The page cannot be served: a finding for as long as this daemon runs, because somebody waits for the page."""
        remedy = "see which program has this port, or change [page] of the plan; then stop and start"
        self._pageless = Finding("page-away", self.site.name, self.clock.now_ms(), text, remedy)

    def health(self) -> Health:
        """How the program is. May be called from any thread, also while the loop hangs."""
        return gather(self.site, self._facts, self._runtime, plan_runtime=self._plan_runtime, snapshot=self.snapshot)

    def visible_errors(self) -> tuple[tuple[Visible, ...], str]:
        """The smallest visible errors as the drift watch last found them; nothing and an empty word before."""
        plan_runtime = self._plan_runtime
        return ((), "") if plan_runtime is None else plan_runtime.drift_job.visible

    def use_judged(self) -> tuple[int, int]:
        """How many loads have history enough for unusual use, and of how many; nothing before the first look."""
        plan_runtime = self._plan_runtime
        return (0, 0) if plan_runtime is None else plan_runtime.unusual_job.judged

    def roof_looks(self) -> dict[str, tuple[str, float | None]]:
        """By what each PV array is judged and the smallest loss that would be found now; nothing before the first look."""
        plan_runtime = self._plan_runtime
        return {} if plan_runtime is None else plan_runtime.roof_job.looks

    def arrivals(self) -> Mapping[str, Arrivals]:
        """What is known of the deliveries of each point since the plan was taken; any thread may ask."""
        plan_runtime = self._plan_runtime
        return {} if plan_runtime is None else plan_runtime.alarm_job.arrival_monitor.arrivals()

    # -- what stays ----------------------------------------------------------------------------------------------------

    def _path_beside(self, what: str) -> Path:
        return self.store_path.with_name(f"{self.store_path.name}.{what}")

    def _open_store(self) -> WriteStore:
        name, now_ms = self.site.name, self.clock.now_ms()
        lost, there = lost_before(self.store_path), self.store_path.exists()
        store, salvage = open_sound(self.store_path)
        findings = [lost_finding(name, lost, now_ms)] if lost else []
        if salvage is not None:
            remedy = "look at the disk; restore a backup if history is missing"
            findings.append(Finding(DAMAGED, name, now_ms, str(salvage), remedy))
        elif there and (copy := older(store, self.store_path)) is not None:
            findings.append(older_finding(name, self.store_path.name, copy, now_ms))
        for finding in findings:
            log.error("%s", finding.text, extra=about(finding.cause, name))
        self._step_runner.events += findings
        return store

    @contextmanager
    def _run_record(self, store: WriteStore) -> Iterator[None]:
        """Notes how this run ends, for the next one."""
        now_ms = self.clock.now_ms()
        self._facts = self._facts.started(begin_run(store, self._path_beside("hung")), now_ms)
        try:
            yield
        except BaseException as exc:
            end_run(store, exc)
            raise
        end_run(store, None)

    def _watch_plan(self, stack: ExitStack) -> None:
        if self.file is None:
            return
        self._plans = PlanWatch(self.file, self.site, self.clock)
        self._plans.start()
        stack.callback(self._plans.stop, THREAD_LIMIT_S)

    def _show(self, shot: Snapshot) -> None:
        self.snapshot = shot
        if self.on_snapshot is not None:
            self.on_snapshot(shot)

    def _status(self) -> str:
        shot = self.snapshot
        open_ = 0 if shot is None else len(shot.findings)
        return f"site {self.site.name}: {self.counters.readings} readings stored, {open_} findings open"

    # -- one plan after the other --------------------------------------------------------------------------------------

    def _plan_waits(self) -> bool:
        return self._plans is not None and self._plans.waiting()

    def _conditions(self) -> list[Finding]:
        """What is wrong beside the readings: a plan that was refused, a page that cannot be had."""
        refused = [] if self._plans is None else self._plans.findings()
        if self._digests is not None:
            refused = [*refused, *self._digests.findings(self.site.name, self.clock.now_ms())]
        return refused if self._pageless is None else [*refused, self._pageless]

    def _serve_plans(self, stop: threading.Event, runtime: Runtime, output: Output) -> None:
        """One loop for each plan. A plan that cannot be begun after all gives way to the one before it."""
        taken: tuple[Plan, Site] | None = None  # the plan to begin with, and the one before it
        while True:
            with ExitStack() as stack:
                try:
                    plan_runtime = self._begin(runtime, output, stack)
                except Exception as exc:  # an edge of the house style: a plan must not end a daemon that runs
                    if taken is None or self._plans is None:
                        raise
                    self._plans.refuse(described(exc) if not isinstance(exc, MeterdError) else str(exc))
                    self.site, taken = taken[1], None
                    continue
                self._tell_begin(taken)
                runtime.jobs.serve(Plan(self.site, (), self._facts.plan), self._inside_jobs(plan_runtime))
                loop = Loop(plan_runtime, runtime)
                loop.run(stop)
                if stop.is_set():
                    tell(STOPPING)
            if loop.renewed:
                runtime.store.open_anew(self.store_path)
                log.warning("the store was written anew", extra=about("store-anew", self.site.name))
            if stop.is_set():
                return
            plan = None if self._plans is None else self._plans.take()
            taken = None if plan is None else (plan, self.site)
            self.site = self.site if plan is None else plan.site

    def _inside_jobs(self, plan_runtime: PlanRuntime) -> dict[str, InsideJob]:
        """What the calendar asks of parts of the daemon."""
        jobs, digests = inside_jobs(plan_runtime), self._digests
        if digests is not None:
            jobs["verify"] = InsideJob(digests.ask, lambda: (True, text) if (text := digests.outcome()) else None)
        return jobs

    def _begin(self, runtime: Runtime, output: Output, stack: ExitStack) -> PlanRuntime:
        self._step_runner.begin("begin")
        publisher = output.serve(self.site)
        plan_runtime = make_plan_runtime(self.site, runtime, publisher, stack)
        if self._plan_runtime is not None:
            plan_runtime.sharing_job.follow_on(self._plan_runtime.sharing_job)
        if resume(plan_runtime, self.clock):
            text = "intervals ahead of the clock were closed; they are open again"
            log.warning("%s", text, extra=about("reopened", self.site.name))
        self._follow_rules(plan_runtime, runtime)
        threads: dict[str, Callable[[], bool]] = {**output.threads(), "drift": plan_runtime.drift_job.revive}
        threads |= {f"notify {name}": revive for name, revive in plan_runtime.alarm_job.threads().items()}
        threads["unusual"] = plan_runtime.unusual_job.revive
        threads["roof"] = plan_runtime.roof_job.revive
        threads["forecast"] = plan_runtime.forecast_job.revive
        threads["disk-space"] = plan_runtime.disk_space.revive
        if self._digests is not None:
            threads["digests"] = self._digests.revive
        if plan_runtime.feed is not None:
            threads["line-store"] = plan_runtime.feed.revive
        if self._plans is not None:
            threads["plan-watch"] = self._plans.revive
        threads["calendar"] = runtime.jobs.revive
        self._supervisor.threads = threads
        self._plan_runtime = plan_runtime
        return plan_runtime

    def _follow_rules(self, plan_runtime: PlanRuntime, runtime: Runtime) -> None:
        now_ms = self.clock.now_ms()
        if now_ms < EARLIEST_MS:
            return  # no figure can be given a time of writing; the next start does it
        try:
            finding = follow_rules(runtime.store, plan_runtime.ledger, self.site, now_ms)
        except StoreError as exc:
            log.error("local days are not summed again: %s", exc, extra=about("store-refuses", self.site.name))
            return
        if finding is not None:
            self._step_runner.events.append(finding)

    def _tell_begin(self, taken: tuple[Plan, Site] | None) -> None:
        site = self.site
        if taken is None or self._plans is None:
            message = f"site {site.name}: {len(site.points)} points, store {self.store_path}"
            log.info("%s", message, extra=about("started", site.name))
            return
        plan, former = taken
        self._plans.runs(plan)
        self.counters.reloads += 1
        self._facts = self._facts.reloaded(RELOADED, plan.fingerprint, self.clock.now_ms())
        text = change(former, site) or "only the order of its rows"
        log.warning("a changed plan is in force: %s", text, extra=about("plan-taken", site.name))
        # whoever changed the files is not known to the daemon: the site's log says when and what
        PeopleLog(people_log_path(self.store_path)).add(Act(self.clock.now_ms(), "plan-taken", "", text))
