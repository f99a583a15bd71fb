"""The loop of one plan: it owns state and store. One tick is one transaction.

queue of deliveries -> tick (journal, figures, books; committed) -> acknowledge -> snapshot -> publish
"""

import logging
import threading
import time

from meterd import pipeline
from meterd.app.keeping import RETRY_S, Keeping
from meterd.app.logs import about
from meterd.app.parts import Parts, Standing
from meterd.app.watcher import IDLE_S, Watcher
from meterd.errors import StoreError
from meterd.message import EARLIEST_MS

log = logging.getLogger("meterd")

STARTING_S = 0.1  # between two looks until we publish: a take-over is made of several
SHARE_OF_TIME = 4.0  # after a snapshot the loop takes at least this many times its duration for other work
CREDIT_S = 0.5  # saved up while nothing came: the readings that complete a set need not wait for the share


class Loop:
    """Works for one plan until it is told to end, then winds up in order."""

    def __init__(self, parts: Parts, standing: Standing) -> None:
        self._parts, self._standing = parts, standing
        self.keeping = Keeping(parts, standing)
        self.watcher = Watcher(parts, standing, self.keeping)
        self._epoch = 0

    def run(self, stop: threading.Event) -> None:
        """Start the sources and work until `stop` or `ending`; sources end first, then the queue is emptied."""
        try:
            for watch in self._parts.watches:
                watch.source.start(self.watcher.deliver_from(watch))
            self._work(stop)
        finally:
            self._wind_up()

    def _work(self, stop: threading.Event) -> None:
        standing, parts, counters = self._standing, self._parts, self._standing.counters
        next_look = idle_look = time.monotonic()
        seen, fresh = 0, True
        while not stop.is_set() and (self.keeping.trouble is not None or not standing.ending()):
            standing.steps.begin("wait")
            if self.keeping.trouble is not None:
                stop.wait(RETRY_S)
                standing.intake.collect(0.0)
            else:
                due = next_look if fresh else max(next_look, idle_look)
                standing.intake.collect(max(0.0, min(IDLE_S, due - time.monotonic())))
            now_ms = standing.clock.now_ms()
            if now_ms >= EARLIEST_MS:  # no period closes, and nothing is given a time, by a clock that was never set
                standing.steps.attempt("readings", self.keeping.tick)
            fresh = fresh or counters.deliveries != seen or self.keeping.trouble is not None
            begun = time.monotonic()
            if begun < (next_look if fresh else max(next_look, idle_look)):
                continue
            standing.steps.attempt("findings", self.watcher.look, now_ms)
            standing.steps.attempt("snapshot", self.show, now_ms)
            ended = time.monotonic()
            next_look = max(next_look, begun - CREDIT_S) + (1 + SHARE_OF_TIME) * (ended - begun)
            idle_look = ended + (IDLE_S if parts.publisher.active else STARTING_S)
            seen, fresh = counters.deliveries, False

    def show(self, now_ms: int) -> None:
        """The live picture: made, offered to the network, and kept for whoever looks."""
        parts, books = self._parts, self._parts.books
        shot = pipeline.snapshot(
            books.state, now_ms, closed=books.closed, pv_day=books.pv_day(now_ms), findings=parts.alarms.keeper.open
        )
        shot = parts.sharer.step(shot)
        self.watcher.snapshot = shot
        parts.publisher.offer(shot)
        if (outage := parts.publisher.outage()) is not None:
            words = f"broker link was down {outage.down_s:.1f} s, {outage.values} values sent again"
            log.warning("%s", words, extra=about("broker-back", parts.site.name))
        self._standing.counters.snapshots += 1
        self._standing.show(shot)
        if parts.publisher.epoch != self._epoch:
            self._epoch = parts.publisher.epoch
            self._keep_epoch()

    def _wind_up(self) -> None:
        """Newest source first; then everything they delivered is kept and confirmed before their links close."""
        parts, intake, steps = self._parts, self._standing.intake, self._standing.steps
        trouble = self.keeping.trouble
        live = [] if trouble is None else trouble.sources
        intake.collect(0.0)
        steps.attempt("readings", self.keeping.tick)
        limit_s = parts.site.limits.stop_limit_s / 2 / (len(parts.watches) + len(live) or 1)
        for source in [*live, *(watch.source for watch in reversed(parts.watches))]:
            source.stop(limit_s)
        intake.collect(0.0)
        steps.attempt("readings", self.keeping.tick)
        parts.sharer.close()
        self._keep_epoch()

    def _keep_epoch(self) -> None:
        store, publisher = self._standing.store, self._parts.publisher
        try:
            with store.transaction():
                store.set_fact("epoch", str(publisher.epoch))
                store.set_fact("sequence", str(publisher.sequence))
        except StoreError as exc:
            log.error("epoch not kept: %s", exc, extra=about("store-refuses", self._parts.site.name))
