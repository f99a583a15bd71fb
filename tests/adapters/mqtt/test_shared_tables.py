"""Properties with shared tables say what the library's own say, and are what the client reads packets with."""

import pytest
from paho.mqtt import _packet
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from meterd.adapters.mqtt.network_loop import Client
from meterd.adapters.mqtt.shared_tables import SharedTables
from tests.adapters.mqtt.packets import USER

KINDS = (PacketTypes.CONNECT, PacketTypes.CONNACK, PacketTypes.PUBLISH, PacketTypes.PUBACK, PacketTypes.SUBACK)
EXPIRY, TYPE = b"\x02\x00\x00\x00\x3c", b"\x03\x00\x04text"


@pytest.mark.parametrize("packed", [b"\x00", USER, b"\x0c" + EXPIRY + TYPE, b"\x05" + EXPIRY])
def test_what_is_read_and_written_is_the_same(packed: bytes) -> None:
    """From bytes to values and back; a second reading forgets the first."""
    plain, ours = Properties(PacketTypes.PUBLISH), SharedTables(PacketTypes.PUBLISH)
    for properties in (plain, ours):
        properties.unpack(b"\x05" + EXPIRY)
        _, length = properties.unpack(packed + b"payload")
        assert length == len(packed)
    assert ours.json() == plain.json()
    assert ours.pack() == plain.pack() == packed


@pytest.mark.parametrize("kind", KINDS)
def test_the_tables_are_those_of_the_library_for_every_kind_of_packet(kind: int) -> None:
    """And nothing set in one shows in another."""
    ours = SharedTables(kind)
    assert vars(ours) == vars(Properties(kind))
    ours.UserProperty = ("a", "b")
    assert SharedTables(kind).isEmpty()


def test_the_client_reads_packets_with_them() -> None:
    """The library's function that reads a message makes them, not its own."""
    assert Client is not None, "the module that has the client has told the library"
    read = _packet.decode_publish(0x30, b"\x00\x01m\x05" + EXPIRY + b"12.5", 5)
    assert isinstance(read.properties, SharedTables)
    assert (read.properties.MessageExpiryInterval, read.payload) == (60, b"12.5")
