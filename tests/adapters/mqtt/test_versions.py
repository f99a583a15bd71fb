"""Packets of MQTT 3.1.1 become those of 5 and back: session, will, reason codes, and what the broker answers."""

import pytest

from meterd.adapters.mqtt.front import Talk
from tests.adapters.mqtt.packets import CLEAN, PAYLOAD, USER, cut, packet, text

# what a broker of MQTT 5 says, and what a client of 3.1.1 is to hear
ANSWERED = [
    (packet(0x20, b"\x01\x00\x03\x21\x00\x14"), packet(0x20, b"\x01\x00")),
    (packet(0x90, b"\x00\x07\x00\x00\x02\x87"), packet(0x90, b"\x00\x07\x00\x02\x80")),
    (packet(0x31, text("a/b") + b"\x05\x02\x00\x00\x00\x3c" + PAYLOAD), packet(0x31, text("a/b") + PAYLOAD)),
    (packet(0x33, text("a/b") + b"\x00\x01" + USER + b"1"), packet(0x33, text("a/b") + b"\x00\x01" + b"1")),
    (packet(0x40, b"\x00\x08\x10\x00"), packet(0x40, b"\x00\x08")),
    (packet(0xB0, b"\x00\x0a\x00\x00"), packet(0xB0, b"\x00\x0a")),
    (packet(0xE0, b"\x8b\x00"), b""),
    (packet(0xD0, b""), packet(0xD0, b"")),
]


def test_what_the_broker_answers_is_understood_by_a_client_of_3_1_1() -> None:
    whole, wanted = b"".join(a for a, _ in ANSWERED), b"".join(b for _, b in ANSWERED)
    for seed in range(50):
        talk = Talk()
        talk.to_broker(packet(0x10, CLEAN))
        assert b"".join(map(talk.to_client, cut(whole, seed))) == wanted


@pytest.mark.parametrize(("reason", "code"), [(0, 0), (0x85, 2), (0x86, 4), (0x87, 5), (0x97, 3)])
def test_a_refusal_is_reported_in_the_numbers_of_3_1_1(reason: int, code: int) -> None:
    talk = Talk()
    talk.to_broker(packet(0x10, CLEAN))
    assert talk.to_client(packet(0x20, bytes([0, reason, 0]))) == packet(0x20, bytes([0, code]))


def test_session_and_will_of_3_1_1_have_their_place_in_5() -> None:
    flags = 0x04 | 0x08 | 0x20 | 0xC0  # a retained will with QoS 1, user and password, no clean session
    rest = text("w") + text("gone") + text("user") + text("word")
    old = packet(0x10, b"\x00\x06MQIsdp\x03" + bytes([flags]) + b"\x00\x0f" + text("id") + rest)
    properties = b"\x05\x11" + (14 * 86_400).to_bytes(4, "big")
    new = packet(0x10, b"\x00\x04MQTT\x05" + bytes([flags]) + b"\x00\x0f" + properties + text("id") + b"\x00" + rest)
    assert Talk().to_broker(old) == new
