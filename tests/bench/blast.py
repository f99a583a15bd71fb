"""A publisher that is never the bottleneck: ready-made MQTT 3.1.1 packets, QoS 1, a window of unconfirmed messages.

`python -m tests.bench.blast PORT POINTS REGISTERS FIRST LAST STEP_MS RATE WALL [GROUP SWING_W]`: rounds FIRST..LAST of all
points, RATE rounds a second (0 = as fast as it goes); WALL 1 stamps them with the present; GROUP points in one message.
Prints the seconds it took.
"""

import socket
import struct
import sys
import time

from tests.bench.site import START_MS, Wide

READY = 500_000  # payloads of so many points are made before the clock starts; more would take too much memory
WINDOW = 4000  # unconfirmed messages: enough to keep the broker busy, far below the 65,535 ids


def packet(topic: str, payload: bytes, mid: int) -> bytes:
    """PUBLISH with QoS 1 (MQTT 3.1.1, 3.3)."""
    name = topic.encode()
    body = struct.pack("!H", len(name)) + name + struct.pack("!H", mid) + payload
    return b"\x32" + length_of(len(body)) + body


def length_of(value: int) -> bytes:
    """Remaining length (MQTT 3.1.1, 2.2.3)."""
    result = bytearray()
    while True:
        value, digit = divmod(value, 128)
        result.append(digit | (0x80 if value else 0))
        if not value:
            return bytes(result)


class Wire:
    """A connection; PUBACKs are four bytes each and only counted."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        name = f"blast-{time.monotonic_ns()}".encode()
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + struct.pack("!H", len(name)) + name
        self._socket.sendall(b"\x10" + length_of(len(body)) + body)
        assert self._socket.recv(4) == b"\x20\x02\x00\x00", "the broker accepts us"
        self._sent = 0
        self._bytes = 0

    def send(self, packets: bytes, count: int) -> None:
        """Send some packets once the window has room for them."""
        while self._sent + count - self._bytes // 4 > WINDOW:
            self._read()
        self._socket.sendall(packets)
        self._sent += count

    def finish(self) -> None:
        """Wait for the last confirmation, then leave."""
        while self._bytes // 4 < self._sent:
            self._read()
        self._socket.sendall(b"\xe0\x00")
        self._socket.close()

    def _read(self) -> None:
        data = self._socket.recv(65536)
        assert data, "the broker closed the connection"
        self._bytes += len(data)


def run(port: int, wide: Wide, first: int, last: int, rate: float, wall: bool) -> float:
    """Send the rounds; returns the seconds from the first packet to the last confirmation."""
    wire = Wire(port)
    few = (last - first) * wide.points <= READY and not wall
    ready = [_round(wide, k, START_MS + k * wide.step_ms) for k in range(first, last)] if few else []
    begun = time.monotonic()
    for k in range(first, last):
        if rate:
            time.sleep(max(0.0, begun + (k - first) / rate - time.monotonic()))
        at_ms = time.time_ns() // 1_000_000 if wall else START_MS + k * wide.step_ms
        packets = ready[k - first] if few else _round(wide, k, at_ms)
        for low in range(0, len(packets), 100):
            part = packets[low : low + 100]
            wire.send(b"".join(part), len(part))
    wire.finish()
    return time.monotonic() - begun


def _round(wide: Wide, k: int, at_ms: int) -> list[bytes]:
    messages = wide.messages(k, at_ms)
    count = len(messages)
    return [packet(topic, payload, (k * count + i) % 65_000 + 1) for i, (topic, payload) in enumerate(messages)]


if __name__ == "__main__":
    port, points, registers, first, last, step_ms, rate, wall, *more = sys.argv[1:]
    site = Wide(int(points), tuple(registers.split(",")), int(step_ms), *map(int, more))
    print(run(int(port), site, int(first), int(last), float(rate), wall == "1"), flush=True)
