"""What the daemon costs at the pace of a real site, and whether it holds the largest one."""

import time
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from meterd.core.topics.message import parse
from tests.bench.rig import (
    BROKER,
    child,
    client,
    cpu_s,
    daemon,
    journal_rows,
    memory_mb,
    module,
    wait_rows,
    wait_subscribed,
)
from tests.bench.site import Wide
from tests.bench.table import Line, percentile
from tests.brokers import Mosquitto

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]


@dataclass(frozen=True, slots=True)
class Pace:
    """A site and how often all of it is read. The first seconds (catalogue, full set) are not counted."""

    wide: Wide
    period_s: float
    rounds: int
    skip_s: float


@dataclass(frozen=True, slots=True)
class Cost:
    """Shares of one core; memory in MB; readings sent and not yet committed; seconds from sending to the topic.

    `topics` is how many points' topics came, `silent_s` the longest time in which one of them did not.
    """

    cpu: float
    rss: float
    peak: float
    backlog: float
    latency: list[float]
    topics: int
    silent_s: float


class Watch:
    """A subscriber of one topic of every point: how late the last point's is, and how long each was silent."""

    def __init__(self, item: paho.Client, last: str) -> None:
        self.latency: list[float] = []
        self._last = f"energy/wide/point/{last}/import"
        self._seen: dict[str, float] = {}
        self._longest_s = 0.0
        item.on_message = self._hear

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        now_s = time.time()
        self._longest_s = max(self._longest_s, now_s - self._seen.get(message.topic, now_s))
        self._seen[message.topic] = now_s
        if message.topic == self._last:
            self.latency.append(now_s - parse(bytes(message.payload)).at_ms / 1000)

    def silence(self) -> tuple[int, float]:
        """How many topics came, and the longest time without one of them, up to now."""
        now_s = time.time()
        return len(self._seen), max([self._longest_s, *(now_s - at_s for at_s in self._seen.values())])


def measure(pace: Pace, folder: Path) -> Cost:
    """Run the daemon beside a paced publisher; nothing may be lost."""
    wide, store = pace.wide, folder / "wide.sqlite"
    registers = len(wide.registers)
    arguments = (wide.points, ",".join(wide.registers), 1, pace.rounds + 1, wide.step_ms, 1 / pace.period_s, 1)
    with Mosquitto(BROKER) as broker, daemon(wide.plan(folder, broker.port), store, trial=False) as process:
        now_ms = time.time_ns() // 1_000_000
        wait_subscribed(broker.port, f"meters/{wide.names[-1]}", wide.payload(wide.points - 1, 0, now_ms))
        with client(broker.port) as watcher, child(module("tests.bench.blast", broker.port, *arguments)) as sender:
            watch = Watch(watcher, wide.names[-1])
            begun = time.monotonic()
            time.sleep(pace.skip_s)
            watcher.subscribe("energy/wide/point/+/import", qos=1)
            used, since = cpu_s(process.pid), time.monotonic()
            backlogs = []
            while sender.poll() is None:
                sent = min(pace.rounds, int((time.monotonic() - begun) / pace.period_s) + 1) * wide.points * registers
                backlogs.append(float(sent - journal_rows(store)))
                time.sleep(0.1)
            share = (cpu_s(process.pid) - used) / (time.monotonic() - since)
            silence = watch.silence()
            wait_rows(store, registers * (1 + pace.rounds * wide.points), 120.0)
        memory = (memory_mb(process.pid), memory_mb(process.pid, "VmHWM"))
        return Cost(share, *memory, percentile(backlogs, 0.5), watch.latency[1:], *silence)


def test_cost_of_a_usual_site(full: bool, report: list[Line], tmp_path: Path) -> None:
    """40 points every 10 s are all kept."""
    wide = Wide(40)
    cost = measure(Pace(wide, 10.0, 15, 15.0) if full else Pace(wide, 0.5, 6, 0.5), tmp_path)
    report.append(Line("cost", "40 points every 10 s, share of a core", f"{cost.cpu:.1%}", aim="< 5 %"))
    report.append(
        Line("cost", "40 points every 10 s, RSS (peak)", f"{cost.rss:.0f} ({cost.peak:.0f}) MB", aim="< 150 MB")
    )


LARGE = Wide(1000, ("1.8.0", "16.7.0"), 1000)
LARGEST = Wide(5000, ("1.8.0", "16.7.0"), 5000)


def test_the_largest_sites_are_held(full: bool, report: list[Line], tmp_path: Path) -> None:
    """1,000 points every second, or 5,000 every five, are all kept; how long a topic of a point is silent meanwhile."""
    paces = [Pace(LARGE, 1.0, 75, 15.0), Pace(LARGEST, 5.0, 24, 60.0)] if full else [Pace(LARGE, 1.0, 4, 1.0)]
    for pace in paces:
        folder = tmp_path / str(pace.wide.points)
        folder.mkdir()
        cost = measure(pace, folder)
        report_large(f"{pace.wide.points:,} points x 2 registers every {pace.period_s:g} s", cost, report)


def report_large(name: str, cost: Cost, report: list[Line]) -> None:
    """The lines of one large site."""
    report.append(Line("cost", f"{name}, share of a core", f"{cost.cpu:.1%}", note="nothing lost"))
    report.append(Line("cost", f"{name}, RSS (peak)", f"{cost.rss:.0f} ({cost.peak:.0f}) MB"))
    report.append(Line("cost", f"{name}, readings not yet kept, median", f"{cost.backlog:.0f}"))
    silence = f"{cost.silent_s:.1f} s; {cost.topics:,}"
    report.append(Line("cost", f"{name}, longest silence of a point's topic; topics that came", silence, aim="< 30 s"))
    if cost.latency:
        median, late = percentile(cost.latency, 0.5), percentile(cost.latency, 0.99)
        report.append(Line("cost", f"{name}, reading -> topic, median (p99)", f"{median:.2f} ({late:.2f}) s"))
