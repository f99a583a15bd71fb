"""Through a real broker into journal, registers, balance and topics, against bare clients that only count."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow
from tests.bench.rig import BROKER, child, client, cpu_s, daemon, module, wait_rows, wait_subscribed
from tests.bench.site import START_MS, Wide
from tests.bench.table import Line
from tests.brokers import Mosquitto

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
LIMIT_S = 240.0
MQTT_5, MQTT_3 = 5, 4  # numbers of the protocol; 4 is 3.1.1


@dataclass(frozen=True, slots=True)
class Load:
    """So many points, so many rounds of readings, how far apart in time these are."""

    points: int
    rounds: int
    step_ms: int
    repeats: int = 1

    @property
    def wide(self) -> Wide:
        """The site."""
        return Wide(self.points, step_ms=self.step_ms)

    @property
    def messages(self) -> int:
        """Messages after the first reading of the last point, which asks whether somebody listens."""
        return self.rounds * self.points


SHORT = (Load(100, 70, 30_000),)
# each has at least one closed quarter hour, and the same number of rounds between two of them
FULL = (Load(10, 3000, 30_000), Load(100, 300, 30_000, 3), Load(1000, 33, 30_000), Load(5000, 33, 30_000))


@dataclass(frozen=True, slots=True)
class Rate:
    """Messages a second, and microseconds of processor for each."""

    per_s: float
    cpu_us: float


def blast(port: int, load: Load) -> list[str]:
    """The publisher's command."""
    registers = ",".join(load.wide.registers)
    return module("tests.bench.blast", port, load.points, registers, 1, load.rounds + 1, load.step_ms, 0, 0)


def first_reading(wide: Wide) -> tuple[str, bytes]:
    """Topic and payload of the last point's reading of round 0."""
    return f"meters/{wide.names[-1]}", wide.payload(wide.points - 1, 0, START_MS)


def bare_rate(load: Load, version: int) -> Rate:
    """The client that only counts."""
    return _client_rate(load, "count", load.messages, version)


def least_rate(load: Load, folder: Path, sent: int) -> Rate:
    """The client that decodes and keeps what comes, and publishes as many messages as the daemon did."""
    return _client_rate(load, "keep", load.messages, folder / "least.sqlite", sent)


def _client_rate(load: Load, name: str, *arguments: object) -> Rate:
    with Mosquitto(BROKER) as broker, child(module("tests.bench.bare", name, broker.port, *arguments)) as counter:
        wait_subscribed(broker.port, *first_reading(load.wide))
        with child(blast(broker.port, load)) as sender:
            assert counter.stdout is not None
            first, last, used = (float(text) for text in counter.stdout.readline().split())
            sender.wait(LIMIT_S)
    return Rate((load.messages - 1) / (last - first), used / load.messages * 1e6)


def meterd_rate(load: Load, folder: Path) -> tuple[Rate, int]:
    """The same for the daemon: from the first committed reading to the last; and how many messages it published then."""
    store, wide = folder / "wide.sqlite", load.wide
    with Mosquitto(BROKER) as broker:
        plan = wide.plan(folder, broker.port, future_s=10**8)
        with client(broker.port) as display, daemon(plan, store, trial=True) as process:
            topics: list[str] = []
            display.on_message = lambda _c, _u, message: topics.append(message.topic)
            display.subscribe("energy/#")
            wait_subscribed(broker.port, *first_reading(wide))
            before, counted, used = wait_rows(store, 3, LIMIT_S), len(topics), cpu_s(process.pid)
            with child(blast(broker.port, load)) as sender:
                begun = wait_rows(store, 4, LIMIT_S)
                ended = wait_rows(store, 3 + 3 * load.messages, LIMIT_S)
                used = cpu_s(process.pid) - used
                sender.wait(LIMIT_S)
            sent = len(topics) - counted
        assert before < begun
        check(plan, store, load)
    return Rate(load.messages / (ended - begun), used / load.messages * 1e6), sent


def check(plan: Path, path: Path, load: Load) -> None:
    """Nothing is lost, every closed quarter hour is exact, every balance closes."""
    site, wide = load_plan(plan).site, load.wide
    store = SqliteStore.reader(path)
    try:
        assert store.reading_count() == 3 + 3 * load.messages
        per_interval = 900_000 // load.step_ms
        last = START_MS + load.rounds * load.step_ms
        until = (last - site.limits.close_after_s * 1000) // 900_000 * 900_000
        rows = [row for row in store.balances("main", Period.INTERVAL, START_MS, until) if row.start_ms > START_MS]
        assert len(rows) == (until - START_MS) // 900_000 - 1
        feeders = sum(wide.wh_per_step(i) for i in range(2, wide.points)) * per_interval * 1000
        assert [as_sums(row) for row in rows] == [(feeders, feeders, 0, "inside")] * len(rows)
    finally:
        store.close()


def as_sums(row: BalanceRow) -> tuple[int | None, int | None, int | None, str]:
    """What a balance says of the two sides."""
    return row.feed, row.outgoing, row.residual, row.verdict


def test_live_readings_per_second(full: bool, report: list[Line], tmp_path: Path) -> None:
    """Points of 3 registers lose nothing and sum exactly, however fast they come and however many there are."""
    for load in FULL if full else SHORT:
        for turn in range(load.repeats):
            folder = tmp_path / f"{load.points}-{turn}"
            folder.mkdir()
            bare, plain = bare_rate(load, MQTT_5), bare_rate(load, MQTT_3)
            ours, sent = meterd_rate(load, folder)
            least = least_rate(load, folder, sent)
            name, note = (
                f"{load.points:,} points x 3 registers",
                f"bare: paho, QoS 1, counts; 3.1.1: {plain.per_s:,.0f}",
            )
            per_s, cpu_us = f"{ours.per_s:,.0f} ({3 * ours.per_s:,.0f})", f"{ours.cpu_us:.0f} us"
            report += [
                Line("live rate", f"{name}, messages/s (readings/s)", per_s, f"{bare.per_s:,.0f}", ours.per_s / bare.per_s,
                     aim=">= 0.6", note=note),
                Line("live rate", f"{name}, processor a message", cpu_us, f"{bare.cpu_us:.0f} us", bare.cpu_us / ours.cpu_us,
                     note=f"ratio bare / meterd; 3.1.1: {plain.cpu_us:.0f} us"),
                Line("live rate", f"{name}, the same, of what must be done at least", cpu_us, f"{least.cpu_us:.0f} us",
                     least.cpu_us / ours.cpu_us,
                     note=f"bare: decodes, keeps and publishes {sent:,} messages as well; {bare.cpu_us / least.cpu_us:.2f}"
                     " of the client that counts"),
            ]  # fmt: skip
