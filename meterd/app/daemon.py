"""The daemon: sources in, one loop that owns state and store, topics out. One tick is one transaction.

    queue of deliveries -> tick (journal, figures, books; committed) -> acknowledge -> snapshot -> publish

Publishing follows committing, so that a restart never contradicts what was said.
"""

import logging
import queue
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd import __version__, pipeline
from meterd.agreement import Agreement
from meterd.app.alarms import Alarms
from meterd.app.bookkeeper import Bookkeeper, Tick
from meterd.app.clock import Clock, WallClock
from meterd.app.drift_watch import NightWatch
from meterd.app.selftest import self_test
from meterd.app.sharer import Sharer
from meterd.app.watch import SourceWatch, clock_finding, live_source, store_finding, with_reason
from meterd.conditions import (
    DAMAGED,
    agreement_findings,
    balance_findings,
    demand_findings,
    event_finding,
    fault_finding,
    set_aside_findings,
    stale_points,
    staleness_findings,
    standing_hints,
    unkept_finding,
)
from meterd.errors import StoreError, described
from meterd.finding import Finding
from meterd.message import EARLIEST_MS
from meterd.mqtt.broker import EmbeddedBroker
from meterd.publish import SECOND, Publisher, opener
from meterd.reading import Reading
from meterd.site import Broker, Site
from meterd.site import Source as SourceRow
from meterd.snapshot import Snapshot
from meterd.sources import Delivery, Source
from meterd.sources.mqtt import MqttSource, link_settings, settings_for
from meterd.sources.protocols import PROTOCOLS
from meterd.staleness import Hearing
from meterd.store.line_feed import LineFeed, start_feed
from meterd.store.salvage import open_sound
from meterd.store.sqlite import SqliteStore

log = logging.getLogger("meterd")

DELIVERIES = 2_000  # waiting for the loop; a full queue slows the sources down, and they their brokers
LINGER_S = 0.01  # a tick waits for so long a silence: readings of one burst share a commit (4 ms) and a live picture
LINGER_MOST_S = 0.05  # and never longer than this
READINGS_AT_ONCE = 20_000  # a tick stays below a second or so, also when catching up
IDLE_S = 1.0  # without readings the loop looks at the clock once a second
STARTING_S = 0.1  # the same until we publish: a take-over is made of several looks
SHARE_OF_TIME = 4.0  # after a snapshot the loop takes at least this many times its duration for other work
CREDIT_S = 0.5  # saved up while nothing came: the readings that complete a set need not wait for the share
RETRY_S = 2.0  # between two attempts to write when the store refuses
CALM_S = 10.0  # after a step went wrong readings are only kept for so long before figures are tried again
TELL_AGAIN_S = 3600.0  # the same fault of a step is told once an hour
LIVE_AFTER_S = 5.0  # a store that refuses longer must not stop the live values: a broker sends few unconfirmed messages
LIVE_DELIVERIES = 1_000  # of present values between two looks, the oldest give way


@dataclass(slots=True)
class Counters:
    """What happened since the start."""

    readings: int = 0
    deliveries: int = 0
    ticks: int = 0
    figures: int = 0
    store_failures: int = 0
    snapshots: int = 0
    failures: int = 0  # steps that went wrong
    unkept: int = 0  # readings that no journal could hold
    turned_away: int = 0  # deliveries sent back because too many readings waited


@dataclass(frozen=True, slots=True)
class _Parts:
    """What the loop works with."""

    store: SqliteStore
    books: Bookkeeper
    alarms: Alarms
    publisher: Publisher
    watches: list[SourceWatch]
    feed: LineFeed | None
    night: NightWatch


@dataclass(slots=True)
class _Trouble:
    """A store that refuses: since when, and the sources of present values that were opened meanwhile."""

    finding: Finding
    since_s: float
    sources: list[MqttSource] = field(default_factory=list)


