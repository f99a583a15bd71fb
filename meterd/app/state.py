"""Looks at the parts of a daemon and says how they are. Every look is one that any thread may take."""

import os
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

from meterd import __version__
from meterd.app.parts import Parts, Standing
from meterd.app.watch import SourceWatch
from meterd.app.zone_rules import rules_version
from meterd.finding import FindingState
from meterd.health import ClockState, Health, LinkHealth, LoopState, SourceState, Storage, Versions, Work
from meterd.message import EARLIEST_MS
from meterd.site import Site
from meterd.snapshot import Snapshot
from meterd.store.schema import SCHEMA_VERSION

STATES = (FindingState.NEW, FindingState.SEEN, FindingState.EXPLAINED)


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known since the start: the plan's hash, why this run began, and when; ms UTC."""

    plan: str
    reason: str = ""
    started_ms: int | None = None
    plan_since_ms: int | None = None

    def started(self, reason: str, now_ms: int) -> "Facts":
        """The facts of a run that begins."""
        return replace(self, reason=reason, started_ms=now_ms, plan_since_ms=now_ms)

    def reloaded(self, reason: str, plan: str, now_ms: int) -> "Facts":
        """The facts after another plan was taken."""
        return replace(self, reason=reason, plan=plan, plan_since_ms=now_ms)


def gather(
    site: Site, facts: Facts, standing: Standing | None, *, parts: Parts | None, snapshot: Snapshot | None
) -> Health:
    """The health of a daemon; before it runs only what is known of the plan."""
    versions = Versions(__version__, facts.plan, SCHEMA_VERSION, rules_version())
    if standing is None:
        return Health(site.name, 0, None, facts.reason, None, versions)
    findings = () if snapshot is None else snapshot.findings
    counts = Counter(one.life.state if one.life is not None else FindingState.NEW for one in findings)
    refuses = any(one.cause == "store" for one in findings)
    now_ms = standing.clock.now_ms()
    return Health(
        site=site.name,
        now_ms=now_ms,
        started_ms=facts.started_ms,
        restart_reason=facts.reason,
        plan_since_ms=facts.plan_since_ms,
        versions=versions,
        loop=_loop(standing),
        work=_work(standing, parts),
        storage=_storage(standing.store_path, parts, refuses=refuses),
        link=LinkHealth() if parts is None else _link(parts),
        clock=ClockState(
            now_ms >= EARLIEST_MS, standing.clock.doubt(), standing.clock.steps_back(), standing.clock.offset_s()
        ),
        sources=() if parts is None else tuple(_source(watch, standing, site) for watch in parts.watches),
        findings=tuple((state.value, counts[state]) for state in STATES),
    )


def _loop(standing: Standing) -> LoopState:
    steps, intake, supervisor = standing.steps, standing.intake, standing.supervisor
    return LoopState(
        standing.counters.snapshots > 0,
        max(0.0, time.monotonic() - steps.beat_s),
        steps.name,
        intake.deliveries,
        intake.readings,
        sum(count for count, _ in dict(supervisor.revived).values()),
        tuple(sorted(dict(supervisor.stuck))),
    )


def _work(standing: Standing, parts: Parts | None) -> Work:
    one = standing.counters
    published = 0 if parts is None else parts.publisher.counters.published
    return Work(
        one.readings, one.deliveries, one.ticks, one.figures, published, one.turned_away, one.unkept, one.failures,
        one.store_failures, one.late, one.reloads,
    )  # fmt: skip


def _storage(path: Path, parts: Parts | None, *, refuses: bool) -> Storage:
    size: int | None = None
    free: int | None = None
    try:
        size = path.stat().st_size
        room = os.statvfs(path.parent)
        free = room.f_bavail * room.f_frsize
        size += path.with_name(path.name + "-wal").stat().st_size
    except OSError:
        pass  # what cannot be asked is not known; the log that is not merged yet comes and goes
    feed = None if parts is None else parts.feed
    return Storage(refuses, size, free, None if feed is None else feed.waiting)


def _link(parts: Parts) -> LinkHealth:
    publisher = parts.publisher
    age_s, round_trip_s = publisher.heartbeat()
    return LinkHealth(
        publisher.connected, publisher.counters.losses, publisher.active, publisher.epoch, age_s, round_trip_s
    )  # fmt: skip


def _source(watch: SourceWatch, standing: Standing, site: Site) -> SourceState:
    heard_s = standing.intake.heard_s.get(watch.name)
    age_s = None if heard_s is None else max(0.0, time.monotonic() - heard_s)
    protocol = next((row.protocol for row in site.sources if row.name == watch.name), "")
    if watch.resting:
        return SourceState(watch.name, protocol, "resting", age_s)
    state = watch.source.state()
    if state is None:
        return SourceState(watch.name, protocol, "asking", age_s)
    word = ("connected" if state.subscribed else "subscribing") if state.connected else "away"
    return SourceState(watch.name, protocol, word, age_s, state.last_error)
