"""The loop below the library's client: over its socket with buffers, many packets at a look, a fresh try after each end."""

import socket
import threading
from collections.abc import Iterator

import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from meterd.adapters.mqtt.connection_loss import Pauses
from meterd.adapters.mqtt.network_loop import Client, NetworkLoop, plain_socket
from tests.adapters.mqtt.packets import packet, text
from tests.brokers import Mosquitto, free_port, until

pytestmark = pytest.mark.slow
MANY = 300


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto("max_inflight_messages 1000") as running:
        yield running


class Served:
    """A client and its loop while the block lasts."""

    def __init__(self, port: int) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True)
        self.looks: list[int] = []  # messages that had come at the end of each look
        self.faults: list[OSError] = []
        self.count = self.connects = 0
        self.client.on_message = self._hear
        self.client.on_connect = self._greet
        self.client.connect_async("127.0.0.1", port)
        self.loop = NetworkLoop(
            self.client,
            Pauses(0.02, 0.05),
            read=lambda: self.looks.append(self.count),
            not_made=self.faults.append,
        )
        self.thread = threading.Thread(target=self.loop.run)

    def _hear(self, *_: object) -> None:
        self.count += 1

    def _greet(self, *_: object) -> None:
        self.client.subscribe("m", qos=1)
        self.connects += 1

    def publish(self, count: int) -> None:
        """Messages to itself."""
        for i in range(count):
            self.client.publish("m", b"%d" % i, qos=1)
        self.loop.ring()

    def __enter__(self) -> "Served":
        self.thread.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.client.disconnect()
        self.loop.end()
        self.thread.join(30.0)
        assert not self.thread.is_alive(), "it ends when told"


def test_many_packets_are_read_at_one_look() -> None:
    """The word that all was read comes once for many messages, not once for each."""
    accepted = packet(0x20, bytes(3))
    many = packet(0x30, text("m") + b"\0" + b"12.5") * MANY
    with socket.create_server(("127.0.0.1", 0)) as server, Served(server.getsockname()[1]) as served:
        connection, _ = server.accept()
        with connection:
            connection.sendall(accepted + many)
            assert until(lambda: served.looks and served.looks[-1] == MANY)
    assert len(set(served.looks)) < MANY / 10


def test_a_broker_that_comes_back_is_found_again(broker: Mosquitto) -> None:
    """Each failed try is told with its reason; what was published meanwhile arrives."""
    with Served(broker.port) as served:
        assert until(lambda: served.connects == 1)
        assert plain_socket(served.client) is not None
        broker.kill()
        assert until(lambda: served.faults)
        assert isinstance(served.faults[0], ConnectionRefusedError)
        broker.start()
        assert until(lambda: served.connects == 2)
        served.publish(1)
        assert until(lambda: served.count == 1)


def test_a_loop_that_never_connects_ends_at_once_when_told() -> None:
    """Also out of its pause, and without any socket left."""
    with Served(free_port()) as served:
        assert until(lambda: len(served.faults) >= 2)
    assert plain_socket(served.client) is None


def test_who_is_silent_after_the_connection_does_not_stop_the_end() -> None:
    """A server that answers nothing, as a frozen broker."""
    with socket.create_server(("127.0.0.1", 0)) as silent, Served(silent.getsockname()[1]) as served:
        assert until(lambda: plain_socket(served.client))
