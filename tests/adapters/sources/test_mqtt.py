"""The MQTT source delivers what its topics say, confirms garbage at once and readings after the commit."""

import json
import queue
import time
from collections.abc import Callable, Iterator

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.sources import Delivery
from meterd.adapters.sources.mqtt import MqttSource
from meterd.adapters.sources.mqtt_settings import settings_for
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Broker, Input, Site, Source
from tests.brokers import Mosquitto, free_port, until

INPUTS = (
    Input("q01", "1.8.0", "meters", "m/q01", "/kwh", "kWh", time_field="/t"),
    Input("q01", "16.7.0", "meters", "m/q01", "/w", "W", time_field="/t"),
    Input("q02", "1.8.0", "meters", "m/q02", "", "Wh"),
)


def site(port: int, inputs: tuple[Input, ...] = INPUTS, /, **options: str | int | float | bool) -> Site:
    source = Source("meters", "mqtt", tuple(options.items()))
    broker = Broker(host="127.0.0.1", port=port)
    return Site("harrow-mill", "Europe/London", inputs=inputs, sources=(source,), broker=broker)


def source_of(plan: Site) -> MqttSource:
    return MqttSource(plan.sources[0], plan)


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as running:
        yield running


def sending(broker: Mosquitto) -> Link:
    settings = LinkSettings("writer", host="127.0.0.1", port=broker.port, session_expiry_s=0, payload_limit=2_000_000)
    return Link(settings)


def started(source: MqttSource, deliver: Callable[[Delivery], None]) -> None:
    source.start(deliver)
    assert until(lambda: source.state().subscribed)


def now_s() -> int:
    return time.time_ns() // 1_000_000_000


def meter(kwh: float, w: float) -> bytes:
    return json.dumps({"t": now_s(), "kwh": kwh, "w": w}).encode()


def all_readings(taken: "queue.Queue[Delivery]", count: int) -> list[tuple[str, str, float]]:
    results: list[tuple[str, str, float]] = []
    while len(results) < count:
        results += [(r.point, r.register, r.value) for r in taken.get(timeout=5).readings]
    return results


@pytest.mark.slow
def test_readings_of_all_topics_are_delivered_and_come_again_until_they_are_confirmed(broker: Mosquitto) -> None:
    taken: queue.Queue[Delivery] = queue.Queue()
    expected = [("q01", "1.8.0", 1_500_000), ("q01", "16.7.0", 20.0), ("q02", "1.8.0", 7000)]
    with sending(broker) as out:
        for confirmed in (False, True):
            source = source_of(site(broker.port))
            started(source, taken.put)
            if not confirmed:
                assert until(out.connected)
                assert out.publish("m/q01", meter(1.5, 20))
                assert out.publish("m/q02", b"7")
            deliveries = []
            readings: list[tuple[str, str, float]] = []
            while len(readings) < 3:
                deliveries.append(taken.get(timeout=5))
                readings += [(r.point, r.register, r.value) for r in deliveries[-1].readings]
            assert readings == expected
            if confirmed:
                for delivery in deliveries:
                    source.ack(delivery.token)
                time.sleep(0.2)
            source.stop(5)
        source = source_of(site(broker.port))
        started(source, taken.put)
        time.sleep(0.3)
        source.stop(5)
        assert taken.empty()


@pytest.mark.slow
def test_b13_garbage_is_counted_confirmed_and_the_thread_lives(broker: Mosquitto) -> None:
    taken: queue.Queue[Delivery] = queue.Queue()
    source = source_of(site(broker.port, receive_maximum=5))
    started(source, taken.put)
    garbage = [b"", b"\xff", b"NaN", b"12,5", b"\xef\xbb\xbf1", b"1 1", b"x" * 1_000_000] * 5
    with sending(broker) as out:
        assert until(out.connected)
        for payload in garbage:
            assert out.publish("m/q02", payload) if payload else out.clear("m/q02")
        assert out.publish("m/q02", b"8")
        assert all_readings(taken, 1) == [("q02", "1.8.0", 8000)]
    assert source.alive()
    counters = source.counters()
    assert (counters["refused_messages"], counters["refused"], counters["readings"]) == (30, 5, 1)
    refused = source.refused()[("q02", "1.8.0")]
    assert refused.count == 30
    source.stop(5)
    assert not source.alive()


