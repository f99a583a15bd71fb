"""The loop of one plan: it owns state and store. One tick is one transaction.

queue of deliveries -> tick (journal, figures; committed) -> acknowledge -> snapshot -> publish
"""

import logging
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace

from meterd.adapters.runtime.garbage import spare_what_stays
from meterd.adapters.runtime.logging import about
from meterd.app.daemon.assembly import PlanRuntime, Runtime
from meterd.app.daemon.early_powers import EarlyPowers
from meterd.app.daemon.finding_job import IDLE_S, FindingJob
from meterd.app.daemon.ingest import RETRY_S, Ingest
from meterd.app.operations.packing import pack_piece
from meterd.core import live
from meterd.core.errors import StoreError
from meterd.core.forecast.demand_band import BAND_FACT, follow, from_text, to_text
from meterd.core.model.demand import DemandWarning
from meterd.core.model.periods import floor
from meterd.core.model.surplus_level import SurplusLevel, next_level
from meterd.core.topics.senml import EARLIEST_MS

log = logging.getLogger("meterd")

STARTING_S = 0.1  # between two looks until we publish: a take-over is made of several
SHARE_OF_TIME = 4.0  # after a snapshot the loop takes at least this many times its duration for other work
CREDIT_S = 0.5  # saved up while nothing came: the readings that complete a set need not wait for the share


