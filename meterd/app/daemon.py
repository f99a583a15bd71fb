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

from meterd.app.clock import Clock, WallClock
from meterd.app.config import Plan
from meterd.app.intake import Intake
from meterd.app.lives import RELOADED, begin_life, end_life
from meterd.app.logs import about
from meterd.app.loop import Loop
from meterd.app.outlet import WayOut
from meterd.app.parts import Parts, Standing, make_parts, take_up
from meterd.app.plan.build import fingerprint
from meterd.app.plan_watch import PlanFile, PlanWatch
from meterd.app.sd_notify import STOPPING, tell
from meterd.app.selftest import self_test
from meterd.app.state import Facts, gather
from meterd.app.steps import Counters, Steps
from meterd.app.supervisor import Supervisor
from meterd.app.zone_rules import follow_rules
from meterd.conditions import DAMAGED
from meterd.errors import MeterdError, StoreError, described
from meterd.finding import Finding
from meterd.health import Health
from meterd.message import EARLIEST_MS
from meterd.site import Site
from meterd.site_change import change
from meterd.snapshot import Snapshot
from meterd.staleness import Heard
from meterd.store.salvage import open_sound
from meterd.store.sqlite import SqliteStore
from meterd.visible import Visible

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
    counters: Counters = field(default_factory=Counters)
    snapshot: Snapshot | None = None
    published: Callable[[], int] = int  # messages so far; int() is 0
    _steps: Steps = field(init=False)
    _intake: Intake = field(init=False)
    _facts: Facts = field(init=False)
    _plans: PlanWatch | None = None
    _pageless: Finding | None = None
    _standing: Standing | None = None
    _parts: Parts | None = None
    _supervisor: Supervisor = field(init=False)

    def __post_init__(self) -> None:
        self._steps = Steps(self.clock, self.counters)
        self._intake = Intake(self.counters)
        plan = self.file.fingerprint if self.file is not None else fingerprint(self.site)
        self._facts = Facts(plan=plan)
        self._supervisor = Supervisor(self._steps, self._beside("hung"), self._status)

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set, then end in order: sources first, the queue emptied, then a farewell.

        Raises StoreError, PublishError or ConfigError for what makes a start impossible, and StoreError at the end when
        accepted readings could not be kept.
        """
        self_test()
        with ExitStack() as stack:
            stack.callback(setattr, threading, "excepthook", threading.excepthook)
            threading.excepthook = self._steps.thread_died
            store = self._open_store()
            stack.callback(store.close)
            stack.enter_context(self._life(store))
            way_out = WayOut(store)
            stack.callback(way_out.close)
            self.published = way_out.published
            self._watch_plan(stack)
            self._supervisor.start()
            stack.callback(self._supervisor.stop, THREAD_LIMIT_S)
            standing = Standing(
                store=store,
                store_path=self.store_path,
                clock=self.clock,
                counters=self.counters,
                steps=self._steps,
                intake=self._intake,
                supervisor=self._supervisor,
                show=self._show,
                ending=self._plan_waits,
                conditions=self._conditions,
            )
            self._standing = standing
            self._serve_plans(stop, standing, way_out)
        if self._intake.held:
            count = sum(len(delivery.readings) for _, delivery in self._intake.held)
            raise StoreError(f"{count} readings could not be kept; those not confirmed come again with the next start")

    def reload(self) -> None:
        """Read the plan again, as after SIGHUP; nothing happens at once."""
        if self._plans is not None:
            self._plans.ask()

    def without_page(self, words: str) -> None:
        """The page cannot be served: a finding for as long as this daemon runs, because somebody waits for the page."""
        remedy = "see which program has this port, or change [page] of the plan; then stop and start"
        self._pageless = Finding("page-away", self.site.name, self.clock.now_ms(), words, remedy)

    def health(self) -> Health:
        """How the program is. May be called from any thread, also while the loop hangs."""
        return gather(self.site, self._facts, self._standing, parts=self._parts, snapshot=self.snapshot)

    def visible_errors(self) -> tuple[tuple[Visible, ...], str]:
        """The smallest visible errors as the drift watch last found them; nothing and an empty word before."""
        parts = self._parts
        return ((), "") if parts is None else parts.night.visible

    def heard(self) -> Mapping[str, Heard]:
        """What is known of the deliveries of each point since the plan was taken; any thread may ask."""
        parts = self._parts
        return {} if parts is None else parts.alarms.hearing.heard()

    # -- what stays ----------------------------------------------------------------------------------------------------

    def _beside(self, what: str) -> Path:
        return self.store_path.with_name(f"{self.store_path.name}.{what}")

    def _open_store(self) -> SqliteStore:
        store, salvage = open_sound(self.store_path)
        if salvage is not None:
            log.error("%s", salvage, extra=about(DAMAGED, self.site.name))
            remedy = "look at the disk; restore a backup if history is missing"
            self._steps.events.append(Finding(DAMAGED, self.site.name, self.clock.now_ms(), str(salvage), remedy))
        return store

    @contextmanager
    def _life(self, store: SqliteStore) -> Iterator[None]:
        """Notes how this run ends, for the next one."""
        now_ms = self.clock.now_ms()
        self._facts = self._facts.started(begin_life(store, self._beside("hung")), now_ms)
        try:
            yield
        except BaseException as exc:
            end_life(store, exc)
            raise
        end_life(store, None)

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
        return f"site {self.site.name}: {self.counters.readings} readings kept, {open_} findings open"

    # -- one plan after the other --------------------------------------------------------------------------------------

    def _plan_waits(self) -> bool:
        return self._plans is not None and self._plans.waiting()

    def _conditions(self) -> list[Finding]:
        """What is wrong beside the readings: a plan that was refused, a page that cannot be had."""
        refused = [] if self._plans is None else self._plans.findings()
        return refused if self._pageless is None else [*refused, self._pageless]

    def _serve_plans(self, stop: threading.Event, standing: Standing, way_out: WayOut) -> None:
        """One loop for each plan. A plan that cannot be begun after all gives way to the one before it."""
        taken: tuple[Plan, Site] | None = None  # the plan to begin with, and the one before it
        while True:
            with ExitStack() as stack:
                try:
                    parts = self._begin(standing, way_out, stack)
                except Exception as exc:  # an edge of the house style: a plan must not end a daemon that runs
                    if taken is None or self._plans is None:
                        raise
                    self._plans.refuse(described(exc) if not isinstance(exc, MeterdError) else str(exc))
                    self.site, taken = taken[1], None
                    continue
                self._tell_begin(taken)
                Loop(parts, standing).run(stop)
                if stop.is_set():
                    tell(STOPPING)
            if stop.is_set():
                return
            plan = None if self._plans is None else self._plans.take()
            taken = None if plan is None else (plan, self.site)
            self.site = self.site if plan is None else plan.site

    def _begin(self, standing: Standing, way_out: WayOut, stack: ExitStack) -> Parts:
        self._steps.begin("begin")
        publisher = way_out.serve(self.site)
        parts = make_parts(self.site, standing, publisher, stack)
        if self._parts is not None:
            parts.sharer.follow_on(self._parts.sharer)
        if take_up(parts, self.clock):
            words = "intervals ahead of the clock were closed; they are open again"
            log.warning("%s", words, extra=about("reopened", self.site.name))
        self._follow_rules(parts, standing)
        threads: dict[str, Callable[[], bool]] = {**way_out.threads(), "drift": parts.night.revive}
        threads |= {f"notify {name}": revive for name, revive in parts.alarms.threads().items()}
        threads["room"] = parts.room.revive
        if parts.feed is not None:
            threads["line-store"] = parts.feed.revive
        if self._plans is not None:
            threads["plan-watch"] = self._plans.revive
        self._supervisor.threads = threads
        self._parts = parts
        return parts

    def _follow_rules(self, parts: Parts, standing: Standing) -> None:
        now_ms = self.clock.now_ms()
        if now_ms < EARLIEST_MS:
            return  # no figure can be given a time of writing; the next start does it
        try:
            found = follow_rules(standing.store, parts.books, self.site, now_ms)
        except StoreError as exc:
            log.error("local days are not summed again: %s", exc, extra=about("store-refuses", self.site.name))
            return
        if found is not None:
            self._steps.events.append(found)

    def _tell_begin(self, taken: tuple[Plan, Site] | None) -> None:
        site = self.site
        if taken is None or self._plans is None:
            words = f"site {site.name}: {len(site.points)} points, store {self.store_path}"
            log.info("%s", words, extra=about("started", site.name))
            return
        plan, former = taken
        self._plans.runs(plan)
        self.counters.reloads += 1
        self._facts = self._facts.reloaded(RELOADED, plan.fingerprint, self.clock.now_ms())
        said = change(former, site) or "only the order of its rows"
        log.warning("a changed plan is in force: %s", said, extra=about("plan-taken", site.name))


def store_path(plan: Path, site: Site) -> Path:
    """Where the store of a plan lies: beside the plan unless it says otherwise."""
    folder = plan if plan.is_dir() else plan.parent
    return folder / (site.store_path or f"{site.name}.sqlite")
