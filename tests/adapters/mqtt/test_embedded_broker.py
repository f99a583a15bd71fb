"""The embedded broker, of either kind, serves MQTT 5 and 3.1.1 on one port, says when it is taken, and comes back when killed."""

import contextlib
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.embedded_broker import BUILT_IN, PROGRAM_VARIABLE, EmbeddedBroker, free_port, installed
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.core.errors import PublishError
from tests.adapters.mqtt.plain import RETAINED, fill, gathered, plain_client
from tests.brokers import program, until

pytestmark = pytest.mark.slow
both_kinds = pytest.mark.parametrize("kind", [None, program()], ids=["built-in", "mosquitto"])


def ready(link: Link) -> bool:
    return until(lambda: link.state().subscribed)


def link_to(port: int, name: str, *topics: str) -> tuple[Link, MessageQueue]:
    inbox = MessageQueue(5000)
    settings = LinkSettings(name, host="127.0.0.1", port=port, retry_min_s=0.1, retry_max_s=0.3)
    return Link(settings, topics=topics, inbox=inbox), inbox


@both_kinds
def test_version_5_round_trip_with_retained_value_and_expiry(kind: str | None) -> None:
    with EmbeddedBroker(program=kind) as broker:
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


@both_kinds
@pytest.mark.parametrize("writer", [4, 5])
def test_i4_every_client_gets_all_retained_messages_on_one_port(kind: str | None, writer: int) -> None:
    """Found with the demo: a 3.1.1 client was cut off, and a wildcard of QoS 1 got 100 of 590, `catalogue` never."""
    with EmbeddedBroker(program=kind) as broker:
        fill(broker.port, writer)
        for version in (4, 5):
            for qos in (0, 1, 2):
                got = gathered(broker.port, version, qos, "many/#", lambda seen: len(seen) == RETAINED)
                assert len(got) == RETAINED, (version, qos, len(got))
                assert len(got["many/catalogue"]) == 100_000


@both_kinds
def test_i4_a_client_of_3_1_1_has_will_session_and_all_kinds_of_delivery(kind: str | None) -> None:
    with EmbeddedBroker(program=kind) as broker:
        link, inbox = link_to(broker.port, "five", "gone", "up")
        old = plain_client(4, "old", clean=False)
        seen: list[tuple[str, int]] = []
        old.on_connect = lambda c, *_: c.subscribe([("down", 1), ("twice", 2)])
        old.on_message = lambda _c, _u, m: seen.append((m.payload.decode(), m.qos))
        old.will_set("gone", b"by the will", qos=1)
        old.connect("127.0.0.1", broker.port)
        old.loop_start()
        with link:
            assert ready(link)
            for qos in (0, 1, 2):
                old.publish("up", b"%d" % qos, qos=qos).wait_for_publish(10)
            assert sorted(inbox.get(timeout=10).payload for _ in range(3)) == [b"0", b"1", b"2"]
            assert until(lambda: link.publish("down", b"a") and link.publish("twice", b"b", qos=2))
            assert until(lambda: sorted(seen) == [("a", 1), ("b", 2)]), seen
            old._sock.close()  # type: ignore[union-attr]  # without a goodbye
            old.loop_stop()
            assert inbox.get(timeout=30).payload == b"by the will"
            for number in range(20):
                assert link.publish("down", b"%d" % number, expiry_s=600)
            assert until(lambda: link.unacknowledged() == 0)
        seen.clear()
        back = plain_client(4, "old", clean=False)
        back.on_message = lambda _c, _u, m: seen.append((m.payload.decode(), m.qos))
        back.connect("127.0.0.1", broker.port)
        back.loop_start()
        assert until(lambda: seen == [(str(number), 1) for number in range(20)]), seen
        back.disconnect()
        back.loop_stop()


