"""Once a second in the loop: threads looked after, findings brought up to date, people told."""

import logging
import time
from collections.abc import Callable
from contextlib import suppress

from meterd.app.keeping import RETRY_S, Keeping
from meterd.app.logs import about
from meterd.app.parts import Parts, Standing
from meterd.app.watch import SourceWatch, clock_finding, with_reason
from meterd.conditions import (
    agreement_findings,
    balance_findings,
    demand_findings,
    event_finding,
    set_aside_findings,
    stale_points,
    staleness_findings,
    standing_hints,
)
from meterd.errors import StoreError
from meterd.finding import Finding
from meterd.message import EARLIEST_MS
from meterd.publish import SECOND
from meterd.snapshot import Snapshot
from meterd.sources import Delivery

log = logging.getLogger("meterd")

CLOCKS_S = 10.0  # a clock takes a quarter hour to be measured
IDLE_S = 1.0  # without readings the loop looks at the clock once a second


class Watcher:
    """The findings of one plan. Belongs to the loop."""

    def __init__(self, parts: Parts, standing: Standing, keeping: Keeping) -> None:
        self._parts, self._standing, self._keeping = parts, standing, keeping
        self.snapshot: Snapshot | None = None  # the newest, for what its figures say
        self._due_s = self._clocks_s = 0.0
        self._begun_ms = 0  # when it began to listen
        self._steps_back = standing.clock.steps_back()

    def deliver_from(self, watch: SourceWatch) -> Callable[[Delivery], None]:
        """What the present source of a watch calls."""
        return self._standing.intake.of(watch.name, watch.source, self._parts.site.limits.queue_limit)

    def look(self, now_ms: int) -> None:
        """Findings once a second: what holds now, and what registers did."""
        parts, steps = self._parts, self._standing.steps
        state, keeper = parts.books.state, parts.alarms.keeper
        if (found := parts.night.look(state.closed_to)) is not None:
            keeper.report("drift", found)
            with self._standing.store.transaction():
                self._standing.store.drift_days.keep(parts.night.fresh())
        events = [f for channel, event in state.events if (f := event_finding(channel, event)) is not None]
        events += steps.events
        if not events and time.monotonic() < self._due_s:
            return
        self._due_s = time.monotonic() + IDLE_S
        conditions = self._conditions(now_ms)
        events += parts.room.done()
        if now_ms < EARLIEST_MS:
            return  # the publisher says so on the screen; nothing can be written under such a time
        state.events.clear()
        steps.events.clear()
        for subject, words in state.failed_boards.items():
            steps.went_wrong(subject, words)  # told with the next look
        state.failed_boards.clear()
        before = {finding.id for finding in keeper.open}
        try:
            parts.alarms.look(conditions, events, now_ms)
        except StoreError as exc:
            if self._keeping.trouble is None:
                log.error("findings not kept: %s", exc, extra=about("store-refuses", parts.site.name))
        for finding in keeper.open:
            if finding.id not in before:
                log.warning("finding %s: %s", finding.id, finding.text, extra=about("finding", finding.id))
        for name in before - {finding.id for finding in keeper.open}:
            log.info("finding %s is over", name, extra=about("finding-over", name))

    def _conditions(self, now_ms: int) -> list[Finding]:
        parts, site = self._parts, self._parts.site
        state, hearing = parts.books.state, parts.alarms.hearing
        self._note_clocks()
        self._begun_ms = self._begun_ms or now_ms
        conditions = stale_points(
            site, {**state.counters, **state.instant}, now_ms, self._begun_ms, heard=hearing.arrivals()
        )
        conditions += staleness_findings(hearing.stale(now_ms))
        balances = parts.books.closed.values()
        conditions += standing_hints(balances, hearing, balance_findings(balances))
        conditions += with_reason(parts.publisher.findings(), parts.watches)
        conditions += set_aside_findings(state.failed, now_ms)
        conditions += parts.sharer.findings
        conditions += agreement_findings(self._keeping.agreement.found)
        conditions += demand_findings(self.snapshot) if self.snapshot is not None else []
        conditions += parts.clock_changes.look(now_ms, state.closed_to)
        return conditions + self._own_state(now_ms)

    def _note_clocks(self) -> None:
        """What is known of the clocks of the meters goes into the bands."""
        if time.monotonic() >= self._clocks_s:
            self._clocks_s = time.monotonic() + CLOCKS_S
            with suppress(StoreError):  # keeping readings says so; it is measured again
                self._parts.books.note_clocks(self._parts.alarms.hearing.offsets())

    def _own_state(self, now_ms: int) -> list[Finding]:
        """What the program says about itself: sources, database, threads, clock, store, plan."""
        parts, standing, site = self._parts, self._standing, self._parts.site
        conditions: list[Finding] = standing.supervisor.look(site.name, now_ms)
        for watch in parts.watches:
            self._stand_back(watch)
            conditions += watch.look(now_ms)
        if parts.feed is not None:
            conditions += parts.feed.look(standing.store, now_ms)
        if words := standing.clock.doubt():
            conditions.append(clock_finding(words, site.name, now_ms))
        if self._keeping.trouble is not None:
            conditions.append(self._keeping.trouble.finding)
        conditions += parts.room.look(now_ms)
        if standing.clock.steps_back() != self._steps_back:
            self._steps_back = standing.clock.steps_back()
            parts.books.reopen(now_ms)
        return conditions + standing.steps.findings(site.name) + standing.conditions()

    def _stand_back(self, watch: SourceWatch) -> None:
        """Of two daemons with one client id only the one that publishes goes on reading."""
        publisher = self._parts.publisher
        if watch.resting and publisher.active:
            source = watch.wake()
            source.start(self.deliver_from(watch))
        elif watch.flaps and not watch.resting and any(f.cause == SECOND for f in publisher.findings()):
            watch.rest(RETRY_S)
