"""A source under test: its plan of one line, what it delivered, and waiting for it."""

import queue
import time
from collections.abc import Iterator
from contextlib import contextmanager

from meterd.adapters.sources import Delivery
from meterd.adapters.sources.polling import PolledSource
from meterd.core.model.plan import Input, Site, Source
from meterd.core.model.reading import Reading

Option = str | int | float | bool
FAST: dict[str, Option] = {"host": "127.0.0.1", "period_s": 0.1, "timeout_s": 0.3, "retry_max_s": 0.2}


def plan(protocol: str, port: int, inputs: tuple[Input, ...], /, **options: Option) -> Site:
    """A site with one source `line` at that port, polled fast."""
    merged = {**FAST, "port": port, **options}
    return Site(
        "harrow-mill", "Europe/London", inputs=inputs, sources=(Source("line", protocol, tuple(merged.items())),)
    )


class Taking:
    """Everything a source delivers."""

    def __init__(self, source: PolledSource) -> None:
        self.source = source
        self.deliveries: queue.Queue[Delivery] = queue.Queue()
        self.seen: list[Reading] = []
        self._waiting: list[Reading] = []

    def reading(self, point: str = "", register: str = "", limit_s: float = 5.0) -> Reading:
        """The next reading of that point and register; empty stands for any."""
        deadline = time.monotonic() + limit_s
        while True:
            while self._waiting:
                reading = self._waiting.pop(0)
                self.seen.append(reading)
                if point in ("", reading.point) and register in ("", reading.register):
                    return reading
            self._waiting += self.deliveries.get(timeout=max(0.01, deadline - time.monotonic())).readings

    def drain(self) -> list[Reading]:
        """All readings that are there now."""
        readings, self._waiting = self._waiting, []
        while not self.deliveries.empty():
            readings += self.deliveries.get().readings
        self.seen += readings
        return readings


@contextmanager
def running(source: PolledSource) -> Iterator[Taking]:
    """The source, started; stopped at the end, within its limit."""
    taking = Taking(source)
    source.start(taking.deliveries.put)
    try:
        yield taking
    finally:
        begun = time.monotonic()
        source.stop(5)
        assert not source.alive()
        assert time.monotonic() - begun < 2
