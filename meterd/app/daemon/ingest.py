"""Readings into the journal and its figures; what goes on while the store refuses."""

import logging
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from meterd.adapters.runtime.logging import about
from meterd.adapters.sources import Delivery
from meterd.adapters.sources.mqtt import MqttSource
from meterd.app.daemon.assembly import PlanRuntime, Runtime, sources_of
from meterd.app.daemon.source_monitor import live_source, store_finding
from meterd.app.operations.ledger import Tick
from meterd.core import engine
from meterd.core.checks.register_samples import RegisterSamples
from meterd.core.checks.register_vs_power import Agreement
from meterd.core.checks.rules import unstored_finding
from meterd.core.errors import StoreError, described
from meterd.core.model.finding import Finding
from meterd.core.model.reading import CAN_TAKE, Reading
from meterd.core.registers.ct_factor import present_ratios

log = logging.getLogger("meterd")

RETRY_S = 2.0  # between two attempts to write when the store refuses
CALM_S = 10.0  # after a step went wrong readings are only kept for so long before figures are tried again
LIVE_AFTER_S = 5.0  # a store that refuses longer must not stop the live values: a broker sends few unconfirmed messages
LIVE_DELIVERIES = 1_000  # of present values between two looks, the oldest give way


@dataclass(slots=True)
class Trouble:
    """A store that refuses: since when, and the sources of present values that were opened meanwhile."""

    finding: Finding
    since_s: float
    sources: list[MqttSource] = field(default_factory=list)


class Ingest:
    """Stores what the inbox holds, then confirms it. Belongs to the loop."""

    def __init__(self, plan_runtime: PlanRuntime, runtime: Runtime) -> None:
        self._plan_runtime, self._runtime = plan_runtime, runtime
        site = plan_runtime.site
        self.agreement = Agreement(((row.point, row.register) for row in site.inputs), present_ratios(site))
        self.samples = RegisterSamples((row.point, row.register) for row in plan_runtime.site.inputs)
        self.trouble: Trouble | None = None
        self._live: deque[Delivery] = deque(maxlen=LIVE_DELIVERIES)
        self._calm_until = 0.0

    def tick(self) -> None:
        """Keep what is held, then confirm it. What could not be stored stays held and unconfirmed."""
        plan_runtime, runtime, held = self._plan_runtime, self._runtime, self._runtime.inbox.held
        heard: list[Reading] = [r for _, delivery in held for r in delivery.readings]
        # what consumers say they could take is of now or of nothing: it is not stored
        readings = [r for r in heard if r.register != CAN_TAKE]
        newest_ms = max((r.at_ms for r in heard if r.device_time or not r.old), default=None)
        if newest_ms is not None:
            runtime.clock.saw(newest_ms)
        begun = time.monotonic()
        try:
            done = self._keep(readings)
        except StoreError as exc:
            self._store_refuses(heard, str(exc))
            return
        if len(heard) > len(readings):
            engine.take_live(plan_runtime.ledger.state, [r for r in heard if r.register == CAN_TAKE])
        self._store_takes()
        runtime.inbox.took(len(readings), time.monotonic() - begun)
        self.agreement.take(readings)
        self.samples.take(readings)
        plan_runtime.alarm_job.note_arrivals(readings)
        self.agreement.compare(plan_runtime.ledger.state.counters)
        counters = runtime.counters
        counters.ticks += 1
        counters.readings += done.readings
        counters.figures += done.figures
        for source, delivery in held:
            if delivery.outside is not None:
                plan_runtime.forecast_job.take(delivery.outside)
            counters.deliveries += 1
            if delivery.token is not None:
                source.ack(delivery.token)
        held.clear()

    def _keep(self, readings: list[Reading]) -> Tick:
        """Journal and figures; only the journal for a while after figures went wrong, so that no reading is lost."""
        ledger, step_runner, clock = self._plan_runtime.ledger, self._runtime.step_runner, self._runtime.clock
        if time.monotonic() >= self._calm_until:
            try:
                return ledger.tick(readings, clock.now_ms())
            except StoreError:
                raise
            except Exception as exc:
                self._calm_until = time.monotonic() + CALM_S
                step_runner.went_wrong("figures", described(exc))
        done, unfit = ledger.keep(readings)
        for reading, text in unfit:
            counters = self._runtime.counters
            counters.unkept += 1
            step_runner.events.append(unstored_finding(reading.point, counters.unkept, text, clock.now_ms()))
        return done

    # -- a store that refuses ------------------------------------------------------------------------------------------

    def _store_refuses(self, readings: list[Reading], text: str) -> None:
        """Hold and say so; present values go on from memory, read a second time without being accepted."""
        site, clock, state = self._plan_runtime.site, self._runtime.clock, self._plan_runtime.ledger.state
        self._runtime.counters.store_failures += 1
        since_s = time.monotonic() if self.trouble is None else self.trouble.since_s
        if self.trouble is None:
            log.error("%s; readings are held and the sources wait", text, extra=about("store-refuses", site.name))
        sources = [] if self.trouble is None else self.trouble.sources
        self.trouble = Trouble(store_finding(site.name, text, len(readings), clock.now_ms()), since_s, sources)
        if not sources and time.monotonic() - since_s > LIVE_AFTER_S:
            sources += [live_source(row, site, clock) for row in sources_of(site) if row.protocol == "mqtt"]
            for source in sources:
                source.start(self._read_live(source))
        engine.take_live(state, readings)
        while self._live:
            engine.take_live(state, self._live.popleft().readings)

    def _read_live(self, source: MqttSource) -> Callable[[Delivery], None]:
        def take(delivery: Delivery) -> None:
            self._live.append(delivery)
            source.ack(delivery.token)

        return take

    def _store_takes(self) -> None:
        if self.trouble is None:
            return
        log.warning("the store takes readings again", extra=about("store-takes", self._plan_runtime.site.name))
        for source in self.trouble.sources:
            source.stop(RETRY_S)
        self.trouble = None
        self._live.clear()
