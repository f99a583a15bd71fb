"""A controller with a share: one of several loads, each a row of consumers.csv, that take what they are given.

    python share.py HOST PORT energy/harrow-mill studio-01-heater 500

Takes its share; where the share does not count, the fallback power (the last number) after an own random delay. Speaks
MQTT 3.1.1, or MQTT 5 with the word `mqtt=5` at the end.
"""

import random
import sys
import time

import paho.mqtt.client as mqtt

DELAY_S = 30.0  # longest random delay between share and fallback: not all controllers step at the same instant
VALID_S = 120.0  # `ut` of share/... in the catalogue


class Share:
    """The decision: what was heard goes in, the power to take comes out. Times are seconds of a clock that never jumps."""

    def __init__(self, fallback_w: float, *, delay_s: float = DELAY_S, valid_s: float = VALID_S) -> None:
        self.fallback_w, self.valid_s = fallback_w, valid_s
        self.delay_s = random.uniform(0.0, delay_s)
        self.following = False
        self.share_w, self.stamp, self.fresh_s = 0.0, b"", -1e9
        self.undecided_s: float | None = None

    def heard(self, topic: str, payload: bytes, now_s: float) -> None:
        """A new time says that the share is of now; the same time again says nothing."""
        if topic.endswith("/time"):
            if payload != self.stamp and self.stamp:  # the first one after connecting may be old
                self.fresh_s = now_s if payload not in (b"0", b"") else -1e9
            self.stamp = payload
        elif topic.endswith("/plain"):
            self.share_w = float(payload or 0)  # empty: removed from the broker
        elif topic.endswith("/service") and b'"gone"' in payload:
            self.fresh_s = -1e9

    def step(self, now_s: float) -> float:
        """Call it once a second. A lower share counts at once; only the change to and from fallback waits."""
        if (now_s - self.fresh_s <= self.valid_s) == self.following:
            self.undecided_s = None
        elif self.undecided_s is None:
            self.undecided_s = now_s
        elif now_s - self.undecided_s >= self.delay_s:
            self.following, self.undecided_s = not self.following, None
        return self.share_w if self.following else self.fallback_w


def main(host: str, port: str, root: str, consumer: str, fallback_w: str, *words: str) -> None:
    """Listen and print each change; a real controller sets its load here."""
    named = dict(word.split("=") for word in words)
    version = named.pop("mqtt", "3.1.1")
    controller = Share(float(fallback_w), **{k: float(v) for k, v in named.items()})
    topics = [(f"{root}/{t}", 1) for t in (f"share/{consumer}/plain", f"share/{consumer}/time", "service")]
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5 if version == "5" else mqtt.MQTTv311)
    client.on_connect = lambda c, *_: c.subscribe(topics)
    client.on_message = lambda _c, _u, m: controller.heard(m.topic, bytes(m.payload), time.monotonic())
    client.connect_async(host, int(port), keepalive=10)
    client.loop_start()
    shown = None
    while True:
        if (now := controller.step(time.monotonic())) != shown:
            shown = now
            print(f"{now:.0f} W", flush=True)
        time.sleep(0.2)


if __name__ == "__main__":
    main(*sys.argv[1:])
