"""A controller with a forecast: heats water now or waits for the sun. For one storage that has hours of time.

    python forecast.py HOST PORT energy/harrow-mill 6000 4.5

The storage needs so many kWh (the last number) at a power of so many W. It heats while there is enough surplus. It heats
from the grid as well when the forecast says that the surplus of the next 48 hours will not be enough, counted with the
low end of the band (p10). Where no forecast counts it heats, since warm water is what it is there for. Speaks MQTT 3.1.1,
or MQTT 5 with the word `mqtt=5` at the end.
"""

import json
import sys
import time

import paho.mqtt.client as mqtt

VALID_S = 120.0  # `ut` of pv/surplus in the catalogue
FORECAST_S = 1080.0  # that of pv/surplus-forecast


class Storage:
    """The decision: what was heard goes in, heat or wait comes out. Times are seconds of a clock that never jumps."""

    def __init__(self, power_w: float, needed_kwh: float, *, valid_s: float = VALID_S) -> None:
        self.power_w, self.needed_kwh, self.valid_s = power_w, needed_kwh, valid_s
        self.surplus_w, self.stamp, self.fresh_s = 0.0, b"", -1e9
        self.ahead_kwh, self.issued, self.forecast_s = 0.0, 0.0, -1e9
        self.gone = False

    def heard(self, topic: str, payload: bytes, now_s: float) -> None:
        """Bare numbers of the surplus, and the pack of the forecast."""
        if topic.endswith("/surplus/time"):
            if payload != self.stamp and self.stamp:  # the first one after connecting may be old
                self.fresh_s = now_s if payload not in (b"0", b"") else -1e9
            self.stamp = payload
        elif topic.endswith("/surplus/plain"):
            self.surplus_w = float(payload or 0)  # empty: removed from the broker
        elif topic.endswith("/surplus-forecast") and payload:
            self._heard_forecast(json.loads(payload), now_s)
        elif topic.endswith("/service"):
            self.gone = b'"gone"' in payload

    def _heard_forecast(self, pack: list[dict[str, object]], now_s: float) -> None:
        """SenML: base name and base time hold until another stands there; `t` counts from the base time."""
        name, hours, energy = "", 0.0, 0.0
        for record in pack:
            name = str(record.get("bn", name))
            if name.endswith(":p10") and "t" in record:
                step_h, hours = float(str(record["t"])) / 3600 - hours, float(str(record["t"])) / 3600
                energy += min(float(str(record["v"])), self.power_w) / 1000 * step_h
        issued = float(str(pack[0]["bt"]))
        if hours and issued > self.issued:  # a state alone is "invalid"
            self.ahead_kwh, self.issued, self.forecast_s = energy, issued, now_s

    def step(self, now_s: float) -> str:
        """Call it once a second."""
        if not self.gone and now_s - self.fresh_s <= self.valid_s and self.surplus_w >= self.power_w:
            return "heat: enough surplus"
        if self.gone or now_s - self.forecast_s > FORECAST_S:
            return "heat: no forecast"
        return "wait for the sun" if self.ahead_kwh >= self.needed_kwh else "heat: the sun will not do"


def main(host: str, port: str, root: str, power_w: str, needed_kwh: str, *words: str) -> None:
    """Listen and print each change; a real controller switches its heater here."""
    named = dict(word.split("=") for word in words)
    version = named.pop("mqtt", "3.1.1")
    controller = Storage(float(power_w), float(needed_kwh), **{k: float(v) for k, v in named.items()})
    topics = [(f"{root}/{t}", 1) for t in ("pv/surplus/plain", "pv/surplus/time", "pv/surplus-forecast", "service")]
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5 if version == "5" else mqtt.MQTTv311)
    client.on_connect = lambda c, *_: c.subscribe(topics)
    client.on_message = lambda _c, _u, m: controller.heard(m.topic, bytes(m.payload), time.monotonic())
    client.connect_async(host, int(port), keepalive=10)
    client.loop_start()
    shown = None
    while True:
        if (now := controller.step(time.monotonic())) != shown:
            shown = now
            print(now, flush=True)
        time.sleep(0.2)


if __name__ == "__main__":
    main(*sys.argv[1:])
