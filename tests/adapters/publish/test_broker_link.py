"""With a real broker and plain clients of both protocol versions, controllers see what the documents promise."""

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.publish.broker_link import opener
from meterd.adapters.publish.publisher import Publisher
from meterd.core.model.plan import Site
from meterd.core.topics.message import parse, parse_service
from meterd.core.topics.table import catalogue
from tests.brokers import Mosquitto, until
from tests.snapshots import POINTS, site, snapshot

pytestmark = pytest.mark.slow

PLAN = site()
ROOT = "energy/mill"
RETAINED = {topic for entry in catalogue(PLAN) for topic in entry.topics} | {
    f"{ROOT}/service",
    f"{ROOT}/catalogue",
    f"{ROOT}/display",
}


def wall_ms() -> int:
    return time.time_ns() // 1_000_000


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto("max_inflight_messages 1000\nmax_queued_messages 10000", persistent=False) as running:
        yield running


class Daemon:
    """A publisher with a loop of ten snapshots a second."""

    def __init__(self, broker: Mosquitto, instance: str, plan: Site = PLAN) -> None:
        settings = LinkSettings(f"meterd-{instance}", host="127.0.0.1", port=broker.port)
        self.publisher = Publisher(plan, opener(settings), instance=instance, version="0.1.0")
        self._plan = plan
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._loop)

    def _loop(self) -> None:
        while not self._end.wait(0.1):
            self.publisher.offer(snapshot(self._plan, wall_ms()))

    def __enter__(self) -> Publisher:
        self._thread.start()
        return self.publisher

    def __exit__(self, *_exc: object) -> None:
        self._end.set()
        self._thread.join()
        self.publisher.close()