@dataclass(slots=True)
class Daemon:
    """One site, one store. `run` blocks until `stop` is set; everything else is for looking."""

    site: Site
    store_path: Path
    clock: Clock = field(default_factory=WallClock)
    on_snapshot: Callable[[Snapshot], None] | None = None
    counters: Counters = field(default_factory=Counters)
    snapshot: Snapshot | None = None
    published: Callable[[], int] = int  # messages so far; int() is 0
    _queue: "queue.Queue[tuple[Source, Delivery]]" = field(default_factory=lambda: queue.Queue(DELIVERIES))
    _waiting: int = 0  # readings in the queue
    _waiting_lock: threading.Lock = field(default_factory=threading.Lock)
    _held: list[tuple[Source, Delivery]] = field(default_factory=list)
    _live: "deque[Delivery]" = field(default_factory=lambda: deque(maxlen=LIVE_DELIVERIES))
    _findings_due: float = 0.0
    _calm_until: float = 0.0
    _trouble: _Trouble | None = None
    _events: list[Finding] = field(default_factory=list)
    _told: dict[str, tuple[str, float]] = field(default_factory=dict)  # what went wrong in a step, and when it was told
    _agreement: Agreement = field(default_factory=lambda: Agreement(()))
    _hearing: Hearing | None = None
    _begun_ms: int = 0  # when it began to listen
    _steps_back: int = 0
    _epoch: int = 0
    _sharer: Sharer | None = None

    def run(self, stop: threading.Event) -> None:
        """Work until `stop` is set, then end in order: sources first, the queue emptied, then a farewell.

        Raises StoreError, PublishError or ConfigError for what makes a start impossible, and StoreError at the end when
        accepted readings could not be kept.
        """
        self_test()
        with ExitStack() as stack:
            stack.callback(setattr, threading, "excepthook", threading.excepthook)
            threading.excepthook = self._thread_died
            store = self._open_store()
            stack.callback(store.close)
            feed = start_feed(self.site, self.store_path, store, self.clock.now_ms, stack)
            books = Bookkeeper(store, self.site, ZoneInfo(self.site.zone))
            broker = self.site.broker
            if broker.embedded:
                embedded = EmbeddedBroker(broker.port, on_restart=lambda: log.warning("embedded broker started again"))
                stack.enter_context(embedded)
            publisher = self._publisher(store)
            stack.callback(publisher.close)
            watches = [
                SourceWatch(row.name, partial(_source, row, self.site, self.clock)) for row in _sources(self.site)
            ]
            alarms = Alarms(store, self.store_path, self.site, self.clock.now_ms())
            stack.callback(alarms.close)
            self._hearing = alarms.hearing
            night = NightWatch(self.store_path, self.site)
            stack.callback(night.join, self.site.limits.stop_limit_s / 2)
            parts = _Parts(store, books, alarms, publisher, watches, feed, night)
            self._take_up(books)
            self._sharer = Sharer(self.site, store)
            for watch in watches:
                watch.source.start(self._deliver_from(watch.source))
            log.info("site %s: %d points, store %s", self.site.name, len(self.site.points), self.store_path)
            try:
                self._loop(stop, parts)
            finally:
                self._wind_up(parts)
        if self._held:
            count = sum(len(delivery.readings) for _, delivery in self._held)
            raise StoreError(f"{count} readings could not be kept; those not confirmed come again with the next start")

    def _open_store(self) -> SqliteStore:
        store, salvage = open_sound(self.store_path)
        if salvage is not None:
            log.error("%s", salvage)
            remedy = "look at the disk; restore a backup if history is missing"
            self._events.append(Finding(DAMAGED, self.site.name, self.clock.now_ms(), str(salvage), remedy))
        return store

    def _publisher(self, store: SqliteStore) -> Publisher:
        publisher = Publisher(
            self.site,
            opener(link_settings(settings_for(_outlet(self.site.broker), self.site))),
            instance=secrets.token_hex(4),
            version=__version__,
            epoch=int(store.fact("epoch") or 0),
            sequence=int(store.fact("sequence") or 0),
        )
        self.published = lambda: publisher.counters.published
        return publisher

    def _take_up(self, books: Bookkeeper) -> None:
        """Go on where the last run ended: a trial's time too, and what a clock that was ahead has closed is opened."""
        self._agreement = Agreement((row.point, row.register) for row in self.site.inputs)
        if books.state.closed_to is not None:
            self.clock.saw(books.state.closed_to + self.site.limits.close_after_s * 1000)
        now_ms = self.clock.now_ms()
        if now_ms >= EARLIEST_MS and books.reopen(now_ms):
            log.warning("intervals ahead of the clock were closed; they are open again")

    def _deliver_from(self, source: Source) -> Callable[[Delivery], None]:
        def deliver(delivery: Delivery) -> None:
            if self._waiting >= self.site.limits.queue_limit:
                self.counters.turned_away += 1
                raise queue.Full  # the source holds it and slows its broker down
            self._queue.put((source, delivery), timeout=0.5)
            self._wait_for(len(delivery.readings))

        return deliver

    def _wait_for(self, more: int) -> None:
        with self._waiting_lock:
            self._waiting += more

    # -- the loop ------------------------------------------------------------------------------------------------------

    def _loop(self, stop: threading.Event, parts: _Parts) -> None:
        next_look = idle_look = time.monotonic()
        seen, fresh = 0, True
        while not stop.is_set():
            if self._trouble is not None:
                stop.wait(RETRY_S)
                self._collect(0.0)
            else:
                due = next_look if fresh else max(next_look, idle_look)
                self._collect(max(0.0, min(IDLE_S, due - time.monotonic())))
            now_ms = self.clock.now_ms()
            if now_ms >= EARLIEST_MS:  # no period closes, and nothing is given a time, by a clock that was never set
                self._try("readings", self._tick, parts.books)
            fresh = fresh or self.counters.deliveries != seen or self._trouble is not None
            begun = time.monotonic()
            if begun < (next_look if fresh else max(next_look, idle_look)):
                continue
            self._try("findings", self._watch, parts, now_ms)
            self._try("snapshot", self._show, parts, now_ms)
            ended = time.monotonic()
            next_look = max(next_look, begun - CREDIT_S) + (1 + SHARE_OF_TIME) * (ended - begun)
            idle_look = ended + (IDLE_S if parts.publisher.active else STARTING_S)
            seen, fresh = self.counters.deliveries, False

    def _try(self, step: str, work: Callable[..., None], *args: object) -> None:
        """One step of the loop: what goes wrong in it is told, and the other steps go on."""
        try:
            work(*args)
        except Exception as exc:  # an edge of the house style: the loop serves the other boards and points
            self._went_wrong(step, described(exc))

    def _went_wrong(self, step: str, words: str) -> None:
        self.counters.failures += 1
        told, at_s = self._told.get(step, ("", 0.0))
        if told == words and time.monotonic() - at_s < TELL_AGAIN_S:
            return
        self._told[step] = (words, time.monotonic())
        log.error("step %s went wrong: %s", step, words)
        self._events.append(fault_finding(step, words, self.clock.now_ms()))

    def _thread_died(self, died: threading.ExceptHookArgs) -> None:
        """Says in one line what would be a traceback; the thread itself is started again by its source or link."""
        name = died.thread.name if died.thread is not None else "unknown"
        words = described(died.exc_value) if died.exc_value is not None else str(died.exc_type)
        log.error("thread %s ended: %s", name, words)

    def _collect(self, wait_s: float) -> None:
        """Take deliveries from the queue: wait for the first, linger for the rest of its burst."""
        count = sum(len(delivery.readings) for _, delivery in self._held)
        deadline = time.monotonic() + wait_s
        latest = None
        while count < READINGS_AT_ONCE:
            left = deadline - time.monotonic()
            try:
                item = self._queue.get(timeout=left) if left > 0 else self._queue.get_nowait()
            except queue.Empty:
                return
            self._held.append(item)
            count += len(item[1].readings)
            self._wait_for(-len(item[1].readings))
            now = time.monotonic()
            latest = latest or now + LINGER_MOST_S
            deadline = min(now + LINGER_S, latest)

    def _tick(self, books: Bookkeeper) -> None:
        """Keep what is held, then confirm it. What could not be kept stays held and unconfirmed."""
        readings: list[Reading] = [r for _, delivery in self._held for r in delivery.readings]
        for reading in readings:
            if reading.device_time or not reading.old:
                self.clock.saw(reading.at_ms)
        try:
            done = self._keep(books, readings)
        except StoreError as exc:
            self._store_refuses(books, readings, str(exc))
            return
        self._store_takes()
        self._agreement.take(readings)
        if self._hearing is not None:
            self._hearing.take(readings)
        self._agreement.compare(books.state.counters)
        self.counters.ticks += 1
        self.counters.readings += done.readings
        self.counters.figures += done.figures
        for source, delivery in self._held:
            self.counters.deliveries += 1
            if delivery.token is not None:
                source.ack(delivery.token)
        self._held.clear()

    def _keep(self, books: Bookkeeper, readings: list[Reading]) -> Tick:
        """Journal and figures; only the journal for a while after figures went wrong, so that no reading is lost."""
        if time.monotonic() >= self._calm_until:
            try:
                return books.tick(readings, self.clock.now_ms())
            except StoreError:
                raise
            except Exception as exc:
                self._calm_until = time.monotonic() + CALM_S
                self._went_wrong("figures", described(exc))
        done, unfit = books.keep(readings)
        for reading, words in unfit:
            self.counters.unkept += 1
            self._events.append(unkept_finding(reading.point, self.counters.unkept, words, self.clock.now_ms()))
        return done

    # -- a store that refuses ------------------------------------------------------------------------------------------

    def _store_refuses(self, books: Bookkeeper, readings: list[Reading], words: str) -> None:
        """Hold and say so; present values go on from memory, read a second time without being accepted."""
        self.counters.store_failures += 1
        since_s = time.monotonic() if self._trouble is None else self._trouble.since_s
        if self._trouble is None:
            log.error("%s; readings are held and the sources wait", words)
        sources = [] if self._trouble is None else self._trouble.sources
        self._trouble = _Trouble(
            store_finding(self.site.name, words, len(readings), self.clock.now_ms()), since_s, sources
        )
        if not sources and time.monotonic() - since_s > LIVE_AFTER_S:
            sources += [
                live_source(row, self.site, self.clock) for row in _sources(self.site) if row.protocol == "mqtt"
            ]
            for source in sources:
                source.start(self._look_from(source))
        pipeline.take_live(books.state, readings)
        while self._live:
            pipeline.take_live(books.state, self._live.popleft().readings)

    def _look_from(self, source: MqttSource) -> Callable[[Delivery], None]:
        def look(delivery: Delivery) -> None:
            self._live.append(delivery)
            source.ack(delivery.token)

        return look

    def _store_takes(self) -> None:
        if self._trouble is None:
            return
        log.warning("the store takes readings again")
        for source in self._trouble.sources:
            source.stop(RETRY_S)
        self._trouble = None
        self._live.clear()

    # -- findings and the live picture ---------------------------------------------------------------------------------

    def _watch(self, parts: _Parts, now_ms: int) -> None:
        """Findings once a second: what holds now, and what registers did."""
        books, findings = parts.books, parts.alarms.keeper
        if (found := parts.night.look(books.state.closed_to)) is not None:
            findings.report("drift", found)
            with parts.store.transaction():
                parts.store.drift_days.keep(parts.night.fresh())
        events = [f for channel, event in books.state.events if (f := event_finding(channel, event)) is not None]
        events += self._events
        if not events and time.monotonic() < self._findings_due:
            return
        self._findings_due = time.monotonic() + IDLE_S
        conditions = self._conditions(parts, now_ms)
        if now_ms < EARLIEST_MS:
            return  # the publisher says so on the screen; nothing can be written under such a time
        for subject, words in books.state.failed_boards.items():
            self._went_wrong(subject, words)
        books.state.failed_boards.clear()
        books.state.events.clear()
        self._events = []
        before = {finding.id for finding in findings.open}
        try:
            parts.alarms.look(conditions, events, now_ms)
        except StoreError as exc:
            if self._trouble is None:
                log.error("findings not kept: %s", exc)
        for finding in findings.open:
            if finding.id not in before:
                log.warning("finding %s: %s", finding.id, finding.text)
        for name in before - {finding.id for finding in findings.open}:
            log.info("finding %s is over", name)

    def _conditions(self, parts: _Parts, now_ms: int) -> list[Finding]:
        state, hearing = parts.books.state, parts.alarms.hearing
        self._begun_ms = self._begun_ms or now_ms
        conditions = stale_points(
            self.site, {**state.counters, **state.instant}, now_ms, self._begun_ms, heard=hearing.arrivals()
        )
        conditions += staleness_findings(hearing.stale(now_ms))
        balances = parts.books.closed.values()
        conditions += standing_hints(balances, hearing, balance_findings(balances))
        conditions += with_reason(parts.publisher.findings(), parts.watches)
        conditions += set_aside_findings(state.failed, now_ms)
        conditions += self._sharer.findings if self._sharer is not None else ()
        conditions += agreement_findings(self._agreement.found)
        conditions += demand_findings(self.snapshot) if self.snapshot is not None else []
        for watch in parts.watches:
            self._stand_back(watch, parts.publisher)
            conditions += watch.look(now_ms)
        if parts.feed is not None:
            conditions += parts.feed.look(parts.store, now_ms)
        if words := self.clock.doubt():
            conditions.append(clock_finding(words, self.site.name, now_ms))
        if self._trouble is not None:
            conditions.append(self._trouble.finding)
        if self.clock.steps_back() != self._steps_back:
            self._steps_back = self.clock.steps_back()
            parts.books.reopen(now_ms)
        return conditions

    def _stand_back(self, watch: SourceWatch, publisher: Publisher) -> None:
        """Of two daemons with one client id only the one that publishes goes on reading."""
        if watch.resting and publisher.active:
            source = watch.wake()
            source.start(self._deliver_from(source))
        elif watch.flaps and not watch.resting and any(f.cause == SECOND for f in publisher.findings()):
            watch.rest(RETRY_S)

    def _show(self, parts: _Parts, now_ms: int) -> None:
        """The live picture: made, offered to the network, and kept for whoever looks."""
        books, publisher = parts.books, parts.publisher
        self.snapshot = pipeline.snapshot(
            books.state, now_ms, closed=books.closed, pv_day=books.pv_day(now_ms), findings=parts.alarms.keeper.open
        )
        if self._sharer is not None:
            self.snapshot = self._sharer.step(self.snapshot)
        publisher.offer(self.snapshot)
        self.counters.snapshots += 1
        if self.on_snapshot is not None:
            self.on_snapshot(self.snapshot)
        if publisher.epoch != self._epoch:
            self._epoch = publisher.epoch
            self._keep_epoch(parts)

    # -- the end -------------------------------------------------------------------------------------------------------

    def _wind_up(self, parts: _Parts) -> None:
        """Newest source first; then everything they delivered is kept and confirmed before their links close."""
        live = [] if self._trouble is None else self._trouble.sources
        self._collect(0.0)
        self._try("readings", self._tick, parts.books)
        limit_s = self.site.limits.stop_limit_s / 2 / (len(parts.watches) + len(live) or 1)
        for source in [*live, *(watch.source for watch in reversed(parts.watches))]:
            source.stop(limit_s)
        self._collect(0.0)
        self._try("readings", self._tick, parts.books)
        if self._sharer is not None:
            self._sharer.close()
        self._keep_epoch(parts)

    def _keep_epoch(self, parts: _Parts) -> None:
        try:
            with parts.store.transaction():
                parts.store.set_fact("epoch", str(parts.publisher.epoch))
                parts.store.set_fact("sequence", str(parts.publisher.sequence))
        except StoreError as exc:
            log.error("epoch not kept: %s", exc)


def _outlet(broker: Broker) -> SourceRow:
    return SourceRow("out", "mqtt", (("client_id", broker.client_id),) if broker.client_id else ())


def _sources(site: Site) -> list[SourceRow]:
    used = {row.source for row in site.inputs}
    return [row for row in site.sources if row.name in used]


def _source(row: SourceRow, site: Site, clock: Clock) -> Source:
    return PROTOCOLS[row.protocol].source(row, site, clock=clock.now_ms)


def store_path(plan: Path, site: Site) -> Path:
    """Where the store of a plan lies: beside the plan unless it says otherwise."""
    folder = plan if plan.is_dir() else plan.parent
    return folder / (site.store_path or f"{site.name}.sqlite")
