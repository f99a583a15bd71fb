"""What a client sends reaches the broker as it is, but for its version and the QoS of wildcards, however the bytes are cut."""

import pytest

from meterd.adapters.mqtt.front import Talk
from meterd.adapters.mqtt.versions import Unreadable
from tests.adapters.mqtt.packets import CLEAN, PAYLOAD, USER, cut, packet, text

FILTERS = ["a/#", "a/b", "+/c", "$share/g/a/#", "d+"]
LOWERED = [0, 2, 0, 2, 0]


def subscription(properties: bytes, more: int, qos: list[int]) -> bytes:
    """A SUBSCRIBE with options beside the QoS."""
    filters = b"".join(text(name) + bytes([item | more]) for name, item in zip(FILTERS, qos, strict=True))
    return packet(0x82, b"\x00\x07" + properties + filters)


# what a client says, and what the broker is to hear: (of MQTT 5, of 3.1.1)
SAID = {
    5: (
        [
            packet(0x10, b"\x00\x04MQTT\x05\x02\x00\x0f\x00\x00\x01c"),
            subscription(USER, 0x2C, [2] * 5),
            packet(0x30, text("x/y") + b"\x00" + PAYLOAD),
            packet(0xC0, b""),
        ],
        {1: subscription(USER, 0x2C, LOWERED)},
    ),
    4: (
        [
            packet(0x10, CLEAN),
            subscription(b"", 0, [2] * 5),
            packet(0x30, text("x/y") + PAYLOAD),
            packet(0x33, text("x/y") + b"\x00\x08" + b"12"),
            packet(0x40, b"\x00\x09"),
            packet(0xA2, b"\x00\x0a" + text("a/b")),
            packet(0xC0, b""),
            packet(0xE0, b""),
        ],
        {
            0: packet(0x10, b"\x00\x04MQTT\x05\x02\x00\x0f\x00\x00\x01c"),
            1: subscription(b"\x00", 0, LOWERED),
            2: packet(0x30, text("x/y") + b"\x00" + PAYLOAD),
            3: packet(0x33, text("x/y") + b"\x00\x08" + b"\x00" + b"12"),
            5: packet(0xA2, b"\x00\x0a\x00" + text("a/b")),
        },
    ),
}


@pytest.mark.parametrize("level", [4, 5])
def test_what_a_client_says_is_understood_wherever_the_bytes_are_cut(level: int) -> None:
    texts, changed = SAID[level]
    wanted = b"".join(changed.get(place, item) for place, item in enumerate(texts))
    for seed in range(50):
        talk = Talk()
        assert b"".join(map(talk.to_broker, cut(b"".join(texts), seed))) == wanted
    talk, small = Talk(), b"".join(item for item in texts if len(item) < 1000)
    one_by_one = b"".join(talk.to_broker(small[i : i + 1]) for i in range(len(small)))
    assert one_by_one == b"".join(changed.get(place, item) for place, item in enumerate(texts) if len(item) < 1000)


def test_a_client_of_mqtt_5_hears_every_byte_as_it_is() -> None:
    talk = Talk()
    talk.to_broker(SAID[5][0][0])
    assert talk.to_client(b"any bytes") == b"any bytes"


def test_a_subscription_that_is_cut_short_is_left_to_the_broker() -> None:
    for body in (
        b"",
        b"\x00",
        b"\x00\x01",
        b"\x00\x01\x00\x00\x09a/#",
        b"\x00\x01\x00\xff\xff\xff",
        b"\x00\x01\x00\x00\x03a/#",
    ):
        talk = Talk()
        talk.to_broker(SAID[5][0][0])
        assert talk.to_broker(packet(0x82, body)) == packet(0x82, body)


@pytest.mark.parametrize(
    "first",
    [
        b"GET / HTTP/1.1\r\n" + bytes(80),
        b"\x16\x03\x01\x00",
        packet(0x10, b"\x00\x04MQTX\x05"),
        packet(0x10, b"\x00\x04MQTT"),
        packet(0x10, b"\x00\x04MQTT\x04\x02"),
        b"\x10\xff\xff\xff\xff",
        b"\x10\xff\xff\xff\x7f",
    ],
)
def test_what_is_no_mqtt_or_beyond_any_measure_is_turned_away(first: bytes) -> None:
    with pytest.raises(Unreadable):
        Talk().to_broker(first)
