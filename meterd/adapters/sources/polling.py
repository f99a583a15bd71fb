"""Instruments that are asked: one thread per line, a monotonic grid per station, growing random delays where nobody answers.

A line is one connection (a meter, or a gateway with many behind it); its stations are the instruments on it. A silent
station waits alone; a line that cannot be opened waits as a whole; nothing here ever waits for another source.
"""

import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from operator import attrgetter
from typing import Protocol

from meterd.adapters.runtime.backoff import backoff_s
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.sources import CLOCK_SET_MS, Delivery, RefusalLog, Refused
from meterd.adapters.sources.serial_port import LineOptions, line_faults
from meterd.adapters.sources.tcp import LineLost, NoAnswer
from meterd.adapters.sources.values import AnswerValues
from meterd.core.errors import ConfigError, SourceError, described
from meterd.core.model.reading import Reading

RETRY_FIRST_S = 1.0  # a device that restarts is back within seconds
# readings of stations asked one after the other are handed over together: the loop is woken once, not for each
TOGETHER_S = 0.02
HELD_S = 0.05  # between two offers to a loop whose queue is full
HIGHEST_PORT = 65_535
SHORTEST_PERIOD_S = 0.1
LONGEST_TIMEOUT_S = 10.0  # a stop has to wait for it in the worst case
COUNTS = (
    "polls", "readings", "not_available", "timeouts", "lost", "connects", "unreachable", "garbage", "declined",
    "skipped", "held", "failures", "clock_unset",
)  # fmt: skip


class Garbage(SourceError):
    """An answer came, but it cannot be one: wrong check sum, wrong length, another's address."""


class Line(Protocol):
    """One connection and the instruments on it. `abort` may be called from any thread, the rest from one."""

    def stations(self) -> tuple[str, ...]:
        """Names of the instruments on it."""

    def open(self) -> None:
        """Connect; OSError or SourceError if that fails."""

    def is_open(self) -> bool:
        """Whether it may be read."""

    def close(self) -> None:
        """Close; what is still on the way is never seen."""

    def abort(self) -> None:
        """Wake the thread that waits for an answer."""

    def read(self, station: str) -> AnswerValues:
        """Ask one instrument. NoAnswer, Garbage or LineLost if that fails."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How often, and how long to wait between attempts at most. Period 0: the instrument sends on its own."""

    period_s: float
    retry_max_s: float


def common_faults(options: LineOptions) -> list[str]:
    """What no polled source can work with."""
    if options.serial_port:
        faults = line_faults(options)
        if options.host:
            faults.append("options host and serial_port exclude each other; leave one out")
    else:
        faults = host_faults(options.host, options.port)
    return faults + pace_faults(options.period_s, options.timeout_s, options.retry_max_s)


def host_faults(host: str, port: int) -> list[str]:
    """What is wrong with the address of a device."""
    faults = []
    if not host:
        faults.append('option host is missing; add host = "10.0.0.5"')
    if not 1 <= port <= HIGHEST_PORT:
        faults.append("option port is 1 to 65535")
    return faults


def pace_faults(period_s: float, timeout_s: float, retry_max_s: float) -> list[str]:
    """What is wrong with the times of a source."""
    faults = []
    if not SHORTEST_PERIOD_S <= period_s <= 86_400:
        faults.append(f"option period_s is {SHORTEST_PERIOD_S} to 86400 seconds")
    if not 0.05 <= timeout_s <= LONGEST_TIMEOUT_S:
        faults.append(f"option timeout_s is 0.05 to {LONGEST_TIMEOUT_S:g} seconds")
    if not 0.05 <= retry_max_s <= 86_400:
        faults.append("option retry_max_s is 0.05 to 86400 seconds")
    return faults


def refuse(name: str, faults: list[str]) -> None:
    """ConfigError that names all faults of a source, if there are any."""
    if faults:
        raise ConfigError(f"source {name}: " + "; ".join(faults))


@dataclass(slots=True)
class Visit:
    """When a station is due, on its own grid, and how often in a row it did not answer."""

    station: str
    due: float
    failures: int = 0


_DUE = attrgetter("due")


