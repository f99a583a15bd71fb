"""Once a second in the loop: threads supervised, findings brought up to date, people notified."""

import logging
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial

from meterd.adapters.publish.publisher import SECOND
from meterd.adapters.runtime.logging import about
from meterd.adapters.sources import Delivery
from meterd.app.daemon.assembly import PlanRuntime, Runtime
from meterd.app.daemon.ingest import RETRY_S, Ingest
from meterd.app.daemon.source_monitor import SourceMonitor, StorePlace, clock_finding, with_reason
from meterd.core.checks.ct_ratio import ratio_findings
from meterd.core.checks.own_clock import OwnClock, confirms, judged, own_clock_finding, without_own
from meterd.core.checks.register_scale import backward_findings, scale_doubts, scale_findings
from meterd.core.checks.rules import (
    agreement_findings,
    balance_findings,
    contradiction_findings,
    demand_findings,
    event_finding,
    set_aside_findings,
    stale_points,
    staleness_findings,
    stalled_register_hints,
)
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding
from meterd.core.model.snapshot import Snapshot
from meterd.core.topics.senml import EARLIEST_MS

log = logging.getLogger("meterd")

SCALES_S = 60.0  # units show over hours
CLOCKS_S = 10.0  # a clock takes a quarter hour to be measured
ON_ITS_WAY_S = 5.0  # from a source to here: a reading that was stamped before our clock was set
OWN_SHARE = 100  # so many times as long as it took to judge our clock by the meters, it is believed
IDLE_S = 1.0  # without readings the loop looks at the clock once a second


