"""From the reading that completes a set of powers to the published surplus, against a bare echo."""

import queue
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from meterd.message import parse
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


def bare_echo(port: int, sets: int, gap_s: float) -> list[float]:
    """Seconds from publishing to the answer of a client that only sends back."""
    with child(module("tests.bench.bare", "echo", port)), client(port) as one:
        answers: queue.Queue[float] = queue.Queue()
        one.on_message = lambda *_: answers.put(time.monotonic())
        one.subscribe("answer", qos=1)
        wait_subscribed(port, "ask", b"0")
        answers.get(timeout=LIMIT_S)
        time.sleep(0.2)
        while not answers.empty():
            answers.get()
        found = []
        for k in range(sets):
            time.sleep(gap_s)
            begun = time.monotonic()
            one.publish("ask", WIDE.payload(1, k, now_ms()), qos=1)
            found.append(answers.get(timeout=LIMIT_S) - begun)
    return found


class Surplus:
    """A controller: the newest surplus that is a number."""

    def __init__(self, one: paho.Client) -> None:
        self.heard: queue.Queue[tuple[float, float]] = queue.Queue()
        one.on_message = self._hear
        one.subscribe("energy/wide/pv/surplus", qos=1)

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        found = parse(bytes(message.payload))
        if found.value is not None:
            self.heard.put((time.monotonic(), found.value))

    def wait(self, power_w: float) -> float:
        """The monotonic second at which that power was heard."""
        while True:
            at, heard = self.heard.get(timeout=LIMIT_S)
            if heard == power_w:
                return at


def send_set(one: paho.Client, k: int) -> tuple[float, float]:
    """One set of 40 readings, photovoltaics and feed last. The surplus it makes, and when its last reading was sent."""
    at_ms, power_w = now_ms(), float(EXPORT_W + 20 * k)
    for i in (*range(2, WIDE.points), 1):
        watts = 2 * power_w if i == 1 else power_w / (WIDE.points - 2)
        one.publish(f"meters/{WIDE.names[i]}", WIDE.payload(i, k, at_ms, watts), qos=1)
    begun = time.monotonic()
    one.publish("meters/t1", WIDE.payload(0, k, at_ms, -power_w), qos=1)
    return power_w, begun


def meterd_latency(port: int, folder: Path, sets: int, gap_s: float) -> list[float]:
    """Seconds from the reading that completes a set to its surplus."""
    plan = WIDE.plan(folder, port)
    with daemon(plan, folder / "wide.sqlite", trial=False), client(port) as one:
        surplus = Surplus(one)
        wait_subscribed(port, f"meters/{WIDE.names[-1]}", WIDE.payload(WIDE.points - 1, 0, now_ms()))
        surplus.wait(send_set(one, 0)[0])
        found = []
        for k in range(1, sets + 1):
            time.sleep(gap_s)
            power_w, begun = send_set(one, k)
            found.append(surplus.wait(power_w) - begun)
    return found


def test_latency_of_the_surplus(full: bool, report: list[Line], tmp_path: Path) -> None:
    """Every set of readings gives its surplus, to the watt."""
    sets, gap_s = (120, 1.0) if full else (6, 0.1)
    with Mosquitto(BROKER) as broker:
        bare = bare_echo(broker.port, sets, gap_s)
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
                note="bare: paho subscribes and publishes back",
            )
        )