class PolledSource:
    """A Source that asks the stations of one line. Subclasses bring settings and line."""

    def __init__(self, name: str, line: Line, pace: Pace, clock: Callable[[], int]) -> None:
        self.name = name
        self._clock = clock
        self._line = line
        self._pace = pace
        self._log = RefusalLog()
        self._stopping = threading.Event()
        self._worker: Worker | None = None
        self._counts = dict.fromkeys(COUNTS, 0)
        self._pending: list[Reading] = []  # taken and not handed over yet
        self._pending_since = 0.0
        self.error = ""  # why the last attempt failed; empty after a good one

    def start(self, deliver: Callable[[Delivery], None]) -> None:
        """Begin to ask, on an own thread."""
        self._worker = Worker(f"source-{self.name}", partial(self._work, deliver), self._stopping)
        self._worker.start()

    def revive(self) -> bool:
        """Start the worker again if it has died; it connects anew."""
        return self._worker is not None and self._worker.revive()

    def state(self) -> None:
        """No broker."""
        return

    def stop(self, limit_s: float) -> None:
        """End after the answer at hand; whoever waits is woken."""
        self._stopping.set()
        worker = self._worker
        deadline = time.monotonic() + limit_s
        while worker is not None and worker.alive and time.monotonic() < deadline:
            self._line.abort()  # again and again: the thread may just be connecting anew
            worker.join(0.05)

    def alive(self) -> bool:
        """Whether the worker runs."""
        return self._worker is not None and self._worker.alive

    def ack(self, token: object) -> None:
        """Nothing to confirm: a counter is simply read again."""

    def counters(self) -> Mapping[str, int]:
        """Whole numbers since the start."""
        return {**self._counts, "refused_values": self._log.total()}

    def refused(self) -> Mapping[tuple[str, str], Refused]:
        """What was refused, per (point, register)."""
        return self._log.snapshot()

    # -- the worker ----------------------------------------------------------------------------------------------------

    def _work(self, deliver: Callable[[Delivery], None]) -> None:
        begun = time.monotonic()
        visits = [Visit(station, begun) for station in self._line.stations()]
        failures, closed_until = 0, begun
        self._pending = []
        try:
            while visits and not self._stopping.is_set():
                visit = min(visits, key=_DUE)
                now = time.monotonic()
                ahead = max(visit.due, closed_until) - now
                if self._pending and (ahead > 0 or self._may_wait(visit) or now - self._pending_since > TOGETHER_S):
                    self._hand_over(deliver)
                if ahead > 0 and self._stopping.wait(ahead):
                    return
                if not self._line.is_open() and not self._opened():
                    failures += 1
                    closed_until = time.monotonic() + self._delay(failures)
                    continue
                failures = 0
                self._visit(visit)
        finally:
            self._line.close()

    def _opened(self) -> bool:
        try:
            self._line.open()
        except (OSError, SourceError) as exc:
            self._line.close()
            self._counts["unreachable"] += 1
            self.error = str(exc)
            return False
        self._counts["connects"] += 1
        return True

    def _may_wait(self, visit: Visit) -> bool:
        """Whether the next look takes its time: a station that was silent, one that sends on its own, a line to be opened."""
        return visit.failures > 0 or not self._pace.period_s or not self._line.is_open()

    def _visit(self, visit: Visit) -> None:
        self._counts["polls"] += 1
        begun = time.monotonic()  # a slow line hands over after each station
        try:
            taken = self._line.read(visit.station)
        except NoAnswer as exc:
            self._failed(visit, "timeouts", str(exc))
        except Garbage as exc:
            self._line.close()  # the rest of it must not be taken for the next answer
            self._failed(visit, "garbage", str(exc))
        except (LineLost, OSError) as exc:
            self._line.close()
            self._failed(visit, "lost", str(exc))
        except Exception as exc:  # the edge to a foreign library: counted, and the thread goes on
            self._line.close()
            self._failed(visit, "failures", described(exc))
        else:
            visit.failures, self.error = 0, ""
            self._next(visit)
            self._log.add(taken.refusals)
            self._counts["not_available"] += taken.missing
            self._counts["declined"] += taken.declined
            self._counts["garbage"] += taken.garbage
            if self._clock() < CLOCK_SET_MS:
                self._counts["clock_unset"] += 1  # values without a time; the next poll has them again
            elif taken.readings:
                if not self._pending:
                    self._pending_since = begun
                self._pending += taken.readings

    def _hand_over(self, deliver: Callable[[Delivery], None]) -> None:
        readings, self._pending = tuple(self._pending), []
        self._deliver(Delivery(readings), deliver)

    def _failed(self, visit: Visit, kind: str, reason: str) -> None:
        if self._stopping.is_set():
            return
        self._counts[kind] += 1
        self.error = reason
        visit.failures += 1
        self._next(visit)
        visit.due = max(visit.due, time.monotonic() + self._delay(visit.failures))

    def _next(self, visit: Visit) -> None:
        """The next moment of the grid that is still ahead: a late poll is left out and never made up for."""
        if not self._pace.period_s:
            visit.due = time.monotonic()
            return
        behind = int((time.monotonic() - visit.due) // self._pace.period_s)
        if behind > 0 and not visit.failures:
            self._counts["skipped"] += behind
        visit.due += (max(0, behind) + 1) * self._pace.period_s

    def _delay(self, failures: int) -> float:
        """Growing and random, so that a hundred meters behind one switch do not all come back at once."""
        return backoff_s(failures, first_s=RETRY_FIRST_S, most_s=self._pace.retry_max_s, spread=(0.5, 1.0))

    def _deliver(self, delivery: Delivery, deliver: Callable[[Delivery], None]) -> None:
        held = False
        while not self._stopping.is_set():
            try:
                deliver(delivery)
            except queue.Full:
                self._counts["held"] += 1
                held = True
                self._stopping.wait(HELD_S)
            else:
                self._counts["readings"] += len(delivery.readings)
                break
        if held:
            self._line.close()  # what came meanwhile is old, and its time would be taken for now
