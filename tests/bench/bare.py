"""The measures to compare with: clients of the bare library that only count, only keep, only echo, or echo to many.

`python -m tests.bench.bare count PORT N VERSION`: prints `first last used` (monotonic seconds, and seconds of processor
between) of N messages below `meters/`; VERSION of the protocol is 5, or 4 for MQTT 3.1.1.
`python -m tests.bench.bare keep PORT N STORE SENT`: the same with MQTT 5, but each message is decoded and its numbers become
rows of a table with a unique index, committed a thousand messages at a time, and SENT retained messages are published
meanwhile: what a daemon must do at least, without following a register, a figure, a balance, a check or a digest.
`python -m tests.bench.bare echo PORT`: takes what comes below `ask/`, sends `ask/last` back on `answer`, until killed.
`python -m tests.bench.bare fan PORT N`: sends what comes on `ask` back on N topics `answer/0`.. with a short one
`answer/0/plain` beside each, all retained, as the daemon sends N values.
"""

import json
import socket
import sqlite3
import sys
import time
from collections.abc import Callable
from datetime import datetime

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

AT_ONCE = 1000  # messages of one transaction: so many go unconfirmed
KEPT = """PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
CREATE TABLE reading (seq INTEGER PRIMARY KEY, channel INTEGER, at_ms INTEGER, value NUMERIC, received_ms INTEGER);
CREATE UNIQUE INDEX reading_once ON reading (channel, at_ms, value);"""


def connected(port: int, topic: str, version: MQTTProtocolVersion = paho.MQTTv5) -> paho.Client:
    """A client that subscribes with QoS 1 and takes as many messages at once as the daemon does."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"bare-{time.monotonic_ns()}", protocol=version)
    properties = None
    if version == paho.MQTTv5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.ReceiveMaximum = 1000
    client.on_socket_open = lambda _c, _u, sock: sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.on_connect = lambda c, *_: c.subscribe(topic, qos=1)
    client.connect("127.0.0.1", port, properties=properties)
    return client


Taken = Callable[[int, paho.MQTTMessage], None]


def count(port: int, number: int, version: MQTTProtocolVersion, taken: Taken | None = None) -> None:
    """Count messages; a repeat of the first one (a probe) is not counted. `taken` gets each with its number, from 1."""
    client = connected(port, "meters/#", version)
    seen, first, used, probe = 0, 0.0, 0.0, b""

    def on_message(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        nonlocal seen, first, used, probe
        if not probe:
            probe = bytes(message.payload)
        if message.payload == probe:
            return
        seen += 1
        if seen == 1:
            first, used = time.monotonic(), time.process_time()
        if taken is not None:
            taken(seen, message)
        if seen == number:
            print(first, time.monotonic(), time.process_time() - used, flush=True)
            client.disconnect()

    client.on_message = on_message
    client.loop_forever()


def keep(port: int, number: int, path: str, sent: int) -> None:
    """Count, decode, keep, and publish some messages evenly spread over those that come."""
    db = sqlite3.connect(path, isolation_level=None)
    db.executescript(KEPT)
    output = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    output.max_inflight_messages_set(1000)
    output.connect("127.0.0.1", port)
    output.loop_start()
    registers: dict[str, int] = {}
    rows: list[tuple[int, int, float, int]] = []

    def taken(seen: int, message: paho.MQTTMessage) -> None:
        values = json.loads(message.payload)
        at_ms = round(datetime.fromisoformat(values.pop("time")).timestamp() * 1000)
        received_ms = time.time_ns() // 1_000_000
        for field, value in values.items():
            channel = registers.setdefault(message.topic + field, len(registers))
            rows.append((channel, at_ms, value, received_ms))
        if seen % AT_ONCE == 0 or seen == number:
            db.execute("BEGIN")
            db.executemany(
                "INSERT OR IGNORE INTO reading (channel, at_ms, value, received_ms) VALUES (?, ?, ?, ?)", rows
            )
            db.execute("COMMIT")
            rows.clear()
        if seen * sent // number > (seen - 1) * sent // number:
            output.publish(f"answer/{message.topic}", message.payload, qos=1, retain=True)

    count(port, number, paho.MQTTv5, taken)
    output.loop_stop()


def echo(port: int) -> None:
    """Take a burst, send its last message back."""
    client = connected(port, "ask/#")

    def answer(client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.topic == "ask/last":
            client.publish("answer", message.payload, qos=1)

    client.on_message = answer
    client.loop_forever()


def fan(port: int, number: int) -> None:
    """Send everything back, many times."""
    client = connected(port, "ask")
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = 60

    def answer(client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        for i in range(number):
            client.publish(f"answer/{i}", message.payload, qos=1, retain=True, properties=properties)
            client.publish(f"answer/{i}/plain", b"2980", qos=1, retain=True, properties=properties)

    client.on_message = answer
    client.loop_forever()


if __name__ == "__main__":
    if sys.argv[1] == "fan":
        fan(int(sys.argv[2]), int(sys.argv[3]))
    elif sys.argv[1] == "keep":
        keep(int(sys.argv[2]), int(sys.argv[3]), sys.argv[4], int(sys.argv[5]))
    elif sys.argv[1] == "count":
        count(int(sys.argv[2]), int(sys.argv[3]), MQTTProtocolVersion(int(sys.argv[4])))
    else:
        echo(int(sys.argv[2]))
