"""From the reading that completes a snapshot to three hundred changed shares on the network, against bare echoes.

Two measures: a client that echoes one message, and one that answers with as many messages as three hundred shares are
(a pack and a bare number each). The second is what the network alone costs.
"""

import json
import queue
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from meterd.core.model.periods import text
from meterd.core.topics.message import parse
from tests.bench.rig import BROKER, child, client, daemon, module, wait_subscribed
from tests.bench.table import Line, percentile
from tests.bench.test_bench_latency import bare_echo
from tests.brokers import Mosquitto, crowd

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
COUNT = 300
START_W, STEP_W = 900_000, 6_000  # 3 kW each, and 20 W less each time: beyond the dead band of the topics
PV_W = 950_000  # below the plausible power of a point
LIMIT_S = 30.0
STILL_S = 5.0
SPARE = 10  # tries on a busy machine


def plan(folder: Path, port: int) -> Path:
    """A feed, PV and 300 loads that take any power and are not measured."""
    parts = [
        'site = { name = "wide", zone = "UTC" }\nboard = [{ name = "north" }]\n'
        f'broker = {{ host = "127.0.0.1", port = {port} }}\nsource = [{{ name = "meters" }}]\n'
        'sharing = { mode = "on", sample_s = 1, delay_samples = 0, ramp_w_per_s = 1_000_000 }\n'
    ]
    for name, role in (("t1", "feed"), ("pv", "pv")):
        parts.append(
            f'[[point]]\npoint = "{name}"\nrole = "{role}"\n[[input]]\npoint = "{name}"\nregister = "16.7.0"\n'
            f'source = "meters"\naddress = "meters/{name}"\nfield = "/w"\nunit = "W"\ntime_field = "/time"\n'
        )
    parts += [f'[[consumer]]\nconsumer = "load-{i:03d}"\nmax_w = {START_W // COUNT}\n' for i in range(COUNT)]
    path = folder / "wide.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path


class Shares:
    """All controllers in one client: when the last of all shares of a value was heard."""

    def __init__(self, item: paho.Client) -> None:
        self.heard: queue.Queue[tuple[float, str, float]] = queue.Queue()
        self.newest: dict[str, float] = {}
        item.on_message = self._hear
        item.subscribe("energy/wide/share/+", qos=1)

    def _hear(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        parsed = parse(bytes(message.payload))
        if parsed.value is not None:
            self.heard.put((time.monotonic(), message.topic, parsed.value))

    def wait(self, total_w: float) -> float | None:
        """The monotonic second at which the shares add up to this; None where they stand still at another sum."""
        while True:
            try:
                at, topic, power = self.heard.get(timeout=STILL_S)
            except queue.Empty:
                return None
            self.newest[topic] = power
            if sum(self.newest.values()) == total_w:
                return at

    def total(self) -> float:
        """The sum of what has been heard."""
        while not self.heard.empty():
            _, topic, power = self.heard.get()
            self.newest[topic] = power
        return sum(self.newest.values())


def send(item: paho.Client, room_w: float, drawn_w: float) -> float:
    """PV and then the feed of one moment; when the feed was sent."""
    stamp = text(time.time_ns() // 1_000_000)
    item.publish("meters/pv", json.dumps({"w": PV_W, "time": stamp}).encode(), qos=1)
    begun = time.monotonic()
    item.publish("meters/t1", json.dumps({"w": drawn_w - room_w, "time": stamp}).encode(), qos=1)
    return begun


def rise(item: paho.Client, shares: Shares) -> None:
    """Every load has all that it takes."""
    until_s = time.monotonic() + 60.0 * crowd()
    while shares.total() < START_W:
        assert time.monotonic() < until_s, f"the shares rise to all there is; now {shares.total()}"
        send(item, START_W, shares.total())
        time.sleep(1.0)
    time.sleep(2.0)


def bare_fan(port: int, steps: int) -> list[float]:
    """Seconds from one message to the last of the three hundred that a bare client answers with."""
    pack = b'[{"bn":"energy/wide/share/load-001","bt":1780000000.000,"u":"W","v":2980,"ut":120},{"n":":state","vs":"valid"}]'
    with child(module("tests.bench.bare", "fan", port, COUNT)), client(port) as item:
        heard: queue.Queue[float] = queue.Queue()
        item.on_message = lambda *_: heard.put(time.monotonic())
        item.subscribe("answer/+", qos=1)
        wait_subscribed(port, "ask", b"0")
        time.sleep(2.0)
        while not heard.empty():
            heard.get()
        results = []
        for _ in range(steps):
            begun = time.monotonic()
            item.publish("ask", pack, qos=1)
            results.append([heard.get(timeout=LIMIT_S) for _ in range(COUNT)][-1] - begun)
            time.sleep(1.0)
    return results


def test_latency_of_three_hundred_shares(full: bool, report: list[Line], tmp_path: Path) -> None:
    """Every snapshot gives all shares, to the watt."""
    steps = 100 if full else 5
    with Mosquitto(BROKER) as broker:
        bare, many = bare_echo(broker.port, steps, 0.1), bare_fan(broker.port, steps)
        with daemon(plan(tmp_path, broker.port), tmp_path / "wide.sqlite", trial=False), client(broker.port) as item:
            shares = Shares(item)
            rise(item, shares)
            results: list[float] = []
            for k in range(1, steps + SPARE + 1):
                room = START_W - k * STEP_W
                begun = send(item, room, shares.total())
                if (ended := shares.wait(room)) is not None:
                    results.append(ended - begun)
                    time.sleep(1.5)  # longer than a sample after the last decision, or the next one waits for its turn
                else:  # a share of before came after the sum was told; less than a dead band is not told again
                    rise(item, shares)
                if len(results) == steps:
                    break
            assert len(results) == steps, f"the shares are all there is, to the watt; now {shares.total()} of {room}"
    for name, part in (("median", 0.5), ("p99", 0.99)):
        for measure, note in ((bare, "one message echoed"), (many, f"{COUNT} packs and numbers sent back")):
            mine, echo = percentile(results, part), percentile(measure, part)
            report.append(
                Line(
                    "shares",
                    f"reading -> {COUNT} changed shares, {name}",
                    f"{mine * 1000:.1f} ms",
                    f"{echo * 1000:.2f} ms",
                    mine / echo,
                    note=f"the last of the shares; bare: {note}",
                )
            )