@contextmanager
def reading(broker: Mosquitto, filter_: str = f"{ROOT}/#", version: int = 5) -> Iterator[dict[str, paho.MQTTMessage]]:
    """The newest message per topic, seen by a plain client; an empty one removes its topic."""
    seen: dict[str, paho.MQTTMessage] = {}
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5 if version == 5 else paho.MQTTv311)

    def on_message(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.payload:
            seen[message.topic] = message
        else:
            seen.pop(message.topic, None)

    client.on_message = on_message
    client.on_connect = lambda client, *_: client.subscribe(filter_, qos=1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        yield seen
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def child(broker: Mosquitto, instance: str) -> Iterator["subprocess.Popen[bytes]"]:
    """A publisher in its own process."""
    command = [sys.executable, "-m", "tests.adapters.publish.child", str(broker.port), instance]
    process = subprocess.Popen(command, cwd=Path(__file__).parents[3])
    try:
        yield process
    finally:
        process.kill()
        process.wait(10)


def test_full_set_is_back_within_ten_seconds_after_the_broker_was_killed_without_persistence(broker: Mosquitto) -> None:
    # faults B1
    with Daemon(broker, "a") as publisher:
        with reading(broker) as before:
            assert until(lambda: before.keys() == RETAINED, 10)
        broker.kill()
        assert until(lambda: not publisher._link.connected(), 5)
        broker.start()
        begun = time.monotonic()
        with reading(broker) as after:
            assert until(lambda: after.keys() == RETAINED, 10), RETAINED - after.keys()
        print(f"full set back after {time.monotonic() - begun:.2f} s")


def test_expiry_and_content_type_are_seen_by_a_plain_client(broker: Mosquitto) -> None:
    with Daemon(broker, "a"), reading(broker) as seen:
        assert until(lambda: seen.keys() == RETAINED)
        surplus, service = seen[f"{ROOT}/pv/surplus"].properties, seen[f"{ROOT}/service"].properties
        assert surplus is not None
        assert service is not None
        assert 60 < getattr(surplus, "MessageExpiryInterval", 0) <= 120
        assert getattr(surplus, "ContentType", "") == "application/senml+json"
        assert not hasattr(service, "MessageExpiryInterval")
        assert parse(bytes(seen[f"{ROOT}/pv/surplus"].payload)).value == 1500.25


def test_dead_values_leave_the_broker_by_themselves(broker: Mosquitto) -> None:
    # faults B7: 1 s of belief and two heartbeats of 1 s are a validity of 3 s; then the daemon is no more
    plan = site(points=POINTS[:1], publish_every_s=1, power_max_age_s=1)
    with Daemon(broker, "a", plan) as publisher:
        assert until(lambda: publisher.counters.full_sets == 1)
        time.sleep(0.5)
    with reading(broker, f"{ROOT}/site/#") as seen:
        time.sleep(4)
    with reading(broker, f"{ROOT}/site/#") as late:
        time.sleep(0.5)
        # forecasts are those of the last closed interval, and valid as long as it
        assert not [topic for topic in late if "-forecast" not in topic], seen.keys()


def test_last_will_says_gone_after_a_kill_and_the_second_goes_on(broker: Mosquitto) -> None:
    # faults B7 and B9
    with reading(broker, f"{ROOT}/service") as seen, child(broker, "a") as first:

        def service(live: bool, instance: str) -> bool:
            message = seen.get(f"{ROOT}/service")
            service = parse_service(bytes(message.payload)) if message else None
            return service is not None and (service.live, service.instance) == (live, instance)

        assert until(lambda: service(True, "a"))
        first.kill()
        assert until(lambda: service(False, "a"), 5)
        with Daemon(broker, "b") as second:
            assert until(lambda: service(True, "b"))
            assert second.epoch == 2


def test_a_second_instance_is_passive_while_the_first_lives(broker: Mosquitto) -> None:
    # faults B9
    with Daemon(broker, "a") as first:
        assert until(lambda: first.counters.full_sets == 1)
        with Daemon(broker, "b") as second:
            assert until(lambda: bool(second.findings()))
            time.sleep(1.5)
            assert (first.active, second.active, second.counters.published) == (True, False, 0)
        with reading(broker, f"{ROOT}/service") as seen:
            assert until(lambda: f"{ROOT}/service" in seen)
            service = parse_service(bytes(seen[f"{ROOT}/service"].payload))
            assert service is not None
            assert (service.live, service.instance) == (True, "a")


def test_a_frozen_broker_is_reported(broker: Mosquitto) -> None:
    # faults B10 with a heartbeat of 4 s: reported in less than 8 s after the freeze
    plan = replace(PLAN, limits=replace(PLAN.limits, publish_every_s=4))
    with Daemon(broker, "a", plan) as publisher:
        assert until(lambda: publisher.counters.echoes > 0)
        broker.freeze()
        try:
            assert until(lambda: bool(publisher.findings()), 8)
            assert publisher.findings()[0].cause == "broker-silent"
        finally:
            broker.thaw()
        assert until(lambda: not publisher.findings(), 15)


def test_topics_of_an_earlier_plan_are_gone(broker: Mosquitto) -> None:
    with Daemon(broker, "a") as publisher:
        assert until(lambda: publisher.counters.full_sets == 1)
    smaller = site(points=POINTS[:3])
    with Daemon(broker, "b", smaller) as publisher, reading(broker) as seen:
        assert until(lambda: publisher.counters.cleared > 0 and len(seen) > 20)
        assert until(lambda: not [topic for topic in seen if "/q01/" in topic])


def test_h2_the_old_topic_tells_the_new_name(broker: Mosquitto) -> None:
    """A point renamed in the plan: its values move, and below the old name stands the new one, until the alias goes."""
    renamed = site(points=(*POINTS[:-1], replace(POINTS[-1], aliases=(f"{POINTS[-1].name}-old",))))
    sign = f"{ROOT}/point/{POINTS[-1].name}-old/renamed"
    with Daemon(broker, "a", renamed), reading(broker) as seen:
        assert until(lambda: sign in seen)
        assert json.loads(seen[sign].payload)["point"] == POINTS[-1].name
    with Daemon(broker, "b"), reading(broker) as seen:
        assert until(lambda: seen.keys() == RETAINED, 20)


def test_a_tiny_client_of_version_3_reads_a_bare_number(broker: Mosquitto) -> None:
    with Daemon(broker, "a"), reading(broker, f"{ROOT}/pv/surplus/plain", version=3) as seen:
        assert until(lambda: bool(seen))
        assert seen[f"{ROOT}/pv/surplus/plain"].payload == b"1500.25"
