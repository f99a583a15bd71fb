"""From the reading that completes a set of powers to the published surplus, against a bare echo."""

import queue
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from meterd.core.topics.message import parse
from tests.bench.rig import BROKER, child, client, daemon, module, wait_subscribed
from tests.bench.site import Wide
from tests.bench.table import Line, percentile
from tests.brokers import Mosquitto

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
WIDE = Wide(40)
LIMIT_S = 20.0
EXPORT_W = 20_000  # of the smallest set; every set has its own, a dead band apart


def now_ms() -> int:
    """The present."""
    return time.time_ns() // 1_000_000


def bare_echo(port: int, sets: int, gap_s: float, burst: int = 1) -> list[float]:
    """Seconds from publishing the last of a burst of messages to the answer of a client that only sends that one back."""
    with child(module("tests.bench.bare", "echo", port)), client(port) as item:
        answers: queue.Queue[float] = queue.Queue()
        item.on_message = lambda *_: answers.put(time.monotonic())
        item.subscribe("answer", qos=1)
        wait_subscribed(port, "ask/last", b"0")
        answers.get(timeout=LIMIT_S)
        time.sleep(0.2)
        while not answers.empty():
            answers.get()
        results = []
        for k in range(sets):
            time.sleep(gap_s)
            for i in range(1, burst):
                item.publish(f"ask/{i}", WIDE.payload(i, k, now_ms()), qos=1)
            begun = time.monotonic()
            item.publish("ask/last", WIDE.payload(0, k, now_ms()), qos=1)
            results.append(answers.get(timeout=LIMIT_S) - begun)
    return results


class Surplus:
    """A controller: the newest surplus that is a number."""

    def __init__(self, item: paho.Client) -> None:
        self.heard: queue.Queue[tuple[float, float]] = queue.Queue()
        item.on_message = self._hear
        item.subscribe("energy/wide/pv/surplus", qos=1)

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        parsed = parse(bytes(message.payload))
        if parsed.value is not None:
            self.heard.put((time.monotonic(), parsed.value))

    def wait(self, power_w: float) -> float:
        """The monotonic second at which that power was heard."""
        while True:
            at, heard = self.heard.get(timeout=LIMIT_S)
            if heard == power_w:
                return at


def send_set(item: paho.Client, k: int) -> tuple[float, float]:
    """One set of 40 readings, photovoltaics and feed last. The surplus it makes, and when its last reading was sent."""
    at_ms, power_w = now_ms(), float(EXPORT_W + 20 * k)
    for i in (*range(2, WIDE.points), 1):
        watts = 2 * power_w if i == 1 else power_w / (WIDE.points - 2)
        item.publish(f"meters/{WIDE.names[i]}", WIDE.payload(i, k, at_ms, watts), qos=1)
    begun = time.monotonic()
    item.publish("meters/t1", WIDE.payload(0, k, at_ms, -power_w), qos=1)
    return power_w, begun


def meterd_latency(port: int, folder: Path, sets: int, gap_s: float) -> list[float]:
    """Seconds from the reading that completes a set to its surplus."""
    plan = WIDE.plan(folder, port)
    with daemon(plan, folder / "wide.sqlite", trial=False), client(port) as item:
        surplus = Surplus(item)
        wait_subscribed(port, f"meters/{WIDE.names[-1]}", WIDE.payload(WIDE.points - 1, 0, now_ms()))
        surplus.wait(send_set(item, 0)[0])
        results = []
        for k in range(1, sets + 1):
            time.sleep(gap_s)
            power_w, begun = send_set(item, k)
            results.append(surplus.wait(power_w) - begun)
    return results


def test_latency_of_the_surplus(full: bool, report: list[Line], tmp_path: Path) -> None:
    """Every set of readings gives its surplus, to the watt."""
    sets, gap_s = (120, 1.0) if full else (6, 0.1)
    with Mosquitto(BROKER) as broker:
        bare = bare_echo(broker.port, sets, gap_s, WIDE.points)
        ours = meterd_latency(broker.port, tmp_path, sets, gap_s)
    assert len(ours) == sets
    for name, share in (("median", 0.5), ("p99", 0.99)):
        mine, echo = percentile(ours, share), percentile(bare, share)
        report.append(
            Line(
                "latency",
                f"reading that completes a set of 40 -> surplus topic, {name}",
                f"{mine * 1000:.1f} ms",
                f"{echo * 1000:.2f} ms",
                mine / echo,
                note="bare: paho takes the same burst and sends its last message back",
            )
        )
