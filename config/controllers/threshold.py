"""A controller with a threshold: one load that is on or off by the whole surplus. For a site with one such controller.

    python threshold.py HOST PORT energy/harrow-mill 2000

On from the threshold on, off below it, and off whenever the value does not count (README of the topics, "When a value
counts"). Needs a client library for MQTT. It speaks MQTT 3.1.1, or MQTT 5 with the word `mqtt=5` at the end.
"""

import random
import sys
import time

import paho.mqtt.client as mqtt

LEAST_S = 60.0  # on or off for so long at least: relays and compressors do not like more
DELAY_S = 30.0  # longest random delay before going to fallback: not all controllers step at the same instant
VALID_S = 120.0  # `ut` of pv/surplus in the catalogue


class Threshold:
    """The decision: what was heard goes in, on or off comes out. Times are seconds of a clock that never jumps."""

    def __init__(
        self, threshold_w: float, *, least_s: float = LEAST_S, delay_s: float = DELAY_S, valid_s: float = VALID_S
    ) -> None:
        self.threshold_w, self.least_s, self.valid_s = threshold_w, least_s, valid_s
        self.delay_s = random.uniform(0.0, delay_s)
        self.on = False
        self.surplus_w, self.stamp, self.fresh_s = 0.0, b"", -1e9
        self.switched_s = -1e9

    def heard(self, topic: str, payload: bytes, now_s: float) -> None:
        """A new time says that the number is of now; the same time again says nothing."""
        if topic.endswith("/time"):
            if payload != self.stamp and self.stamp:  # the first one after connecting may be old
                self.fresh_s = now_s if payload not in (b"0", b"") else -1e9
            self.stamp = payload
        elif topic.endswith("/plain"):
            self.surplus_w = float(payload or 0)  # empty: removed from the broker
        elif topic.endswith("/service") and b'"gone"' in payload:
            self.fresh_s = -1e9

    def step(self, now_s: float) -> bool:
        """Call it once a second; off at once for too little surplus, after the own delay where nothing is known."""
        counts = now_s - self.fresh_s <= self.valid_s + (self.delay_s if self.on else 0.0)
        wanted = counts and self.surplus_w >= self.threshold_w
        if wanted != self.on and now_s - self.switched_s >= self.least_s:
            self.on, self.switched_s = wanted, now_s
        return self.on


def main(host: str, port: str, root: str, threshold_w: str, *words: str) -> None:
    """Listen and print each change; a real controller switches its load here."""
    named = dict(word.split("=") for word in words)
    version = named.pop("mqtt", "3.1.1")
    controller = Threshold(float(threshold_w), **{k: float(v) for k, v in named.items()})
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5 if version == "5" else mqtt.MQTTv311)
    topics = [(f"{root}/{t}", 1) for t in ("pv/surplus/plain", "pv/surplus/time", "service")]
    client.on_connect = lambda c, *_: c.subscribe(topics)
    client.on_message = lambda _c, _u, m: controller.heard(m.topic, bytes(m.payload), time.monotonic())
    client.connect_async(host, int(port), keepalive=10)
    client.loop_start()
    shown = None
    while True:
        if (now := controller.step(time.monotonic())) != shown:
            shown = now
            print("on" if now else "off", flush=True)
        time.sleep(0.2)


if __name__ == "__main__":
    main(*sys.argv[1:])
