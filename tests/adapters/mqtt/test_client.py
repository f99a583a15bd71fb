"""The link comes back by itself, confirms only what was committed, and no callback, broker or payload ends it."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import Message, MessageQueue, Token
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.core.errors import ConfigError, PublishError
from tests.brokers import Mosquitto, free_port, until

pytestmark = pytest.mark.slow


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto("max_inflight_messages 1000") as running:
        yield running


def settings(broker: Mosquitto, client_id: str = "meterd-test", **changed: object) -> LinkSettings:
    plain = LinkSettings(client_id, host="127.0.0.1", port=broker.port, retry_min_s=0.1, retry_max_s=0.3)
    return replace(plain, **changed)  # type: ignore[arg-type]


def reader(broker: Mosquitto, *topics: str, size: int = 5000, **changed: object) -> tuple[Link, MessageQueue]:
    inbox = MessageQueue(size)
    return Link(settings(broker, "reader", **changed), topics=topics, inbox=inbox), inbox


def writer(broker: Mosquitto, **changed: object) -> Link:
    return Link(settings(broker, "writer", session_expiry_s=0, **changed))


def take(inbox: MessageQueue, count: int) -> list[Message]:
    return [inbox.get(timeout=20) for _ in range(count)]


def ready(link: Link) -> bool:
    return until(lambda: link.state().subscribed)


def ready_again(link: Link) -> bool:
    """Subscribed at the broker that came back: a link may not have seen yet that the other one was gone."""
    return until(lambda: link.state().counters.connects >= 2 and link.state().subscribed)


def send(link: Link, topic: str, payloads: list[bytes]) -> None:
    assert until(link.connected)
    assert all(link.publish(topic, payload) for payload in payloads)
    assert until(lambda: link.unacknowledged() == 0)


def test_message_arrives_with_topic_bytes_flags_and_token(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "meters/q01")
    with link, writer(broker) as out:
        assert ready(link)
        send(out, "meters/q01", [b"12.5"])
        (message,) = take(inbox, 1)
        assert (message.topic, message.payload, message.retain, message.dup) == ("meters/q01", b"12.5", False, False)
        assert link.ack(message.token)
        assert 0 <= time.monotonic() - message.arrived < 5


def test_b1_resubscribes_after_the_broker_was_killed_and_forgot_the_session() -> None:
    with Mosquitto(persistent=False) as broker:
        link, inbox = reader(broker, "meters/q01")
        with link, writer(broker) as out:
            assert ready(link)
            assert until(out.connected)
            broker.restart()
            assert ready_again(link)
            assert until(lambda: out.state().counters.connects >= 2 and out.connected())
            send(out, "meters/q01", [b"1", b"2", b"3"])
            assert [message.payload for message in take(inbox, 3)] == [b"1", b"2", b"3"]


def test_unacknowledged_messages_come_again_after_reconnect_and_acknowledged_ones_do_not(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "meters/q01")
    with writer(broker) as out:
        with link:
            assert ready(link)
            send(out, "meters/q01", [b"%d" % number for number in range(10)])
            first = take(inbox, 10)
            assert all(link.ack(message.token) for message in first[:4])
            time.sleep(0.2)
        again, inbox = reader(broker, "meters/q01")
        with again:
            assert [message.payload for message in take(inbox, 6)] == [b"%d" % number for number in range(4, 10)]
            assert not again.ack(first[5].token), "a token of another connection confirms nothing"
            assert again.state().counters.late_acks == 1


def test_persistent_session_keeps_messages_of_an_absence(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "meters/q01")
    with link:
        assert ready(link)
    with writer(broker) as out:
        send(out, "meters/q01", [b"%d" % number for number in range(300)])
    again, inbox = reader(broker, "meters/q01")
    with again:
        assert [int(message.payload) for message in take(inbox, 300)] == list(range(300))


def test_receive_maximum_lets_more_than_twenty_wait_for_the_commit(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "meters/q01", receive_maximum=200)
    with link, writer(broker) as out:
        assert ready(link)
        send(out, "meters/q01", [b"1"] * 500)
        held = take(inbox, 200)
        time.sleep(0.3)
        assert inbox.empty(), "the broker waits at the receive maximum"
        assert all(link.ack(message.token) for message in held)
        assert len(take(inbox, 200)) == 200


def test_small_inbox_slows_the_broker_and_loses_nothing(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "meters/q01", size=20)
    with link, writer(broker) as out:
        assert ready(link)
        send(out, "meters/q01", [b"%d" % number for number in range(100)])
        got = []
        for _ in range(100):
            (message,) = take(inbox, 1)
            got.append(int(message.payload))
            link.ack(message.token)
        assert got == list(range(100))
        assert link.state().counters.dropped == 0


def test_full_inbox_turns_away_only_messages_without_acknowledgement(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "meters/q01", size=20)
    with link, writer(broker) as out:
        assert ready(link)
        assert until(out.connected)
        for _ in range(50):
            out.publish("meters/q01", b"0", qos=0)
        assert until(lambda: link.state().counters.received == 50)
        assert link.state().counters.dropped == 40
        assert inbox.qsize() == 10


def test_b15_refused_subscription_is_reported_with_its_topic(tmp_path: Path) -> None:
    rule = {"publishClientSend": True, "publishClientReceive": True, "subscribe": False, "unsubscribe": True}
    grant = {"rolename": "r", "acls": [{"acltype": "subscribeLiteral", "topic": "meters/q01", "allow": True}]}
    group = {"groupname": "anyone", "roles": [{"rolename": "r"}]}
    everything = {"defaultACLAccess": rule, "roles": [grant], "groups": [group], "anonymousGroup": "anyone"}
    access = tmp_path / "access.json"
    access.write_text(json.dumps(everything))
    # mosquitto's plain access file grants every subscription and filters on delivery; its plugin refuses with a code
    plugin = f"plugin {plugin_file()}\nplugin_opt_config_file {access}"
    with Mosquitto(plugin) as broker:
        link, inbox = reader(broker, "meters/q01", "meters/secret")
        with link, writer(broker) as out:
            assert until(lambda: link.state().refused_topics)
            assert link.state().refused_topics == (("meters/secret", "Not authorized"),)
            assert link.state().counters.subscriptions_refused == 1
            send(out, "meters/q01", [b"1"])
            assert take(inbox, 1)[0].payload == b"1"


def plugin_file() -> Path:
    (path,) = Path("/usr/lib").glob("*/mosquitto_dynamic_security.so")
    return path


@pytest.mark.parametrize("kind", [ValueError, KeyError, RuntimeError])
def test_b14_exception_in_a_callback_is_counted_and_messages_go_on(broker: Mosquitto, kind: type[Exception]) -> None:
    def broken(_session_present: bool) -> None:
        raise kind("planted")

    inbox = MessageQueue(100)
    with Link(settings(broker), topics=["a"], inbox=inbox, on_connected=broken) as link, writer(broker) as out:
        assert ready(link)
        send(out, "a", [b"1"])
        assert take(inbox, 1)[0].payload == b"1"
        assert link.alive()
        assert link.state().counters.callback_errors == 1
        assert "planted" in link.state().last_error


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_dead_network_thread_is_seen_and_revived(broker: Mosquitto) -> None:
    killed = []

    def deadly(_session_present: bool) -> None:
        if not killed:
            killed.append(True)
            raise SystemExit  # passes every `except Exception`, as a defect in the library could

    inbox = MessageQueue(100)
    with Link(settings(broker), topics=["a"], inbox=inbox, on_connected=deadly) as link, writer(broker) as out:
        assert until(lambda: killed)
        assert until(lambda: not link.alive())
        assert not link.connected()
        assert not link.publish("a", b"1")
        assert link.revive()
        assert ready(link)
        assert not link.revive()
        assert link.state().counters.revivals == 1
        send(out, "a", [b"2"])
        assert take(inbox, 1)[0].payload == b"2"


def test_offline_publish_is_refused_and_nothing_is_sent_late(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "a")
    with link, writer(broker) as out:
        assert ready(link)
        send(out, "a", [b"before"])
        assert link.ack(take(inbox, 1)[0].token)
        broker.kill()
        assert until(lambda: not out.connected())
        assert [out.publish("a", b"lost") for _ in range(5)] == [False] * 5
        broker.start()
        assert ready_again(link)
        send(out, "a", [b"after"])
        assert take(inbox, 1)[0].payload == b"after"
        assert out.state().counters.publish_offline == 5


def test_unconfirmed_publishes_of_a_frozen_broker_are_dropped_at_the_next_connect(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "a")
    with link, writer(broker) as out:
        assert ready(link)
        assert until(out.connected)
        broker.freeze()
        assert all(out.publish("a", b"%d" % number) for number in range(50))
        assert out.unacknowledged() == 50
        broker.restart()
        assert until(lambda: out.state().counters.connects >= 2 and out.connected())
        assert ready_again(link)
        assert out.unacknowledged() == 0
        send(out, "a", [b"fresh"])
        assert take(inbox, 1)[0].payload == b"fresh"


def test_b10_frozen_broker_is_noticed_within_two_keep_alives_and_close_does_not_hang(broker: Mosquitto) -> None:
    link, _inbox = reader(broker, "a", keep_alive_s=1, stop_limit_s=0.5)
    with link:
        assert ready(link)
        broker.freeze()
        assert until(lambda: not link.connected(), 4.0)
        begun = time.monotonic()
    assert time.monotonic() - begun < 3.0
    assert until(lambda: not link.alive(), 4.0)
    broker.thaw()


def test_full_backlog_of_unconfirmed_publishes_is_refused(broker: Mosquitto) -> None:
    with writer(broker, unacknowledged_limit=30) as out:
        assert until(out.connected)
        broker.freeze()
        answers = [out.publish("a", b"1") for _ in range(50)]
        assert answers == [True] * 30 + [False] * 20
        broker.thaw()
        assert until(lambda: out.unacknowledged() == 0)


def test_b12_empty_payload_is_refused_and_clear_deletes(broker: Mosquitto) -> None:
    with writer(broker) as out:
        assert until(out.connected)
        with pytest.raises(PublishError, match="use clear"):
            out.publish("a", b"", retain=True)
        assert out.publish("a", b"1", retain=True)
        assert until(lambda: out.unacknowledged() == 0)
        link, inbox = reader(broker, "a")
        with link:
            (message,) = take(inbox, 1)
            assert message.retain
            assert out.clear("a")
            assert take(inbox, 1)[0].payload == b""


@pytest.mark.parametrize("topic", ["", "a/+", "a/#", "a\0b"])
def test_topic_with_wildcard_is_refused(topic: str) -> None:
    with pytest.raises(PublishError, match="wildcard"):
        Link(LinkSettings("x", host="127.0.0.1", port=free_port())).publish(topic, b"1")


def test_b13_large_payload_is_refused_confirmed_and_counted(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "a")
    with link, writer(broker, payload_limit=2_000_000) as out:
        assert ready(link)
        send(out, "a", [b"x" * 1_000_000, b"1"])
        assert take(inbox, 1)[0].payload == b"1"
        assert link.state().counters.refused == 1
        assert "1000000 bytes" in link.state().last_error
        with pytest.raises(PublishError, match="the limit is 262144"):
            link.publish("a", b"x" * 262_145)


def test_retained_value_carries_content_type_and_dies_at_its_expiry(broker: Mosquitto) -> None:
    with writer(broker) as out:
        assert until(out.connected)
        assert out.publish("a", b"1", retain=True, expiry_s=1, content_type="application/senml+json")
        assert until(lambda: out.unacknowledged() == 0)
        link, inbox = reader(broker, "a")
        with link:
            assert take(inbox, 1)[0].retain
        time.sleep(2.1)
        late, empty = reader(broker, "a", session_expiry_s=0)
        with late:
            assert ready(late)
            time.sleep(0.3)
            assert empty.empty() or not empty.get().retain


WITH_WILL = """
import sys, time
from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings, Will
will = Will("service", b"gone", content_type="text/plain", expiry_s=60)
with Link(LinkSettings("mortal", host="127.0.0.1", port=int(sys.argv[1])), will=will) as link:
    while not link.connected():
        time.sleep(0.01)
    print("connected", flush=True)
    sys.stdin.readline()
