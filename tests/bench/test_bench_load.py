"""Whether the daemon holds its largest site for long: nothing lost, totals equal, memory flat."""

import json
import sqlite3
import statistics
import subprocess
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from meterd.core.model.reading import IMPORT, POWER
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
from tests.bench.site import START_MS, Wide
from tests.bench.table import Line, percentile
from tests.brokers import Mosquitto

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(2400)]
# growth after the first quarter hour, which fills the lines of breakpoints of all registers: 5 % of all the daemon has by then
FLAT_MB = 16.0
FILLED_MIN = 16.0  # simulated minutes until they are full for the first time
SUBSCRIBERS = 300
SWING_W = 50  # more than the dead band, so that every reading is reported
REGISTERS = (IMPORT, POWER)


@dataclass(frozen=True, slots=True)
class Kept:
    """What the journal holds of one register: number of readings and their sum as read (mWh, W)."""

    rows: int
    total: float


def kept(store: Path) -> dict[tuple[str, str], Kept]:
    """Of every register, read beside the daemon."""
    ask = (
        "SELECT c.point, c.register, COUNT(*), SUM(r.value) FROM reading r JOIN channel c ON c.id = r.channel"
        " GROUP BY c.point, c.register"
    )
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as db:
        return {(point, register): Kept(rows, total) for point, register, rows, total in db.execute(ask)}


def sent(wide: Wide, steps: range, extra: int | None = None) -> dict[tuple[str, str], Kept]:
    """The same, of what was sent: these steps of all points, and the probe's step of the last one."""
    kepts = {}
    for i, name in enumerate(wide.names):
        mine = [*steps, *([extra] if extra is not None and i == wide.points - 1 else [])]
        counted = sum(1_000_000_000 + 1000 * wide.wh_per_step(i) * k for k in mine)
        kepts[name, IMPORT] = Kept(len(mine), counted)
        kepts[name, POWER] = Kept(len(mine), sum(wide.power_w(i, k) for k in mine))
    return kepts


@dataclass(frozen=True, slots=True)
class Sample:
    """Resident memory after so many simulated minutes."""

    minute: float
    mb: float


def growth_mb(samples: list[Sample]) -> float | None:
    """Growth of memory since the register lines were full: median of the last quarter above that of the first one."""
    later = [sample.mb for sample in samples if sample.minute >= FILLED_MIN]
    quarter = len(later) // 4
    return statistics.median(later[-quarter:]) - statistics.median(later[:quarter]) if quarter else None


def test_soak_of_half_an_hour_keeps_memory_flat(full: bool, report: list[Line], tmp_path: Path) -> None:
    """1,000 points each second of a simulated half hour, as fast as they are taken: every total equal, memory flat."""
    wide, rounds = Wide(1000, REGISTERS, 1000, group=100, swing_w=SWING_W), 1800 if full else 30
    arguments = (wide.points, ",".join(REGISTERS), 1, rounds + 1, wide.step_ms, 0, 0, wide.group, wide.swing_w)
    store = tmp_path / "wide.sqlite"
    with Mosquitto(BROKER) as broker:
        plan = wide.plan(tmp_path, broker.port, future_s=100_000_000)
        with daemon(plan, store, trial=True) as process:
            wait_subscribed(broker.port, *wide.messages(0, START_MS)[0])
            begun, samples, rows = time.monotonic(), list[Sample](), 0
            with child(module("tests.bench.blast", broker.port, *arguments)) as sender:
                while sender.poll() is None or rows < 2 * (wide.group + rounds * wide.points):
                    time.sleep(0.1)
                    rows = journal_rows(store)
                    samples.append(Sample(rows / wide.points / len(REGISTERS) / 60, memory_mb(process.pid)))
                    assert time.monotonic() - begun < 2000, f"{rows} readings are kept"
            took = time.monotonic() - begun
            peak = memory_mb(process.pid, "VmHWM")
    expected = sent(wide, range(1, rounds + 1))
    probe = sent(wide, range(1))
    for point in wide.names[: wide.group]:
        for register in REGISTERS:
            mine, first = expected[point, register], probe[point, register]
            expected[point, register] = Kept(mine.rows + 1, mine.total + first.total)
    assert kept(store) == expected
    grown = growth_mb(samples)
    name = f"{rounds * wide.points:,} points in {rounds / 60:.1f} simulated min"
    speed = rounds * wide.points / took
    report.append(Line("soak", f"{name}, points/s", f"{speed:,.0f}", aim=">= 1,000", note="every total equal"))
    report.append(Line("soak", "the same, RSS at its end (peak)", f"{samples[-1].mb:.0f} ({peak:.0f}) MB"))
    if full:
        assert grown is not None
        assert grown < FLAT_MB, f"memory grew by {grown:.1f} MB"
        report.append(Line("soak", "the same, growth from minute 17 to 29", f"{grown:+.1f} MB", aim="< 16 MB"))


