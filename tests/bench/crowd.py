"""Many subscribers in one process, each with its own connection: MQTT 3.1.1 packets, QoS 1, every message confirmed.

`python -m tests.bench.crowd PORT NUMBER TOPIC POINT_TOPIC...`: every subscriber listens to TOPIC, subscriber i also to the
i-th of the others (in turn). Prints `ready`. Then one line of JSON comes in, the value that each topic must have at the end;
when all subscribers have them, or a minute later, one line of JSON goes out: messages of each, and what each has not got.
"""

import json
import selectors
import socket
import struct
import sys
import time

from meterd.core.topics.message import parse
from tests.bench.blast import length_of

LIMIT_S = 60.0


class Subscriber:
    """One connection: bytes in, confirmations out."""

    def __init__(self, port: int, name: str, topics: list[str]) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port))
        self.last: dict[str, bytes] = {}
        self.messages = 0
        self._bytes = bytearray()
        body = b"\x00\x04MQTT\x04\x02\x00\x00" + _text(name)
        self.socket.sendall(b"\x10" + length_of(len(body)) + body)
        self._topics = topics
        body = b"\x00\x01" + b"".join(_text(topic) + b"\x01" for topic in topics)
        self.socket.sendall(b"\x82" + length_of(len(body)) + body)

    def lacks(self, wanted: dict[str, float]) -> dict[str, float | None]:
        """Its topics that have not the value they should have, with the value they have."""
        results = {t: parse(self.last[t]).value if t in self.last else None for t in self._topics}
        return {topic: value for topic, value in results.items() if value != wanted[topic]}

    def read(self) -> None:
        """Take what has come; AssertionError if the broker has ended the connection."""
        data = self.socket.recv(65536)
        assert data, "the broker closed the connection of a subscriber"
        self._bytes += data
        while (results := self._packet()) is not None:
            kind, body = results
            if kind & 0xF0 == 0x30:
                self._publish(kind, body)

    def _packet(self) -> tuple[int, bytes] | None:
        length, shift = 0, 0
        for place in range(1, min(5, len(self._bytes))):
            digit = self._bytes[place]
            length |= (digit & 127) << shift
            shift += 7
            if not digit & 128:
                end = place + 1 + length
                if len(self._bytes) < end:
                    return None
                kind, body = self._bytes[0], bytes(self._bytes[place + 1 : end])
                del self._bytes[:end]
                return kind, body
        return None

    def _publish(self, kind: int, body: bytes) -> None:
        (length,) = struct.unpack_from("!H", body)
        topic, rest = body[2 : 2 + length].decode(), body[2 + length :]
        if kind & 0x06:
            self.socket.sendall(b"\x40\x02" + rest[:2])
            rest = rest[2:]
        self.messages += 1
        self.last[topic] = rest


def _text(text: str) -> bytes:
    return struct.pack("!H", len(text.encode())) + text.encode()


def run(port: int, number: int, every: str, topics: list[str]) -> None:
    """Listen until every subscriber has what it should have."""
    watch = selectors.DefaultSelector()
    crowd = [Subscriber(port, f"crowd-{i}", [every, topics[i % len(topics)]]) for i in range(number)]
    for subscriber in crowd:
        watch.register(subscriber.socket, selectors.EVENT_READ, subscriber)
    watch.register(sys.stdin, selectors.EVENT_READ, None)
    print("ready", flush=True)
    wanted: dict[str, float] = {}
    deadline = time.monotonic() + 1e9
    while time.monotonic() < deadline and (not wanted or any(item.lacks(wanted) for item in crowd)):
        for key, _ in watch.select(0.2):
            if key.data is not None:
                key.data.read()
            elif not wanted:
                wanted, deadline = json.loads(sys.stdin.readline()), time.monotonic() + LIMIT_S
                watch.unregister(sys.stdin)
    print(json.dumps([{"messages": item.messages, "lacks": item.lacks(wanted)} for item in crowd]), flush=True)


if __name__ == "__main__":
    port, number, *topics = sys.argv[1:]
    run(int(port), int(number), topics[0], topics[1:])
