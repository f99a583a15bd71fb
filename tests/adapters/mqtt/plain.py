"""Plain clients of MQTT 3.1.1 and 5, with nothing of ours in them: what any controller or gateway would see."""

import time
from collections.abc import Callable

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

RETAINED = 600


def plain_client(version: int, name: str = "", *, clean: bool = True) -> paho.Client:
    """A client of MQTT 3.1.1 (4) or MQTT 5 (5); `clean` is whether the one of 3.1.1 wants no session."""
    if version == 5:
        return paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
    return paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv311, clean_session=clean)


def fill(port: int, version: int) -> None:
    """Leave `RETAINED` retained messages below many/, one of them a large catalogue; of MQTT 5 with an end and a kind."""
    properties = Properties(PacketTypes.PUBLISH) if version == 5 else None  # type: ignore[no-untyped-call]
    if properties is not None:
        properties.MessageExpiryInterval, properties.ContentType = 3600, "text/plain"
    client = plain_client(version)
    client.max_inflight_messages_set(RETAINED)
    client.connect("127.0.0.1", port)
    client.loop_start()
    payloads = {"many/catalogue": b"x" * 100_000} | {f"many/v/{i}": b"%d" % i for i in range(RETAINED - 1)}
    sent = [
        client.publish(topic, payload, qos=1, retain=True, properties=properties) for topic, payload in payloads.items()
    ]
    for item in sent:
        item.wait_for_publish(30)
    assert all(entry.is_published() for entry in sent)
    client.disconnect()
    client.loop_stop()


def gathered(
    port: int, version: int, qos: int, topic: str, enough: Callable[[dict[str, bytes]], bool], limit_s: float = 30.0
) -> dict[str, bytes]:
    """What a new subscriber is sent, by topic, until it is enough or the limit passes."""
    seen: dict[str, bytes] = {}
    client = plain_client(version)
    client.on_connect = lambda c, *_: c.subscribe(topic, qos)
    client.on_message = lambda _c, _u, message: seen.setdefault(message.topic, bytes(message.payload))
    client.connect("127.0.0.1", port)
    client.loop_start()
    deadline = time.monotonic() + limit_s
    while not enough(dict(seen)) and time.monotonic() < deadline:
        time.sleep(0.02)
    client.disconnect()
    client.loop_stop()
    return seen
