"""The daemon: sources in, one loop that owns state and store, topics out. One tick is one transaction.

    queue of deliveries -> tick (journal, figures, books; committed) -> acknowledge -> snapshot -> publish

Publishing follows committing, so that a restart never contradicts what was said.
"""

import logging
import queue
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd import __version__, pipeline
from meterd.app.bookkeeper import Bookkeeper
from meterd.app.clock import Clock, WallClock
from meterd.app.findings import FindingKeeper
from meterd.conditions import balance_findings, event_finding, refused_finding, stale_points
from meterd.errors import StoreError
from meterd.finding import Finding
from meterd.mqtt.broker import EmbeddedBroker
from meterd.publish import Publisher, opener
from meterd.reading import Reading
from meterd.site import Broker, Site
from meterd.site import Source as SourceRow
from meterd.snapshot import Snapshot
from meterd.sources import Delivery, Source
from meterd.sources.files import FileSource
from meterd.sources.mqtt import MqttSource, link_settings, settings_for
from meterd.store.sqlite import SqliteStore

log = logging.getLogger("meterd")

DELIVERIES = 2_000  # waiting for the loop; a full queue slows the sources down, and they their brokers
LINGER_S = 0.01  # readings of one burst share a transaction: a commit costs about 4 ms
READINGS_AT_ONCE = 20_000  # a tick stays below a second or so, also when catching up
IDLE_S = 1.0  # without readings the loop looks at the clock once a second
SHARE_OF_TIME = 4.0  # after a snapshot the loop takes at least this many times its duration for other work
RETRY_S = 2.0  # between two attempts to write when the store refuses


@dataclass(slots=True)
class Counters:
    """What happened since the start."""

    readings: int = 0
    deliveries: int = 0
    ticks: int = 0
    figures: int = 0
    store_failures: int = 0
    snapshots: int = 0


