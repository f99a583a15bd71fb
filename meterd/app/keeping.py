"""Readings into the journal and its figures; what goes on while the store refuses."""

import logging
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from meterd import pipeline
from meterd.agreement import Agreement
from meterd.app.bookkeeper import Tick
from meterd.app.logs import about
from meterd.app.parts import Parts, Standing, sources_of
from meterd.app.watch import live_source, store_finding
from meterd.conditions import unkept_finding
from meterd.errors import StoreError, described
from meterd.finding import Finding
from meterd.reading import Reading
from meterd.sources import Delivery
from meterd.sources.mqtt import MqttSource

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


class Keeping:
    """Keeps what the intake holds, then confirms it. Belongs to the loop."""

    def __init__(self, parts: Parts, standing: Standing) -> None:
        self._parts, self._standing = parts, standing
        self.agreement = Agreement((row.point, row.register) for row in parts.site.inputs)
        self.trouble: Trouble | None = None
        self._live: deque[Delivery] = deque(maxlen=LIVE_DELIVERIES)
        self._calm_until = 0.0

    def tick(self) -> None:
        """Keep what is held, then confirm it. What could not be kept stays held and unconfirmed."""
        parts, standing, held = self._parts, self._standing, self._standing.intake.held
        readings: list[Reading] = [r for _, delivery in held for r in delivery.readings]
        for reading in readings:
            if reading.device_time or not reading.old:
                standing.clock.saw(reading.at_ms)
        begun = time.monotonic()
        try:
            done = self._keep(readings)
        except StoreError as exc:
            self._store_refuses(readings, str(exc))
            return
        self._store_takes()
        standing.intake.took(len(readings), time.monotonic() - begun)
        self.agreement.take(readings)
        parts.alarms.hear(readings)
        self.agreement.compare(parts.books.state.counters)
        counters = standing.counters
        counters.ticks += 1
        counters.readings += done.readings
        counters.figures += done.figures
        for source, delivery in held:
            counters.deliveries += 1
            if delivery.token is not None:
                source.ack(delivery.token)
        held.clear()

    def _keep(self, readings: list[Reading]) -> Tick:
        """Journal and figures; only the journal for a while after figures went wrong, so that no reading is lost."""
        books, steps, clock = self._parts.books, self._standing.steps, self._standing.clock
        if time.monotonic() >= self._calm_until:
            try:
                return books.tick(readings, clock.now_ms())
            except StoreError:
                raise
            except Exception as exc:
                self._calm_until = time.monotonic() + CALM_S
                steps.went_wrong("figures", described(exc))
        done, unfit = books.keep(readings)
        for reading, words in unfit:
            counters = self._standing.counters
            counters.unkept += 1
            steps.events.append(unkept_finding(reading.point, counters.unkept, words, clock.now_ms()))
        return done

    # -- a store that refuses ------------------------------------------------------------------------------------------

    def _store_refuses(self, readings: list[Reading], words: str) -> None:
        """Hold and say so; present values go on from memory, read a second time without being accepted."""
        site, clock, state = self._parts.site, self._standing.clock, self._parts.books.state
        self._standing.counters.store_failures += 1
        since_s = time.monotonic() if self.trouble is None else self.trouble.since_s
        if self.trouble is None:
            log.error("%s; readings are held and the sources wait", words, extra=about("store-refuses", site.name))
        sources = [] if self.trouble is None else self.trouble.sources
        self.trouble = Trouble(store_finding(site.name, words, len(readings), clock.now_ms()), since_s, sources)
        if not sources and time.monotonic() - since_s > LIVE_AFTER_S:
            sources += [live_source(row, site, clock) for row in sources_of(site) if row.protocol == "mqtt"]
            for source in sources:
                source.start(self._look_from(source))
        pipeline.take_live(state, readings)
        while self._live:
            pipeline.take_live(state, self._live.popleft().readings)

    def _look_from(self, source: MqttSource) -> Callable[[Delivery], None]:
        def look(delivery: Delivery) -> None:
            self._live.append(delivery)
            source.ack(delivery.token)

        return look

    def _store_takes(self) -> None:
        if self.trouble is None:
            return
        log.warning("the store takes readings again", extra=about("store-takes", self._parts.site.name))
        for source in self.trouble.sources:
            source.stop(RETRY_S)
        self.trouble = None
        self._live.clear()