class Loop:
    """Works for one plan until it is told to end, then winds up in order."""

    def __init__(self, plan_runtime: PlanRuntime, runtime: Runtime) -> None:
        self._plan_runtime, self._runtime = plan_runtime, runtime
        self.ingest = Ingest(plan_runtime, runtime)
        self.finding_job = FindingJob(plan_runtime, runtime, self.ingest)
        self._powers = EarlyPowers(plan_runtime, runtime, self.finding_job)
        self._epoch = 0
        self._level = SurplusLevel.UNKNOWN
        self._warned: DemandWarning | None = None
        self._band = from_text(runtime.store.fact(BAND_FACT))
        self._next_pack = 0.0
        self._late = False  # whether figures of times long past wait

    @property
    def renewed(self) -> bool:
        """Whether the store was written anew, so that it is to be opened again."""
        return self.finding_job.renewed

    def run(self, stop: threading.Event) -> None:
        """Start the sources and work until `stop` or `ending`; sources end first, then the queue is emptied."""
        spare_what_stays(len(self._plan_runtime.site.points))
        try:
            for monitor in self._plan_runtime.monitors:
                monitor.source.start(self.finding_job.deliver_from(monitor))
            self._work(stop)
        finally:
            self._wind_up()

    def _work(self, stop: threading.Event) -> None:
        runtime, plan_runtime, counters = self._runtime, self._plan_runtime, self._runtime.counters
        next_look = idle_look = time.monotonic()
        seen, fresh = 0, True
        while not stop.is_set() and not self._ends():
            runtime.step_runner.begin("wait")
            if self.ingest.trouble is not None:
                stop.wait(RETRY_S)
                runtime.inbox.collect(0.0)
            else:
                due = next_look if fresh else max(next_look, idle_look)
                wait_s = 0.0 if self._late else max(0.0, min(IDLE_S, due - time.monotonic()))
                runtime.inbox.collect(wait_s, self._powers.step)
            now_ms = runtime.clock.now_ms()
            if now_ms >= EARLIEST_MS:  # no period closes, and nothing is given a time, by a clock that was never set
                runtime.step_runner.attempt("readings", self.ingest.tick)
                self._late = False
                runtime.step_runner.attempt("old readings", self._go_back, now_ms)
                runtime.step_runner.attempt("digests", self._digest)
                runtime.step_runner.attempt("packing", self._pack)
            fresh = fresh or counters.deliveries != seen or self.ingest.trouble is not None
            begun = time.monotonic()
            if begun < (next_look if fresh else max(next_look, idle_look)):
                continue
            runtime.step_runner.attempt("findings", self.finding_job.tick, now_ms)
            runtime.step_runner.attempt("forecast", plan_runtime.forecast_job.tick, plan_runtime.ledger.state.closed_to)
            runtime.step_runner.attempt("snapshot", self.show, now_ms)
            ended = time.monotonic()
            next_look = max(next_look, begun - CREDIT_S) + (1 + SHARE_OF_TIME) * (ended - begun)
            idle_look = ended + (IDLE_S if plan_runtime.publisher.active else STARTING_S)
            seen, fresh = counters.deliveries, False

    def _ends(self) -> bool:
        return self.finding_job.renewed or (self.ingest.trouble is None and self._runtime.ending())

    def _go_back(self, now_ms: int) -> None:
        """One piece of what readings of times long past and corrections change. The present goes first, then the next.

        A piece belongs to no look: the longer looks take, the longer the next one waits.
        """
        if self.ingest.trouble is None:
            late = self._plan_runtime.ledger.late_step(now_ms)
            self._late = late or self._plan_runtime.alarm_job.recompute(now_ms)

    def _digest(self) -> None:
        """One piece of what waits for its digests. A store that refuses is told by who keeps readings."""
        if self.ingest.trouble is None:
            with suppress(StoreError):
                self._runtime.store.digest_step()

    def _pack(self) -> None:
        """One piece of old readings or figures into blocks, with as much time between two pieces as for other work."""
        begun = time.monotonic()
        if self.ingest.trouble is None and not self._late and begun >= self._next_pack:
            with suppress(StoreError):
                pack_piece(self._runtime.store, self._plan_runtime.ledger)
            ended = time.monotonic()
            self._next_pack = ended + SHARE_OF_TIME * (ended - begun)

    def show(self, now_ms: int) -> None:
        """The snapshot: made, offered to the network, and kept for page and health."""
        plan_runtime, ledger = self._plan_runtime, self._plan_runtime.ledger
        shot = live.snapshot(
            ledger.state,
            now_ms,
            closed=ledger.closed,
            pv_day=ledger.pv_day(now_ms),
            findings=plan_runtime.alarm_job.keeper.open,
            flexible_most_w=plan_runtime.sharing_job.flexible_most_w,
            forecast=plan_runtime.forecast_job.newest,
            warned=self._warned,
            band_scale=self._band.scale,
        )
        self._warned = shot.demand_warning
        length_ms = plan_runtime.site.interval_s * 1000
        errors = self._band.errors
        self._band = follow(self._band, shot.demand_outlook, (floor(now_ms, length_ms), length_ms))
        if self._band.errors is not errors:  # once in an interval
            self._keep("demand band", {BAND_FACT: to_text(self._band)})
        limits = plan_runtime.site.limits
        self._level = next_level(self._level, shot.surplus.power_w, limits.surplus_some_w, limits.surplus_plenty_w)
        shot = plan_runtime.sharing_job.step(
            replace(shot, surplus_level=self._level, drift_look=plan_runtime.drift_job.look)
        )
        self.finding_job.snapshot = shot
        plan_runtime.publisher.offer(shot)
        if (outage := plan_runtime.publisher.outage()) is not None:
            text = f"broker link was down {outage.down_s:.1f} s, {outage.values} values sent again"
            log.warning("%s", text, extra=about("broker-back", plan_runtime.site.name))
        self._runtime.counters.snapshots += 1
        self._runtime.show(shot)
        if plan_runtime.publisher.epoch != self._epoch:
            self._epoch = plan_runtime.publisher.epoch
            self._keep_epoch()

    def _wind_up(self) -> None:
        """Newest source first; then everything they delivered is stored and confirmed before their links close."""
        plan_runtime, inbox, step_runner = self._plan_runtime, self._runtime.inbox, self._runtime.step_runner
        trouble = self.ingest.trouble
        live = [] if trouble is None else trouble.sources
        inbox.collect(0.0)
        step_runner.attempt("readings", self.ingest.tick)
        limit_s = plan_runtime.site.limits.stop_limit_s / 2 / (len(plan_runtime.monitors) + len(live) or 1)
        for source in [*live, *(monitor.source for monitor in reversed(plan_runtime.monitors))]:
            source.stop(limit_s)
        inbox.collect(0.0)
        step_runner.attempt("readings", self.ingest.tick)
        plan_runtime.sharing_job.close()
        self._keep_epoch()
        self.finding_job.close()

    def _keep_epoch(self) -> None:
        publisher = self._plan_runtime.publisher
        self._keep("epoch", {"epoch": str(publisher.epoch), "sequence": str(publisher.sequence)})

    def _keep(self, what: str, facts: Mapping[str, str]) -> None:
        store = self._runtime.store
        try:
            with store.transaction():
                for name, value in facts.items():
                    store.set_fact(name, value)
        except StoreError as exc:
            log.error("%s not stored: %s", what, exc, extra=about("store-refuses", self._plan_runtime.site.name))
