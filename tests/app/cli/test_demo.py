"""The demo as its user meets it: the same weather at every hour of the day, and faults that begin while he looks on."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import paho.mqtt.client as paho
import pytest

from meterd.adapters.mqtt.embedded_broker import free_port
from tests.adapters.mqtt.plain import plain_client
from tests.brokers import until

pytestmark = pytest.mark.slow
ROOT = "energy/harrow-mill/"
Heard = list[tuple[float, str, float]]


@contextmanager
def demo(*options: str) -> Iterator[Heard]:
    """Bare numbers of the demo, with the steady second at which they came, as a plain client of MQTT 3.1.1 gets them."""
    port, heard = free_port(), Heard()
    command = [sys.executable, "-m", "meterd.app.cli.main", "demo", "--days", "0", "--port", str(port)]

    def take(_client: paho.Client, _user: object, message: paho.MQTTMessage) -> None:
        heard.append((time.monotonic(), message.topic.removeprefix(ROOT), float(message.payload)))

    client = plain_client(4, "author")
    client.on_connect = lambda c, *_: c.subscribe(f"{ROOT}+/+/plain")
    client.on_message = take
    page = ["--page-port", str(free_port())]
    with subprocess.Popen([*command, *page, *options], stdout=subprocess.DEVNULL, env=dict(os.environ)) as process:
        try:
            assert until(lambda: _connects(client, port), 120)
            client.loop_start()
            yield heard
        finally:
            client.loop_stop()
            process.send_signal(signal.SIGINT)
            process.wait(60)


def _connects(client: paho.Client, port: int) -> bool:
    try:
        client.connect("127.0.0.1", port)
    except OSError:
        return False
    return True


def values(heard: Heard, topic: str) -> list[tuple[float, float]]:
    """What came on a topic, and when."""
    return [(at, value) for at, name, value in list(heard) if name == f"{topic}/plain"]


def test_sun_and_surplus_are_there_at_every_hour_and_a_planted_outage_comes_while_one_looks_on() -> None:
    """Found at 20:40 in Vienna: the demo stood under one thick cloud, with 28 kW of PV and never a surplus, and an outage
    planted for the second minute lay in the hour before."""
    with demo("--fault", "outage:harrow-mill@30+20") as heard:
        assert until(lambda: any(value > 5_000 for _, value in values(heard, "pv/surplus")), 60), "no surplus"
        assert min(value for _, value in values(heard, "pv/production")) > 100_000, "the sun is there"
        assert until(lambda: any(value > 0 for _, value in values(heard, "share/bakery-water")), 60)
        assert until(lambda: gone(heard), 60), "the outage did not come"
        assert until(lambda: values(heard, "share/bakery-water")[-1][1] == 0, 5), "a minimum time kept its share"
        since = gone(heard)
        assert until(lambda: any(at > since and value > 5_000 for at, value in values(heard, "pv/surplus")), 120)


def gone(heard: Heard) -> float:
    """When PV fell to zero with the supply; 0 before. The surplus may be zero for a while whenever loads take it all."""
    return next((at for at, value in values(heard, "pv/production") if value == 0), 0.0)