"""


def test_b7_will_is_sent_when_the_process_is_killed_and_not_when_it_closes(broker: Mosquitto) -> None:
    link, inbox = reader(broker, "service")
    with link:
        assert ready(link)
        for ending in ("close", "kill"):
            command = [sys.executable, "-c", WITH_WILL, str(broker.port)]
            with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as mortal:
                assert mortal.stdout is not None
                assert mortal.stdin is not None
                assert mortal.stdout.readline() == b"connected\n"
                assert inbox.empty()
                if ending == "kill":
                    mortal.kill()
                mortal.stdin.close()
                mortal.wait(10)
        assert take(inbox, 1)[0].payload == b"gone"
        assert inbox.empty()


def test_b8_take_over_by_a_second_client_of_the_same_id_is_counted(broker: Mosquitto) -> None:
    with Link(settings(broker, "twin")) as first:
        assert until(first.connected)
        with Link(settings(broker, "twin")):
            # mosquitto 2.0.11 closes the old connection without the code 0x8E that MQTT 5 has for it
            assert until(lambda: first.state().counters.short_connections >= 1)


def test_closing_while_no_broker_answers_ends_at_once() -> None:
    link = Link(LinkSettings("x", host="127.0.0.1", port=free_port(), retry_min_s=0.05, retry_max_s=0.1))
    link.start()
    assert until(lambda: link.state().counters.connect_failures >= 2)
    assert link.alive()
    assert not link.connected()
    link.close()
    assert not link.alive()


def test_wrong_password_is_reported_and_tried_again(tmp_path: Path) -> None:
    text = tmp_path / "passwords"
    text.touch()
    with Mosquitto(f"allow_anonymous false\npassword_file {text}") as broker:
        link, _inbox = reader(broker, "a", username="meterd", password="wrong")
        with link:
            assert until(lambda: link.state().counters.connect_failures >= 2)
            assert not link.connected()
            assert "refused the connection" in link.state().last_error


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # paho leaves a refused socket to gc
def test_tls_checks_the_name_of_the_server_and_reads_the_end_of_its_certificate(tmp_path: Path) -> None:
    certificate(tmp_path, "localhost")
    listener = f"cafile {tmp_path}/ca.pem\ncertfile {tmp_path}/server.pem\nkeyfile {tmp_path}/server.key"
    with Mosquitto(listener=listener) as broker:
        right = Link(settings(broker, "right", host="localhost", tls=True, ca_file=f"{tmp_path}/ca.pem"))
        with right:
            assert until(right.connected)
            until_s = right.state().certificate_until_s
            assert until_s is not None
            assert 0 < until_s - time.time() < 3 * 86_400
        other = Link(settings(broker, "other", host="127.0.0.1", tls=True, ca_file=f"{tmp_path}/ca.pem"))
        with other:
            assert until(lambda: other.state().counters.connect_failures >= 1)
            assert not other.connected()


def certificate(folder: Path, name: str) -> None:
    """An authority and a server certificate for `name`, valid for two days."""
    run = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=test authority"]
    subprocess.run([*run, "-keyout", folder / "ca.key", "-out", folder / "ca.pem"], check=True, capture_output=True)
    ask = ["openssl", "req", "-new", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}"]
    subprocess.run(
        [*ask, "-keyout", folder / "server.key", "-out", folder / "server.csr"], check=True, capture_output=True
    )
    (folder / "ext").write_text(f"subjectAltName=DNS:{name}\n")
    sign = ["openssl", "x509", "-req", "-days", "2", "-in", folder / "server.csr", "-extfile", folder / "ext"]
    signed = ["-CA", folder / "ca.pem", "-CAkey", folder / "ca.key", "-CAcreateserial", "-out", folder / "server.pem"]
    subprocess.run([*sign, *signed], check=True, capture_output=True)


def test_settings_that_cannot_work_are_refused_in_words(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no host name"):
        Link(LinkSettings("x", host="a" * 70 + ".example"))
    with pytest.raises(ConfigError, match="empty"):
        Link(LinkSettings("x", host=""))
    with pytest.raises(ConfigError, match="certificate files"):
        Link(LinkSettings("x", tls=True, ca_file=str(tmp_path / "missing.pem")))


def test_ack_of_a_foreign_object_is_a_mistake_and_qos_0_needs_none() -> None:
    link = Link(LinkSettings("x", port=free_port()))
    with pytest.raises(TypeError):
        link.ack("token")
    assert link.ack(Token(0, 0, 0))
    link.close()


def test_unsubscribe_ends_what_an_older_plan_had_subscribed(broker: Mosquitto) -> None:
    old, _inbox = reader(broker, "old", "kept")
    with old:
        assert ready(old)
    link, inbox = reader(broker, "kept")
    with link, writer(broker) as out:
        assert ready(link)
        send(out, "old", [b"1"])
        assert take(inbox, 1)[0].topic == "old"
        link.unsubscribe("old")
        time.sleep(0.2)
        send(out, "old", [b"2"])
        send(out, "kept", [b"3"])
        assert take(inbox, 1)[0].topic == "kept"