@both_kinds
def test_sessions_keep_what_comes_on_a_topic_while_the_client_is_away(kind: str | None) -> None:
    with EmbeddedBroker(program=kind) as broker:
        for _ in range(2):
            link, inbox = link_to(broker.port, "absent", "a")
            with link:
                assert ready(link)
            out, _ = link_to(broker.port, "out")
            with out:
                assert until(out.connected)
                assert all(out.publish("a", b"%d" % number) for number in range(50))
                assert until(lambda out=out: out.unacknowledged() == 0)  # type: ignore[misc]
            link, inbox = link_to(broker.port, "absent", "a")
            with link:
                got = [inbox.get(timeout=10) for _ in range(50)]
                assert [int(message.payload) for message in got] == list(range(50))
                assert all(link.ack(message.token) for message in got)
                time.sleep(0.2)


def test_the_installed_program_is_taken_unless_another_or_none_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(PROGRAM_VARIABLE, raising=False)
    monkeypatch.setenv("PATH", "/nowhere")
    assert installed() == "/usr/sbin/mosquitto"
    monkeypatch.setenv(PROGRAM_VARIABLE, "/opt/other")
    assert installed() == "/opt/other"
    monkeypatch.setenv(PROGRAM_VARIABLE, "")
    assert installed() is None


def test_a_program_that_does_not_start_gives_way_to_the_built_in_broker() -> None:
    with EmbeddedBroker(program="/bin/false") as broker:
        assert broker.kind == BUILT_IN
        assert broker.refused.startswith("/bin/false: the embedded broker did not start on")
        link, _ = link_to(broker.port, "any", "a")
        with link:
            assert ready(link)


@pytest.mark.parametrize("whom", ["guard", "program"])
def test_guard_or_program_killed_ends_the_other_and_both_come_back(whom: str) -> None:
    with EmbeddedBroker(program=program()) as broker:
        first = broker.pid
        (below,) = children(first)
        os.kill(first if whom == "guard" else below, signal.SIGKILL)
        assert until(lambda: broker.restarts == 1, 20)
        assert not alive(below)
        assert not alive(first)
        link, _ = link_to(broker.port, "any", "a")
        with link:
            assert ready(link)


@both_kinds
def test_the_child_ends_with_a_parent_that_was_killed(kind: str | None) -> None:
    code = (
        "import sys, time; from meterd.adapters.mqtt.embedded_broker import EmbeddedBroker;"
        f"b = EmbeddedBroker(program={kind!r}).__enter__(); print(b.pid, flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        family = [pid, *children(pid)]
        parent.kill()
        assert until(lambda: not any(alive(item) for item in family), 20)


def children(pid: int) -> list[int]:
    """Processes below one."""
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()]


def alive(pid: int) -> bool:
    """Whether a process runs and is no zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@both_kinds
def test_killed_child_is_started_again_and_the_link_returns(kind: str | None) -> None:
    again = threading.Event()
    with EmbeddedBroker(program=kind, on_restart=again.set) as broker:
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


@both_kinds
def test_nothing_of_the_child_reaches_the_terminal(kind: str | None, capfd: pytest.CaptureFixture[str]) -> None:
    with (
        EmbeddedBroker(free_port(), program=kind) as broker,
        socket.create_connection(("127.0.0.1", broker.port)) as rude,
    ):
        rude.sendall(b"GET / HTTP/1.1\r\n\r\n")
        time.sleep(0.3)
    assert capfd.readouterr() == ("", "")


def test_messages_missed_by_a_full_inbox_are_fetched_by_a_reconnect() -> None:
    # rumqttd ignores the receive maximum of the client, so a stalled reader's inbox overflows
    with EmbeddedBroker() as broker:
        inbox = MessageQueue(10)
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


def test_a_free_port_is_none_that_an_outgoing_connection_takes() -> None:
    """Found on a busy machine: while the demo made its history somebody was given the port that was free before."""
    lowest = int(Path("/proc/sys/net/ipv4/ip_local_port_range").read_text(encoding="ascii").split()[0])
    assert all(1024 < free_port() < lowest for _ in range(20))


def test_an_address_of_another_machine_has_no_free_port() -> None:
    with pytest.raises(PublishError, match=r"no free port at 192\.0\.2\.1"):
        free_port("192.0.2.1")
