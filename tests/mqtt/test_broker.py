"""The embedded broker serves MQTT 5 and 3.1.1 on loopback, says when its port is taken, and comes back when killed."""

import contextlib
import os
import queue
import signal
import socket
import threading
import time

import paho.mqtt.client as paho
import pytest

from meterd.errors import PublishError
from meterd.mqtt.broker import EmbeddedBroker, free_port
from meterd.mqtt.link import Link, Message
from meterd.mqtt.settings import LinkSettings
from tests.brokers import until

pytestmark = pytest.mark.slow


def ready(link: Link) -> bool:
    return until(lambda: link.state().subscribed)


def link_to(port: int, name: str, *topics: str) -> tuple[Link, "queue.Queue[Message]"]:
    inbox: queue.Queue[Message] = queue.Queue(5000)
    settings = LinkSettings(name, host="127.0.0.1", port=port, retry_min_s=0.1, retry_max_s=0.3)
    return Link(settings, topics=topics, inbox=inbox), inbox


def test_version_5_round_trip_with_retained_value_and_expiry() -> None:
    with EmbeddedBroker() as broker:
        out, _ = link_to(broker.port, "out")
        with out:
            assert until(out.connected)
            assert out.publish("a", b"kept", retain=True)
            assert out.publish("b", b"short", retain=True, expiry_s=1)
            assert out.publish("c", b"x" * 200_000, retain=True)
            assert until(lambda: out.unacknowledged() == 0)
            time.sleep(1.5)
            late, inbox = link_to(broker.port, "late", "a", "b", "c")
            with late:
                got = {message.topic: message for message in (inbox.get(timeout=5), inbox.get(timeout=5))}
                assert set(got) == {"a", "c"}
                assert got["a"].retain
                assert len(got["c"].payload) == 200_000
                time.sleep(0.3)
                assert inbox.empty()


def test_version_3_1_1_is_served_on_its_own_port() -> None:
    with EmbeddedBroker(port_v4=0) as broker:
        assert broker.port_v4 is not None
        client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
        client.connect("127.0.0.1", broker.port_v4)
        client.loop_start()
        link, inbox = link_to(broker.port, "five", "a")
        with link:
            assert ready(link)
            time.sleep(0.1)
            client.publish("a", b"1", qos=1).wait_for_publish(5)
            assert inbox.get(timeout=5).payload == b"1"
        client.disconnect()
        client.loop_stop()


def test_killed_child_is_started_again_and_the_link_returns() -> None:
    again = threading.Event()
    with EmbeddedBroker(on_restart=again.set) as broker:
        link, inbox = link_to(broker.port, "reader", "a")
        with link:
            assert ready(link)
            before = broker.pid
            os.kill(before, signal.SIGKILL)
            assert again.wait(10)
            assert broker.is_running
            assert broker.pid != before
            assert broker.restarts == 1
            assert until(lambda: link.state().counters.connects >= 2 and link.state().subscribed)
            assert until(lambda: link.publish("a", b"1"))
            assert inbox.get(timeout=5).payload == b"1"
    assert not broker.is_running
    assert broker.pid == 0


def test_taken_port_is_refused_in_words() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(PublishError, match=f"on 127.0.0.1:{port}: .* choose another"):
            EmbeddedBroker(port).__enter__()


def test_nothing_of_the_child_reaches_the_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    with EmbeddedBroker(free_port()) as broker, socket.create_connection(("127.0.0.1", broker.port)) as rude:
        rude.sendall(b"GET / HTTP/1.1\r\n\r\n")
        time.sleep(0.3)
    assert capfd.readouterr() == ("", "")


def test_messages_missed_by_a_full_inbox_are_fetched_by_a_reconnect() -> None:
    # rumqttd ignores the receive maximum of the client, so a stalled reader's inbox overflows
    with EmbeddedBroker() as broker:
        inbox: queue.Queue[Message] = queue.Queue(10)
        settings = LinkSettings("reader", host="127.0.0.1", port=broker.port, retry_min_s=0.1, retry_max_s=0.3)
        out, _ = link_to(broker.port, "out")
        with Link(settings, topics=["a"], inbox=inbox) as link, out:
            assert ready(link)
            assert until(out.connected)
            assert all(out.publish("a", b"%d" % number) for number in range(60))
            assert until(lambda: link.state().counters.dropped > 0)
            seen: list[int] = []
            deadline = time.monotonic() + 20
            while len(seen) < 60 and time.monotonic() < deadline:
                link.revive()
                with contextlib.suppress(queue.Empty):
                    message = inbox.get(timeout=0.2)
                    link.revive()  # not while anything is in hand: it would come twice
                    seen.append(int(message.payload))
                    link.ack(message.token)
            assert seen == list(range(60)), "each once and in order"
            assert link.state().counters.refetches >= 1