@dataclass(slots=True)
class Daemon:
    """One site, one store. `run` blocks until `stop` is set; everything else is for looking."""

    site: Site
    store_path: Path
    clock: Clock = field(default_factory=WallClock)
    on_snapshot: Callable[[Snapshot], None] | None = None
    counters: Counters = field(default_factory=Counters)
    snapshot: Snapshot | None = None
    _queue: "queue.Queue[tuple[Source, Delivery]]" = field(default_factory=lambda: queue.Queue(DELIVERIES))
    _held: list[tuple[Source, Delivery]] = field(default_factory=list)
    _findings_due: float = 0.0
    _trouble: Finding | None = None
    published: Callable[[], int] = lambda: 0

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set, then end in order: sources first, the queue emptied, then a farewell.

        Raises StoreError, PublishError or ConfigError for what makes a start impossible.
        """
        with ExitStack() as stack:
            store = SqliteStore.writer(self.store_path)
            stack.callback(store.close)
            books = Bookkeeper(store, self.site, ZoneInfo(self.site.zone))
            findings = FindingKeeper(store)
            broker = self.site.broker
            if broker.embedded:
                embedded = EmbeddedBroker(broker.port, on_restart=lambda: log.warning("embedded broker started again"))
                stack.enter_context(embedded)
            publisher = Publisher(
                self.site,
                opener(link_settings(settings_for(_outlet(broker), self.site))),
                instance=secrets.token_hex(4),
                version=__version__,
                epoch=int(store.fact("epoch") or 0),
                sequence=int(store.fact("sequence") or 0),
            )
            self.published = lambda: publisher.counters.published
            stack.callback(publisher.close)
            sources = [_source(row, self.site, self.clock) for row in _sources(self.site)]
            for source in sources:
                source.start(self._deliver_from(source))
            log.info("site %s: %d points, store %s", self.site.name, len(self.site.points), self.store_path)
            try:
                self._loop(stop, store, books, findings, publisher, sources)
            finally:
                self._wind_up(sources, books)
                self._keep_epoch(store, publisher)

    def _deliver_from(self, source: Source) -> Callable[[Delivery], None]:
        def deliver(delivery: Delivery) -> None:
            self._queue.put((source, delivery), timeout=0.5)

        return deliver

    def _loop(
        self,
        stop: threading.Event,
        store: SqliteStore,
        books: Bookkeeper,
        findings: FindingKeeper,
        publisher: Publisher,
        sources: list[Source],
    ) -> None:
        next_look = time.monotonic()
        epoch = 0
        while not stop.is_set():
            self._collect(max(0.0, min(IDLE_S, next_look - time.monotonic())) if not self._held else RETRY_S)
            self._tick(books)
            begun = time.monotonic()
            if begun < next_look:
                continue
            now_ms = self.clock.now_ms()
            self._watch(books, findings, publisher, sources, now_ms)
            self.snapshot = pipeline.snapshot(
                books.state, now_ms, closed=books.closed, pv_day=books.pv_day(now_ms), findings=findings.open
            )
            publisher.offer(self.snapshot)
            self.counters.snapshots += 1
            if self.on_snapshot is not None:
                self.on_snapshot(self.snapshot)
            if publisher.epoch != epoch:
                epoch = publisher.epoch
                self._keep_epoch(store, publisher)
            ended = time.monotonic()
            next_look = ended + SHARE_OF_TIME * (ended - begun)

    def _collect(self, wait_s: float) -> None:
        """Take deliveries from the queue: wait for the first, linger for the rest of its burst."""
        count = sum(len(delivery.readings) for _, delivery in self._held)
        deadline = time.monotonic() + wait_s
        lingering = False
        while count < READINGS_AT_ONCE:
            left = deadline - time.monotonic()
            try:
                item = self._queue.get(timeout=left) if left > 0 else self._queue.get_nowait()
            except queue.Empty:
                return
            self._held.append(item)
            count += len(item[1].readings)
            if not lingering:
                deadline, lingering = time.monotonic() + LINGER_S, True

    def _tick(self, books: Bookkeeper) -> None:
        """Keep what is held, then confirm it. What could not be kept stays held and unconfirmed."""
        readings: list[Reading] = [r for _, delivery in self._held for r in delivery.readings]
        for reading in readings:
            if reading.device_time or not reading.old:
                self.clock.saw(reading.at_ms)
        try:
            done = books.tick(readings, self.clock.now_ms())
        except StoreError as exc:
            self.counters.store_failures += 1
            if self._trouble is None:
                log.error("%s; readings are held and the sources wait", exc)
            self._trouble = Finding(
                "store", self.site.name, self.clock.now_ms(), f"{exc}; {len(readings)} readings wait",
                "make room on the disk or repair it; nothing is confirmed to the broker meanwhile",
            )  # fmt: skip
            return
        if self._trouble is not None:
            log.info("the store takes readings again")
            self._trouble = None
        self.counters.ticks += 1
        self.counters.readings += done.readings
        self.counters.figures += done.figures
        for source, delivery in self._held:
            self.counters.deliveries += 1
            if delivery.token is not None:
                source.ack(delivery.token)
        self._held.clear()

    def _watch(
        self, books: Bookkeeper, findings: FindingKeeper, publisher: Publisher, sources: list[Source], now_ms: int
    ) -> None:
        """Findings once a second: what holds now, and what registers did."""
        events = [f for channel, event in books.state.events if (f := event_finding(channel, event)) is not None]
        books.state.events.clear()
        if not events and time.monotonic() < self._findings_due:
            return
        self._findings_due = time.monotonic() + IDLE_S
        state = books.state
        conditions = stale_points(self.site, {**state.counters, **state.instant}, now_ms)
        conditions += balance_findings(books.closed.values())
        conditions += publisher.findings()
        for source in sources:
            conditions += [
                refused_finding(*key, refused.count, refused.reason, refused.sample, now_ms)
                for key, refused in source.refused().items()
            ]
        if self._trouble is not None:
            conditions.append(self._trouble)
        before = {finding.id for finding in findings.open}
        try:
            findings.update(conditions, events, now_ms)
        except StoreError as exc:
            log.error("findings not kept: %s", exc)
        for finding in findings.open:
            if finding.id not in before:
                log.warning("finding %s: %s", finding.id, finding.text)
        for name in before - {finding.id for finding in findings.open}:
            log.info("finding %s is over", name)

    def _wind_up(self, sources: list[Source], books: Bookkeeper) -> None:
        """Newest source first; then everything they delivered is kept and confirmed before their links close."""
        self._collect(0.0)
        self._tick(books)
        for source in reversed(sources):
            source.stop(self.site.limits.stop_limit_s / 2)
        self._collect(0.0)
        self._tick(books)

    def _keep_epoch(self, store: SqliteStore, publisher: Publisher) -> None:
        try:
            with store.transaction():
                store.set_fact("epoch", str(publisher.epoch))
                store.set_fact("sequence", str(publisher.sequence))
        except StoreError as exc:
            log.error("epoch not kept: %s", exc)


def _outlet(broker: Broker) -> SourceRow:
    return SourceRow("out", "mqtt", (("client_id", broker.client_id),) if broker.client_id else ())


def _sources(site: Site) -> list[SourceRow]:
    used = {row.source for row in site.inputs}
    return [row for row in site.sources if row.name in used]


def _source(row: SourceRow, site: Site, clock: Clock) -> Source:
    kinds: dict[str, Callable[..., Source]] = {"mqtt": MqttSource, "file": FileSource}
    return kinds[row.protocol](row, site, clock=clock.now_ms)


def store_path(plan: Path, site: Site) -> Path:
    """Where the store of a plan lies: beside the plan unless it says otherwise."""
    folder = plan if plan.is_dir() else plan.parent
    return folder / (site.store_path or f"{site.name}.sqlite")