class FindingJob:
    """The findings of one plan. Belongs to the loop."""

    def __init__(self, plan_runtime: PlanRuntime, runtime: Runtime, ingest: Ingest) -> None:
        self._plan_runtime, self._runtime, self._ingest = plan_runtime, runtime, ingest
        self.snapshot: Snapshot | None = None  # the newest, for what its figures say
        self._due_s = self._clocks_s = self._scales_s = 0.0
        self._scales: list[Finding] = []
        self._backward: set[str] = set()  # points with a register that counts backwards: that is more than noise
        self._place = StorePlace(runtime.store, runtime.store_path, partial(runtime.step_runner.begin, "store anew"))
        self._begun_ms = 0  # when it began to listen
        self._steps_back, self._set_by_ms = runtime.clock.steps_back(), runtime.clock.set_by_ms()
        self._own: OwnClock | None = None
        self._own_s = 0.0  # until when that is believed
        self._again_s: float | None = None  # when what was on its way while the clock was set is here

    def deliver_from(self, monitor: SourceMonitor) -> Callable[[Delivery], None]:
        """What the present source of a watch calls."""
        return self._runtime.inbox.of(monitor.name, monitor.source, self._plan_runtime.site.limits.queue_limit)

    def tick(self, now_ms: int) -> None:
        """Findings once a second: what holds now, and what registers did."""
        plan_runtime, step_runner = self._plan_runtime, self._runtime.step_runner
        state, keeper = plan_runtime.ledger.state, plan_runtime.alarm_job.keeper
        if (findings := plan_runtime.drift_job.tick(state.closed_to)) is not None:
            keeper.report("drift", findings, plan_runtime.drift_job.ends)
        if days := plan_runtime.drift_job.new_days():
            with self._runtime.store.transaction():
                self._runtime.store.drift_days.keep(days)
        if (findings := plan_runtime.unusual_job.tick(state.closed_to)) is not None:
            keeper.report("unusual", findings, plan_runtime.unusual_job.ends)
        if (findings := plan_runtime.roof_job.tick(state.closed_to)) is not None:
            keeper.report("roof", findings, plan_runtime.roof_job.ends)
        site = plan_runtime.site
        events = [f for channel, event in state.events if (f := event_finding(site, channel, event)) is not None]
        events = [finding for finding in events if finding.cause != "suspect" or finding.subject not in self._backward]
        events += step_runner.events
        if not events and time.monotonic() < self._due_s:
            return
        self._due_s = time.monotonic() + IDLE_S
        conditions = self._conditions(now_ms)
        events += plan_runtime.disk_space.done() + self._place.done(plan_runtime.site.name, now_ms)
        if now_ms < EARLIEST_MS:
            return  # the publisher says so on the screen; nothing can be written under such a time
        state.events.clear()
        step_runner.events.clear()
        for subject, message in state.failed_boards.items():
            step_runner.went_wrong(subject, message)  # reported with the next look
        state.failed_boards.clear()
        before = {finding.id for finding in keeper.open}
        try:
            plan_runtime.alarm_job.tick(conditions, events, now_ms)
        except StoreError as exc:
            if self._ingest.trouble is None:
                log.error("findings not stored: %s", exc, extra=about("store-refuses", plan_runtime.site.name))
        for finding in keeper.open:
            if finding.id not in before:
                log.warning("finding %s: %s", finding.id, finding.text, extra=about("finding", finding.id))
        for name in before - {finding.id for finding in keeper.open}:
            log.info("finding %s is over", name, extra=about("finding-over", name))

    def _conditions(self, now_ms: int) -> list[Finding]:
        plan_runtime, site = self._plan_runtime, self._plan_runtime.site
        state, arrival_monitor = plan_runtime.ledger.state, plan_runtime.alarm_job.arrival_monitor
        self._follow_clock(now_ms)
        self._note_clocks()
        self._begun_ms = self._begun_ms or now_ms
        conditions = stale_points(
            site, {**state.counters, **state.instant}, now_ms, self._begun_ms, heard=arrival_monitor.last_arrivals()
        )
        own = self._own_clock()
        conditions += staleness_findings(without_own(arrival_monitor.stale(now_ms), own))
        conditions += [] if own is None else [own_clock_finding(own, site.name, now_ms)]
        if confirms(own, self._runtime.clock.offset_s()):
            self._runtime.clock.follow()
        balances = plan_runtime.ledger.closed.values()
        conditions += stalled_register_hints(balances, arrival_monitor, balance_findings(balances, self._begun_ms))
        conditions += contradiction_findings(plan_runtime.ledger.contradiction, site.name)
        conditions += plan_runtime.network.tick(state.closed_to, self._begun_ms)
        conditions += ratio_findings(site, state.instant, now_ms)
        conditions += with_reason(plan_runtime.publisher.findings(), plan_runtime.monitors)
        conditions += set_aside_findings(state.failed, now_ms)
        conditions += plan_runtime.sharing_job.findings
        conditions += agreement_findings(self._ingest.agreement.disagreements)
        conditions += self._scale_findings(now_ms)
        conditions += demand_findings(self.snapshot) if self.snapshot is not None else []
        conditions += plan_runtime.clock_changes.tick(now_ms, state.closed_to)
        conditions += plan_runtime.forecast_job.silence(now_ms, self._begun_ms)
        return conditions + self._own_state(now_ms)

    def _scale_findings(self, now_ms: int) -> list[Finding]:
        """Units, ratios and directions by the numbers of the last 24 hours, from the sixth hour on."""
        if time.monotonic() >= self._scales_s:
            self._scales_s = time.monotonic() + SCALES_S
            rules = self._plan_runtime.ledger.state.rules
            factors = {channel: rule[-1].numerator / rule[-1].denominator for channel, rule in rules.items()}
            doubts = scale_doubts(self._plan_runtime.site, *self._ingest.samples.energies(factors))
            backward = backward_findings(self._ingest.samples.falls(factors), now_ms)
            self._backward = {finding.subject for finding in backward}
            scales = scale_findings(self._plan_runtime.site, doubts, now_ms)
            self._scales = [*backward, *(finding for finding in scales if finding.subject not in self._backward)]
        return self._scales

    def _follow_clock(self, now_ms: int) -> None:
        """Arrivals are noted by our clock: when it is set they move along, also those that were on their way just then."""
        clock, arrival_monitor = self._runtime.clock, self._plan_runtime.alarm_job.arrival_monitor
        if (set_by_ms := clock.set_by_ms()) != self._set_by_ms:
            arrival_monitor.clock_was_set(set_by_ms - self._set_by_ms, now_ms)
            self._begun_ms += set_by_ms - self._set_by_ms if self._begun_ms else 0
            self._set_by_ms, self._again_s = set_by_ms, time.monotonic() + ON_ITS_WAY_S
            self._own_s = 0.0
        elif self._again_s is not None and time.monotonic() >= self._again_s:
            arrival_monitor.clock_was_set(0, now_ms)
            self._again_s = None

    def _own_clock(self) -> OwnClock | None:
        """What the meters say of our clock, as of a few looks ago: of 5,000 points it takes 0.1 s."""
        if time.monotonic() >= self._own_s:
            begun = time.monotonic()
            arrival_monitor = self._plan_runtime.alarm_job.arrival_monitor
            self._own = judged(arrival_monitor.arrivals(), arrival_monitor.offsets())
            self._own_s = time.monotonic() + min(CLOCKS_S, OWN_SHARE * (time.monotonic() - begun))
        return self._own

    def _note_clocks(self) -> None:
        """What is known of the clocks of the meters goes into the bands."""
        if time.monotonic() >= self._clocks_s:
            self._clocks_s = time.monotonic() + CLOCKS_S
            with suppress(StoreError):  # keeping readings says so; it is measured again
                arrival_monitor = self._plan_runtime.alarm_job.arrival_monitor
                measured = arrival_monitor.offsets()
                own = judged(arrival_monitor.arrivals(), measured)
                ours_ms = 0 if own is None else own.offset_ms
                self._plan_runtime.ledger.note_clocks({point: offset - ours_ms for point, offset in measured.items()})

    def _own_state(self, now_ms: int) -> list[Finding]:
        """What the program says about itself: sources, database, threads, clock, store, plan."""
        plan_runtime, runtime, site = self._plan_runtime, self._runtime, self._plan_runtime.site
        conditions: list[Finding] = runtime.supervisor.tick(site.name, now_ms)
        for monitor in plan_runtime.monitors:
            self._stand_back(monitor)
            conditions += monitor.tick(now_ms, plan_runtime.publisher.lost_s())
        if plan_runtime.feed is not None:
            conditions += plan_runtime.feed.tick(runtime.store, now_ms)
        if text := runtime.clock.doubt():
            conditions.append(clock_finding(text, site.name, now_ms))
        if self._ingest.trouble is not None:
            conditions.append(self._ingest.trouble.finding)
        else:  # what is not confirmed holds back what else the broker has
            conditions += plan_runtime.granted.tick(plan_runtime.monitors, now_ms)
        conditions += plan_runtime.disk_space.tick(now_ms)
        conditions += self._place.tick(site.name, now_ms)
        conditions += runtime.jobs.tick(now_ms)
        if runtime.clock.steps_back() != self._steps_back:
            self._steps_back = runtime.clock.steps_back()
            plan_runtime.ledger.reopen(now_ms)
        return conditions + runtime.step_runner.findings(site.name) + runtime.conditions()

    @property
    def renewed(self) -> bool:
        """Whether the store was written anew, so that it is to be opened again."""
        return self._place.renewed

    def close(self) -> None:
        """At the end of the loop."""
        self._place.close()

    def _stand_back(self, monitor: SourceMonitor) -> None:
        """Of two daemons with one client id only the one that publishes goes on reading."""
        publisher = self._plan_runtime.publisher
        if monitor.resting and publisher.active:
            source = monitor.wake()
            source.start(self.deliver_from(monitor))
        elif monitor.flaps and not monitor.resting and any(f.cause == SECOND for f in publisher.findings()):
            monitor.rest(RETRY_S)