@pytest.mark.slow
def test_b16_subscription_of_an_older_plan_is_dropped_and_ended(broker: Mosquitto) -> None:
    taken: queue.Queue[Delivery] = queue.Queue()
    older = source_of(site(broker.port, (*INPUTS, Input("q09", "1.8.0", "meters", "m/q09"))))
    started(older, taken.put)
    older.stop(5)
    source = source_of(site(broker.port))
    started(source, taken.put)
    with sending(broker) as out:
        assert until(out.connected)
        assert out.publish("m/q09", b"1")
        assert until(lambda: source.counters()["unknown"] == 1)
        time.sleep(0.2)
        assert out.publish("m/q09", b"2")
        assert out.publish("m/q02", b"3")
        assert all_readings(taken, 1) == [("q02", "1.8.0", 3000)]
        assert source.counters()["unknown"] == 1
    source.stop(5)


@pytest.mark.slow
def test_b6_retained_message_is_delivered_as_old(broker: Mosquitto) -> None:
    with sending(broker) as out:
        assert until(out.connected)
        assert out.publish("m/q02", b"5", retain=True)
        assert until(lambda: out.unacknowledged() == 0)
        taken: queue.Queue[Delivery] = queue.Queue()
        source = source_of(site(broker.port))
        started(source, taken.put)
        (reading,) = taken.get(timeout=5).readings
        assert (reading.old, reading.device_time) == (True, False)
        assert out.publish("m/q02", b"6")
        (live,) = taken.get(timeout=5).readings
        assert not live.old
        assert abs(live.at_ms / 1000 - time.time()) < 5
        source.stop(5)


@pytest.mark.slow
def test_full_loop_holds_readings_and_loses_none(broker: Mosquitto) -> None:
    taken: queue.Queue[Delivery] = queue.Queue(1)
    taken.put(Delivery(()))  # the loop is busy
    source = source_of(site(broker.port, inbox_limit=20))

    def deliver(delivery: Delivery) -> None:
        taken.put_nowait(delivery)

    started(source, deliver)
    with sending(broker) as out:
        assert until(out.connected)
        assert all(out.publish("m/q02", b"%d" % number) for number in range(300))
        assert until(lambda: source.counters()["held"] > 0)
        seen: set[float] = set()
        deadline = time.monotonic() + 30
        while len(seen) < 300 and time.monotonic() < deadline:
            delivery = taken.get(timeout=10)
            seen |= {reading.value for reading in delivery.readings}
            if delivery.token is not None:
                source.ack(delivery.token)
        assert seen == {number * 1000 for number in range(300)}
    source.stop(5)


@pytest.mark.slow
def test_rate_limit_slows_the_broker_and_loses_nothing(broker: Mosquitto) -> None:
    taken: queue.Queue[Delivery] = queue.Queue()
    source = source_of(site(broker.port, rate_limit=50))
    started(source, lambda delivery: (taken.put(delivery), source.ack(delivery.token))[0])
    with sending(broker) as out:
        assert until(out.connected)
        begun = time.monotonic()
        assert all(out.publish("m/q02", b"%d" % number) for number in range(120))
        assert len(all_readings(taken, 120)) == 120
        assert time.monotonic() - begun > 1.0
    assert source.counters()["paused"] > 0
    source.stop(5)


@pytest.mark.slow
def test_nothing_is_delivered_after_stop(broker: Mosquitto) -> None:
    taken: queue.Queue[Delivery] = queue.Queue()
    source = source_of(site(broker.port))
    started(source, taken.put)
    source.stop(5)
    with sending(broker) as out:
        assert until(out.connected)
        assert out.publish("m/q02", b"1")
        time.sleep(0.2)
    assert taken.empty()


def test_options_come_from_the_plan_over_its_broker_and_faults_are_reported_at_once() -> None:
    plan = site(1884, keep_alive_s=30)
    settings = settings_for(plan.sources[0], plan)
    assert (settings.host, settings.port, settings.keep_alive_s) == ("127.0.0.1", 1884, 30)
    assert settings.client_id == "meterd-harrow-mill-meters"
    with pytest.raises(ConfigError, match=r"unknown option colour.*option port must be like 1884"):
        source_of(site(1884, colour="red", port="x"))
    for options, reason in (
        ({"port": 0}, "port must be at least 1"),
        ({"port": 70_000}, "at most 65535"),
        ({"tls": 1}, "tls must be like False"),
        ({"time_unit": "h"}, "time_unit 'h'"),
    ):
        with pytest.raises(ConfigError, match=reason):
            source_of(site(1884, **options))  # type: ignore[arg-type]


@pytest.mark.parametrize("topic", ["", "m/+", "m/#"])
def test_topic_of_an_input_has_no_wildcard(topic: str) -> None:
    with pytest.raises(ConfigError, match=r"inputs\.csv:3: topic"):
        source_of(site(free_port(), (Input("q", "1.8.0", "meters", topic, where="inputs.csv:3"),)))


def test_foreign_token_is_a_mistake() -> None:
    with pytest.raises(TypeError):
        source_of(site(free_port())).ack("token")
