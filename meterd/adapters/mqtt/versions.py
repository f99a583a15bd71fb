"""Packets of MQTT 3.1.1 as those of MQTT 5 and back: what `front.py` needs, and nothing that lives. Pure.

Only the places that differ are touched: the properties, which 3.1.1 does not know, and the reason codes. Clauses are those
of MQTT 5.0; 3.1 differs from 3.1.1 in the protocol's name and is taken too. Everything raises Unreadable for bytes that
are no MQTT.
"""

from dataclasses import dataclass

CONNECT, CONNACK, PUBLISH, SUBSCRIBE, SUBACK, UNSUBSCRIBE, UNSUBACK = 1, 2, 3, 8, 9, 10, 11
PUBACK, PUBCOMP = 4, 7
DISCONNECT, AUTH = 14, 15
NAMES = (b"\x00\x04MQTT", b"\x00\x06MQIsdp")  # of the protocol: since 3.1.1, and of 3.1
NEWEST = 5
PACKET_LIMIT = 1024 * 1024  # bytes of one packet: it is held until it is whole
SESSION_S = 14 * 86_400  # 3.1.1 knows no end of a session; a holiday loses nothing
FAILED = 0x80
# CONNACK reasons that 3.1.1 has a number for; 3 is "server unavailable"
REFUSALS = {0x84: 1, 0x85: 2, 0x86: 4, 0x8C: 4, 0x87: 5, 0x8A: 5}


class Unreadable(ValueError):
    """Bytes that are no MQTT."""


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet: first byte (kind and flags) and body."""

    first: int
    body: bytes

    @property
    def kind(self) -> int:
        """What it is."""
        return self.first >> 4


def size(data: bytes | bytearray, at: int) -> tuple[int, int] | None:
    """The variable byte integer at a place and where it ends; None while it is not whole (clause 1.5.5).

    >>> size(b"\\xff\\x7f", 0)
    (16383, 2)
    """
    value = 0
    for place in range(4):
        if at + place >= len(data):
            return None
        byte = data[at + place]
        value |= (byte & 0x7F) << (7 * place)
        if byte < 0x80:
            return value, at + place + 1
    raise Unreadable("a length of more than four bytes")


def written(packet: Packet) -> bytes:
    """The bytes of a packet.

    >>> written(Packet(0x30, bytes(200)))[:3]
    b'0\\xc8\\x01'
    """
    length, rest = bytearray(), len(packet.body)
    while rest >= 0x80:
        length.append(rest & 0x7F | 0x80)
        rest >>= 7
    return bytes([packet.first, *length, rest]) + packet.body


def taken(held: bytearray) -> list[Packet]:
    """The packets that are whole, taken out of what has come so far."""
    packets, at = [], 0
    while at < len(held):
        length = size(held, at + 1)
        if length is None:
            break
        count, begin = length
        if count > PACKET_LIMIT:
            raise Unreadable(f"a packet of {count} bytes")
        if begin + count > len(held):
            break
        packets.append(Packet(held[at], bytes(held[begin : begin + count])))
        at = begin + count
    del held[:at]
    return packets


def version(packet: Packet) -> int:
    """The protocol level of a CONNECT (clause 3.1.2): 3 and 4 for 3.1 and 3.1.1, 5 for MQTT 5."""
    name = _name(packet)
    if packet.kind != CONNECT or len(packet.body) <= len(name):
        raise Unreadable("the first packet is no CONNECT")
    return packet.body[len(name)]


def _name(packet: Packet) -> bytes:
    result = next((name for name in NAMES if packet.body.startswith(name)), None)
    if result is None:
        raise Unreadable("another protocol")
    return result


def up(packet: Packet) -> Packet:
    """A packet of a client of 3.1.1 as MQTT 5 has it."""
    first, body = packet.first, packet.body
    if packet.kind == CONNECT:
        return Packet(first, _connect(packet))
    if packet.kind == PUBLISH:
        at = _after_topic(packet)
        return Packet(first, body[:at] + b"\0" + body[at:])
    if packet.kind in (SUBSCRIBE, UNSUBSCRIBE):
        return Packet(first, body[:2] + b"\0" + body[2:])
    return packet


def _connect(packet: Packet) -> bytes:
    body, begin = packet.body, len(_name(packet))
    head = body[begin : begin + 4]  # level, flags, keep-alive
    if len(head) < 4:
        raise Unreadable("a CONNECT that is cut short")
    clean, will = bool(head[1] & 0x02), bool(head[1] & 0x04)
    properties = b"\0" if clean else b"\x05\x11" + SESSION_S.to_bytes(4, "big")
    name_end = begin + 6 + int.from_bytes(body[begin + 4 : begin + 6], "big")
    rest = (b"\0" if will else b"") + body[name_end:]
    return NAMES[0] + bytes([NEWEST]) + head[1:] + properties + body[begin + 4 : name_end] + rest


def _after_topic(packet: Packet) -> int:
    """Where the properties of a PUBLISH stand: after the topic, and the packet's number if it has a QoS."""
    at = 2 + int.from_bytes(packet.body[:2], "big") + (2 if packet.first & 0x06 else 0)
    if at > len(packet.body):
        raise Unreadable("a PUBLISH that is cut short")
    return at


def down(packet: Packet) -> Packet | None:
    """A packet of a server of MQTT 5 as 3.1.1 has it; None for what 3.1.1 does not know."""
    first, body = packet.first, packet.body
    if packet.kind == CONNACK:
        reason = body[1] if len(body) > 1 else FAILED
        return Packet(first, bytes([body[0] if body else 0, REFUSALS.get(reason, 3) if reason else 0]))
    if packet.kind == PUBLISH:
        at = _after_topic(packet)
        return Packet(first, body[:at] + body[_after(body, at) :])
    if PUBACK <= packet.kind <= PUBCOMP or packet.kind == UNSUBACK:
        return Packet(first, body[:2])
    if packet.kind == SUBACK:
        return Packet(first, body[:2] + bytes(min(code, FAILED) for code in body[_after(body, 2) :]))
    return None if packet.kind in (DISCONNECT, AUTH) else packet


def _after(body: bytes, at: int) -> int:
    """Where the properties that begin at a place end."""
    length = size(body, at)
    if length is None:
        raise Unreadable("properties that are cut short")
    return length[0] + length[1]


def with_retained(packet: Packet) -> Packet:
    """A SUBSCRIBE of MQTT 5 with QoS 0 for every filter that has a wildcard, so that a rumqttd sends all it has retained.

    Shared subscriptions get no retained messages and stay. What is cut short stays too: the broker says what it thinks of it.
    """
    body = bytearray(packet.body)
    try:
        at = _after(packet.body, 2)
    except Unreadable:
        return packet
    while at + 2 < len(body):
        end = at + 2 + int.from_bytes(body[at : at + 2], "big")
        name = body[at + 2 : end]
        if end < len(body) and (b"#" in name or b"+" in name) and not name.startswith(b"$share/"):
            body[end] &= 0xFC
        at = end + 1
    return Packet(packet.first, bytes(body))