def test_load_is_held_before_three_hundred_subscribers(full: bool, report: list[Line], tmp_path: Path) -> None:
    """1,000 points every second, 300 subscribers: nothing lost, every journal total the sum sent, all have the last values."""
    wide, rounds = Wide(1000, REGISTERS, 1000, swing_w=SWING_W), 600 if full else 6
    arguments = (wide.points, ",".join(REGISTERS), 1, rounds + 1, wide.step_ms, 1, 1, 1, wide.swing_w)
    store, root = tmp_path / "wide.sqlite", "energy/wide"
    topics = [f"{root}/site/draw", *(f"{root}/point/{name}/import" for name in wide.names[:SUBSCRIBERS])]
    with Mosquitto(BROKER) as broker, daemon(wide.plan(tmp_path, broker.port), store, trial=False) as process:
        now_ms = time.time_ns() // 1_000_000
        wait_subscribed(broker.port, f"meters/{wide.names[-1]}", wide.payload(wide.points - 1, 0, now_ms))
        with closing(Crowd(broker.port, topics)) as crowd, client(broker.port) as watcher:
            late: list[float] = []
            watcher.on_message = lambda _c, _d, m: late.append(time.time() - parse(bytes(m.payload)).at_ms / 1000)
            with child(module("tests.bench.blast", broker.port, *arguments)) as sender:
                watcher.subscribe(topics[-1], qos=1)
                samples, used, begun = _sampled(sender, process.pid)
                share = (cpu_s(process.pid) - used) / (time.monotonic() - begun)
            wait_rows(store, 2 * (1 + rounds * wide.points), 120.0)
            lacking = crowd.told({topic: _last(wide, topic, rounds) for topic in topics})
        messages = sum(item["messages"] for item in lacking)
        assert [item["lacks"] for item in lacking if item["lacks"]] == []
        assert len(lacking) == SUBSCRIBERS
    assert kept(store) == sent(wide, range(1, rounds + 1), extra=0)
    name = f"1,000 points every second for {rounds} s, {SUBSCRIBERS} subscribers"
    report.append(Line("load", f"{name}, share of a core", f"{share:.0%}", note="nothing lost, totals equal"))
    report.append(Line("load", "the same, RSS at the beginning, at the end", f"{samples[0]:.0f}, {samples[-1]:.0f} MB"))
    report.append(
        Line("load", "the same, messages to the subscribers", f"{messages:,}", note="all have the last values")
    )
    if full:
        median, worst = percentile(late, 0.5), percentile(late, 0.99)
        report.append(Line("load", "the same, reading -> its topic, median (p99)", f"{median:.2f} ({worst:.2f}) s"))


def _sampled(sender: "subprocess.Popen[str]", pid: int) -> tuple[list[float], float, float]:
    """Memory while the publisher sends; processor seconds at the beginning, and when that was."""
    samples, used, begun = [], cpu_s(pid), time.monotonic()
    while sender.poll() is None:
        samples.append(memory_mb(pid))
        time.sleep(0.2)
    return samples, used, begun


def _last(wide: Wide, topic: str, step: int) -> float:
    """The value of a topic after the last reading."""
    if topic.endswith("/draw"):
        return wide.power_w(0, step)
    index = wide.names.index(topic.split("/")[-2])
    return float(1_000_000 + wide.wh_per_step(index) * step)


class Crowd:
    """The process of the subscribers."""

    def __init__(self, port: int, topics: list[str]) -> None:
        command = module("tests.bench.crowd", port, SUBSCRIBERS, *topics)
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"

    def close(self) -> None:
        """End it."""
        self.process.kill()
        self.process.communicate()

    def told(self, wanted: dict[str, float]) -> list[dict[str, int]]:
        """Tell the subscribers what they should have; what each of them got."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps(wanted) + "\n")
        self.process.stdin.flush()
        results: list[dict[str, int]] = json.loads(self.process.stdout.readline())
        return results
