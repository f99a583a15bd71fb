"""Packets of MQTT, byte by byte."""

import random

CLEAN = b"\x00\x04MQTT\x04\x02\x00\x0f\x00\x01c"


def packet(first: int, body: bytes) -> bytes:
    """A packet of MQTT: its kind, its length, its body."""
    length, rest = bytearray(), len(body)
    while rest >= 0x80:
        length.append(rest & 0x7F | 0x80)
        rest >>= 7
    return bytes([first]) + bytes([*length, rest]) + body


def text(message: str) -> bytes:
    """A string of MQTT."""
    return len(message).to_bytes(2, "big") + message.encode()


USER = b"\xd0\x01\x26" + text("k") + text("v" * 202)  # a user property of 208 bytes with its length before it
PAYLOAD = b"\x82\x05\x00\x01\x00\x01#\x01" * 9000  # looks like other packets


def cut(whole: bytes, seed: int) -> list[bytes]:
    """The same bytes in a dozen pieces."""
    cuts = sorted(random.Random(seed).sample(range(len(whole)), 12))
    return [whole[a:b] for a, b in zip([0, *cuts], [*cuts, len(whole)], strict=True)]
