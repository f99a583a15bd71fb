"""What the daemon costs at the pace of a real site, and whether it holds the largest one."""

import time
from dataclasses import dataclass
from pathlib import Path

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
    """Shares of one core; memory in MB; readings sent and not yet committed; seconds from sending to the topic."""

    cpu: float
    rss: float
    peak: float
    backlog: float
    latency: list[float]


def measure(pace: Pace, folder: Path) -> Cost:
    """Run the daemon beside a paced publisher; nothing may be lost."""
    wide, store = pace.wide, folder / "wide.sqlite"
    registers = len(wide.registers)
    arguments = (wide.points, ",".join(wide.registers), 1, pace.rounds + 1, wide.step_ms, 1 / pace.period_s, 1)
    with Mosquitto(BROKER) as broker, daemon(wide.plan(folder, broker.port), store, trial=False) as process:
        now_ms = time.time_ns() // 1_000_000
        wait_subscribed(broker.port, f"meters/{wide.names[-1]}", wide.payload(wide.points - 1, 0, now_ms))
        with client(broker.port) as watcher, child(module("tests.bench.blast", broker.port, *arguments)) as sender:
            latency: list[float] = []
            watcher.on_message = lambda _c, _d, m: latency.append(time.time() - _time_of(m.payload))
            begun = time.monotonic()
            time.sleep(pace.skip_s)
            watcher.subscribe(f"energy/wide/point/{wide.names[-1]}/import", qos=1)
            used, since = cpu_s(process.pid), time.monotonic()
            backlogs = []
            while sender.poll() is None:
                sent = min(pace.rounds, int((time.monotonic() - begun) / pace.period_s) + 1) * wide.points * registers
                backlogs.append(float(sent - journal_rows(store)))
                time.sleep(0.1)
            share = (cpu_s(process.pid) - used) / (time.monotonic() - since)
            wait_rows(store, registers * (1 + pace.rounds * wide.points), 120.0)
        return Cost(
            share, memory_mb(process.pid), memory_mb(process.pid, "VmHWM"), percentile(backlogs, 0.5), latency[1:]
        )


def _time_of(payload: bytes | bytearray) -> float:
    return parse(bytes(payload)).at_ms / 1000


def test_cost_of_a_usual_site(full: bool, report: list[Line], tmp_path: Path) -> None:
    """40 points every 10 s are all kept."""
    wide = Wide(40)
    cost = measure(Pace(wide, 10.0, 15, 15.0) if full else Pace(wide, 0.5, 6, 0.5), tmp_path)
    report.append(Line("cost", "40 points every 10 s, share of a core", f"{cost.cpu:.1%}", aim="< 5 %"))
    report.append(
        Line("cost", "40 points every 10 s, RSS (peak)", f"{cost.rss:.0f} ({cost.peak:.0f}) MB", aim="< 150 MB")
    )


def test_the_largest_site_is_held(full: bool, report: list[Line], tmp_path: Path) -> None:
    """1,000 points every second are all kept."""
    wide = Wide(1000, ("1.8.0", "16.7.0"), 1000)
    cost = measure(Pace(wide, 1.0, 75, 15.0) if full else Pace(wide, 1.0, 4, 1.0), tmp_path)
    name = "1,000 points x 2 registers every second"
    report.append(Line("cost", f"{name}, share of a core", f"{cost.cpu:.1%}", note="nothing lost"))
    report.append(Line("cost", f"{name}, RSS (peak)", f"{cost.rss:.0f} ({cost.peak:.0f}) MB"))
    report.append(Line("cost", f"{name}, readings not yet kept, median", f"{cost.backlog:.0f}"))
    if cost.latency:
        median, late = percentile(cost.latency, 0.5), percentile(cost.latency, 0.99)
        report.append(Line("cost", f"{name}, reading -> topic, median (p99)", f"{median:.2f} ({late:.2f}) s"))
