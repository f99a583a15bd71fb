"""The queue between the sources' threads and the loop. It outlives a change of the plan: what is held is still kept."""

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from meterd.adapters.sources import Delivery, Source
from meterd.app.daemon.step_runner import Counters

DELIVERIES = 2_000  # waiting for the loop; a full queue slows the sources down, and they their brokers
LINGER_S = 0.01  # a tick waits for so long a silence: readings of one burst share a commit (4 ms) and a snapshot
LINGER_MOST_S = 0.05  # and never longer than this
LINGER_READINGS = 1_000  # with so many at hand nothing is won by waiting: a broker may wait for their confirmation
READINGS_AT_ONCE = 20_000  # more save little; on a slow machine a tick takes less, so that values go out meanwhile
LEAST_AT_ONCE = 500
TICK_S = 1.0  # a tick that keeps many readings should take no longer


def _nothing() -> None:
    """Nothing is to be done between two deliveries."""


@dataclass(slots=True)
class Inbox:
    """Deliveries that wait, and those in the hands of the loop until they are stored and confirmed."""

    counters: Counters
    held: list[tuple[Source, Delivery]] = field(default_factory=list)  # belongs to the loop
    readings: int = 0  # in the queue
    at_once: int = READINGS_AT_ONCE  # how many readings a tick takes at most
    heard_s: dict[str, float] = field(default_factory=dict)  # source -> steady second of its last delivery
    _queue: "queue.Queue[tuple[Source, Delivery]]" = field(default_factory=lambda: queue.Queue(DELIVERIES))
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def deliveries(self) -> int:
        """Deliveries in the queue."""
        return self._queue.qsize()

    def of(self, name: str, source: Source, limit: int) -> Callable[[Delivery], None]:
        """What a source calls with each delivery; at most `limit` readings wait, all sources together."""

        def deliver(delivery: Delivery) -> None:
            if self.readings >= limit:
                self.counters.turned_away += 1
                raise queue.Full  # the source holds it and slows its broker down
            self._queue.put((source, delivery), timeout=0.5)
            self._count(len(delivery.readings))
            self.heard_s[name] = time.monotonic()

        return deliver

    def _count(self, more: int) -> None:
        with self._lock:
            self.readings += more

    def took(self, readings: int, seconds: float) -> None:
        """A tick of so many readings took so long: the next ones are as large as this machine can take in `TICK_S`."""
        if seconds > TICK_S:
            self.at_once = max(LEAST_AT_ONCE, min(self.at_once, round(readings * TICK_S / seconds)))
        elif seconds < TICK_S / 2 and readings >= self.at_once:
            self.at_once = min(READINGS_AT_ONCE, self.at_once * 2)

    def _next(self, wait_s: float) -> tuple[Source, Delivery] | None:
        try:
            return self._queue.get(timeout=wait_s) if wait_s > 0 else self._queue.get_nowait()
        except queue.Empty:
            return None

    def collect(self, wait_s: float, at_lull: Callable[[], None] = _nothing) -> None:
        """Take deliveries from the queue: wait for the first, linger for the rest of its burst unless there are many.

        `at_lull` is called whenever all that was in the queue has been taken.
        """
        count = sum(len(delivery.readings) for _, delivery in self.held)
        deadline = time.monotonic() + wait_s
        latest = None
        while count < self.at_once:
            item = self._next(0.0)
            if item is None and latest is not None:
                at_lull()
                if count >= LINGER_READINGS:
                    return
            item = item or self._next(deadline - time.monotonic())
            if item is None:
                return
            self.held.append(item)
            count += len(item[1].readings)
            self._count(-len(item[1].readings))
            now = time.monotonic()
            latest = latest or now + LINGER_MOST_S
            deadline = min(now + LINGER_S, latest)
