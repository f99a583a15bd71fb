"""Looks at the parts of a daemon and says how they are. Every look is one that any thread may take."""

import os
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

from meterd import __version__
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.app.daemon.assembly import PlanRuntime, Runtime
from meterd.app.daemon.source_monitor import SourceMonitor
from meterd.app.daemon.zone_update import rules_version
from meterd.core.model.finding import FindingState
from meterd.core.model.health import ClockState, Health, LinkHealth, LoopState, SourceState, Storage, Versions, Work
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot
from meterd.core.topics.senml import EARLIEST_MS

STATES = (FindingState.NEW, FindingState.SEEN, FindingState.EXPLAINED)


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What is known since the start: the plan's hash, why this run began, and when; ms UTC."""

    plan: str
    reason: str = ""
    started_ms: int | None = None
    plan_since_ms: int | None = None

    def started(self, reason: str, now_ms: int) -> "RunFacts":
        """The facts of a run that begins."""
        return replace(self, reason=reason, started_ms=now_ms, plan_since_ms=now_ms)

    def reloaded(self, reason: str, plan: str, now_ms: int) -> "RunFacts":
        """The facts after another plan was taken."""
        return replace(self, reason=reason, plan=plan, plan_since_ms=now_ms)


def gather(
    site: Site, facts: RunFacts, runtime: Runtime | None, *, plan_runtime: PlanRuntime | None, snapshot: Snapshot | None
) -> Health:
    """The health of a daemon; before it runs only what is known of the plan."""
    versions = Versions(__version__, facts.plan, SCHEMA_VERSION, rules_version())
    if runtime is None:
        return Health(site.name, 0, None, facts.reason, None, versions)
    findings = () if snapshot is None else snapshot.findings
    counts = Counter(finding.life.state if finding.life is not None else FindingState.NEW for finding in findings)
    refuses = any(finding.cause == "store" for finding in findings)
    now_ms = runtime.clock.now_ms()
    return Health(
        site=site.name,
        now_ms=now_ms,
        started_ms=facts.started_ms,
        restart_reason=facts.reason,
        plan_since_ms=facts.plan_since_ms,
        versions=versions,
        loop=_loop(runtime),
        work=_work(runtime, plan_runtime),
        storage=_storage(runtime.store_path, plan_runtime, refuses=refuses),
        link=LinkHealth() if plan_runtime is None else _link(plan_runtime),
        clock=ClockState(
            now_ms >= EARLIEST_MS, runtime.clock.doubt(), runtime.clock.steps_back(), runtime.clock.offset_s()
        ),
        sources=()
        if plan_runtime is None
        else tuple(_source(monitor, runtime, site) for monitor in plan_runtime.monitors),
        findings=tuple((state.value, counts[state]) for state in STATES),
    )


def _loop(runtime: Runtime) -> LoopState:
    step_runner, inbox, supervisor = runtime.step_runner, runtime.inbox, runtime.supervisor
    return LoopState(
        runtime.counters.snapshots > 0,
        max(0.0, time.monotonic() - step_runner.beat_s),
        step_runner.name,
        inbox.deliveries,
        inbox.readings,
        sum(count for count, _ in dict(supervisor.revived).values()),
        tuple(sorted(dict(supervisor.stuck))),
    )


def _work(runtime: Runtime, plan_runtime: PlanRuntime | None) -> Work:
    counters = runtime.counters
    published = 0 if plan_runtime is None else plan_runtime.publisher.counters.published
    return Work(
        counters.readings,
        counters.deliveries,
        counters.ticks,
        figures=counters.figures,
        published=published,
        turned_away=counters.turned_away,
        unkept=counters.unkept,
        failures=counters.failures,
        store_failures=counters.store_failures,
        late=counters.late,
        reloads=counters.reloads,
    )


def _storage(path: Path, plan_runtime: PlanRuntime | None, *, refuses: bool) -> Storage:
    size: int | None = None
    free: int | None = None
    try:
        size = path.stat().st_size
        disk = os.statvfs(path.parent)
        free = disk.f_bavail * disk.f_frsize
        size += path.with_name(path.name + "-wal").stat().st_size
    except OSError:
        pass  # what cannot be asked is not known; the log that is not merged yet comes and goes
    feed = None if plan_runtime is None else plan_runtime.feed
    return Storage(refuses, size, free, None if feed is None else feed.waiting)


def _link(plan_runtime: PlanRuntime) -> LinkHealth:
    publisher = plan_runtime.publisher
    age_s, round_trip_s = publisher.heartbeat()
    return LinkHealth(
        publisher.connected, publisher.counters.losses, publisher.active, publisher.epoch, age_s, round_trip_s,
        publisher.forbidden,
    )  # fmt: skip


def _source(monitor: SourceMonitor, runtime: Runtime, site: Site) -> SourceState:
    heard_s = runtime.inbox.heard_s.get(monitor.name)
    age_s = None if heard_s is None else max(0.0, time.monotonic() - heard_s)
    protocol = next((row.protocol for row in site.sources if row.name == monitor.name), "")
    if monitor.resting:
        return SourceState(monitor.name, protocol, "resting", age_s)
    state = monitor.source.state()
    if state is None:
        return SourceState(monitor.name, protocol, "asking", age_s)
    word = ("connected" if state.subscribed else "subscribing") if state.connected else "away"
    return SourceState(monitor.name, protocol, word, age_s, state.last_error)
