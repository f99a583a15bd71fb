"""Telegrams of SML and IEC 62056-21 as a meter builds them, written from the other side than the reader."""

import struct


def crc_x25(data: bytes) -> int:
    """CRC-16 of ISO/IEC 3309, bit by bit."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8408 if crc & 1 else crc >> 1
    return crc ^ 0xFFFF


def octets(data: bytes) -> bytes:
    """An octet string, with a second length byte where one is not enough."""
    if len(data) + 1 < 16:
        return bytes((len(data) + 1,)) + data
    size = len(data) + 2
    return bytes((0x80 | size >> 4, size & 0x0F)) + data


def whole(value: int, size: int, *, signed: bool) -> bytes:
    """An integer of so many bytes."""
    return bytes(((0x50 if signed else 0x60) + size + 1,)) + value.to_bytes(size, "big", signed=signed)


def fields(*items: bytes) -> bytes:
    """A list."""
    head = bytes((0x70 + len(items),)) if len(items) < 16 else bytes((0xF0 | len(items) >> 4, len(items) & 0x0F))
    return head + b"".join(items)


def entry(code: bytes, unit: int, scaler: int, value: int, *, size: int = 8) -> bytes:
    """One value: name, status, time, unit, scaler, value, signature."""
    return fields(
        octets(code), b"\x01", b"\x01", whole(unit, 1, signed=False), whole(scaler, 1, signed=True),
        whole(value, size, signed=True), b"\x01",
    )  # fmt: skip


def message(tag: int, body: bytes) -> bytes:
    """A message with its own check sum and end."""
    inner = fields(octets(b"\x01\x02"), b"\x62\x00", b"\x62\x00", fields(whole(tag, 2, signed=False), body))
    inner = bytes((0x76,)) + inner[1:]
    return inner + whole(crc_x25(inner), 2, signed=False) + b"\x00"


def sml(*entries: bytes) -> bytes:
    """A telegram: open, list response, close; escaped, filled up and with its check sum."""
    listing = fields(
        b"\x01",
        octets(b"\x0a\x01TST"),
        octets(bytes.fromhex("0100620affff")),
        b"\x01",
        fields(*entries),
        b"\x01",
        b"\x01",
    )
    body = message(0x0101, fields(b"\x01", b"\x01", octets(b"1"), octets(b"\x0a\x01TST"), b"\x01", b"\x01"))
    body += message(0x0701, listing) + message(0x0201, fields(b"\x01"))
    body = body.replace(b"\x1b" * 4, b"\x1b" * 8)
    fill = -len(body) % 4
    data = b"\x1b" * 4 + b"\x01" * 4 + body + bytes(fill) + b"\x1b" * 4 + bytes((0x1A, fill))
    return data + struct.pack("<H", crc_x25(data))


IMPORT, EXPORT, POWER = (bytes.fromhex(code) for code in ("0100010800ff", "0100020800ff", "0100100700ff"))
WATT, WATT_HOUR = 27, 30


def meter(import_wh: int, power_w: int = 100) -> bytes:
    """What a meter sends every few seconds."""
    return sml(entry(IMPORT, WATT_HOUR, -1, import_wh * 10), entry(POWER, WATT, 0, power_w, size=4))


def readout(*lines: str) -> bytes:
    """A data block from STX to its block check."""
    body = "".join(f"{line}\r\n" for line in lines).encode() + b"!\r\n\x03"
    value = 0
    for byte in body:
        value ^= byte
    return b"\x02" + body + bytes((value,))


def customer_port(*lines: str) -> bytes:
    """A telegram from `/` to the CRC behind `!`."""
    data = b"/TST5\\2TEST\r\n\r\n" + "".join(f"{line}\r\n" for line in lines).encode() + b"!"
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return data + f"{crc:04X}\r\n".encode()
