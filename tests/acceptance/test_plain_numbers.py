"""A tiny controller: MQTT 3.1.1, no clock, bare numbers only. It never acts on a value that nobody knows any more."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from jsonschema import Draft202012Validator
from paho.mqtt.enums import CallbackAPIVersion

from meterd.core.topics.schemas import schemas
from tests.brokers import Mosquitto, until
from tests.faults.mill import Child, message, now_ms, publish, sending
from tests.faults.test_b_broker import hearing
from tests.faults.test_g_rounds import SENT, plan

pytestmark = pytest.mark.slow
AGE_S, BEAT_S = 4, 2
UT_S = AGE_S + 2 * BEAT_S  # a tenth and less of the usual 120 s, which are made of 60 and 2 x 30
TARIFF = """
[[tariff]]
name = "energy"
kind = "import"
price = 0.20

[[tariff]]
name = "in the morning"
kind = "import"
price = 0.05
times = "00:00-12:00"
"""
LIMITS = f"power_max_age_s = {AGE_S}, publish_every_s = {BEAT_S}"


@dataclass
class Tiny:
    """Listens to two bare numbers; the rule of the README: from the first change of the time that is seen, for `ut` seconds
    after each change, and not while it is 0.
    """

    power: float = 0.0
    time: str = ""
    until_s: float = 0.0

    def hear(self, topic: str, payload: bytes) -> None:
        """One message."""
        if topic.endswith("/plain"):
            self.power = float(payload)
        elif payload.decode() != self.time:
            changed = bool(self.time)
            self.time = payload.decode()
            self.until_s = time.monotonic() + UT_S if changed and self.time != "0" else 0.0

    @property
    def knows(self) -> bool:
        """Whether it may act on the number."""
        return time.monotonic() < self.until_s


@contextmanager
def tiny(port: int) -> Iterator[Tiny]:
    """One that has just joined, by the old version of the protocol."""
    result = Tiny()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.on_connect = lambda c, *_: c.subscribe("energy/mill/pv/surplus/+", qos=0)
    client.on_message = lambda _c, _u, m: result.hear(m.topic, bytes(m.payload))
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield result
    finally:
        client.disconnect()
        client.loop_stop()


@dataclass
class Meters:
    """Send every half second: what is exported is `export_w`; `silent` ones send nothing."""

    port: int
    export_w: float = 8_000.0
    silent: set[str] = field(default_factory=set)
    stop: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Until `stop`."""
        with sending(self.port, name="tiny-meters") as out:
            while not self.stop.wait(0.5):
                powers, at_ms = {**SENT, "t1": -self.export_w}, now_ms()
                publish(out, [(f"m/{p}", message(at_ms, power=w)) for p, w in powers.items() if p not in self.silent])


@contextmanager
def meters(port: int) -> Iterator[Meters]:
    """In a thread while the block lasts."""
    result = Meters(port)
    thread = threading.Thread(target=result.run)
    thread.start()
    try:
        yield result
    finally:
        result.stop.set()
        thread.join(10)


def test_plain_numbers_tell_none_from_unknown_and_an_outage_from_a_value(tmp_path: Path) -> None:
    """0 of nothing left is known, 0 of a silent PV meter is not; after the death of the daemon one who listened stops within
    `ut`, and one who joins then, and gets what the broker retained, does not begin.
    """
    with Mosquitto() as broker, meters(broker.port) as sent, tiny(broker.port) as first:
        with Child(plan(tmp_path, broker.port, LIMITS), tmp_path / "s.sqlite") as child:
            assert until(lambda: first.knows and first.power == 8_000.0, 60), child.said()
            sent.export_w = -1_000.0
            assert until(lambda: first.power == 0.0, 20)
            time.sleep(2 * BEAT_S)
            assert (first.knows, first.power) == (True, 0.0), "nothing is left, and that is known"
            sent.silent = {"roof"}
            begun = time.monotonic()
            assert until(lambda: first.time == "0", 30)
            assert time.monotonic() - begun <= AGE_S + 2.5
            assert (first.knows, first.power) == (False, 0.0), "the same number, and it is not known"
            sent.silent, sent.export_w = set(), 8_000.0
            assert until(lambda: first.knows and first.power == 8_000.0, 30)
        # the daemon was killed; what it said stays at the broker
        died = time.monotonic()
        with tiny(broker.port) as late:
            assert until(lambda: late.power == 8_000.0, 10), "the broker keeps the number"
            while time.monotonic() - died < 2.5 * UT_S:
                assert not late.knows, "one who joined during the outage acts on a dead value"
                assert not first.knows or time.monotonic() - died <= UT_S + 0.5, "a dead value is used"
                time.sleep(0.05)
            with Child(plan(tmp_path, broker.port, LIMITS), tmp_path / "s.sqlite") as child:
                assert until(lambda: first.knows and late.knows and late.power == 8_000.0, 60), child.said()


def test_json_topics_of_a_running_daemon_are_what_their_schemas_say(tmp_path: Path) -> None:
    """service, catalogue, display and a finding as they stand at the broker, by an independent validator; the price of now is
    in the display; a topic `time` stands where the catalogue says so and nowhere else.
    """
    with Mosquitto() as broker, hearing(broker, "#") as seen:
        limits = f"stale_after_s = 5, {LIMITS}"
        path = plan(tmp_path, broker.port, limits)
        path.write_text(path.read_text(encoding="utf-8") + TARIFF, encoding="utf-8")
        with Child(path, tmp_path / "s.sqlite") as child, sending(broker.port) as out:
            publish(out, [(f"m/{p}", message(now_ms(), power=w)) for p, w in SENT.items()])
            assert until(lambda: any("/finding/" in topic for topic in list(seen)), 60), child.said()
            assert until(lambda: {"energy/mill/catalogue", "energy/mill/display"} <= seen.keys(), 30)
        results = {
            topic.removeprefix("energy/mill/"): json.loads(seen[topic][-1] or b"null") for topic in seen if _json(topic)
        }
        for topic, fields in results.items():
            if fields is not None:
                Draft202012Validator(schemas()[topic.split("/")[0]]).validate(fields)
        assert {topic.split("/")[0] for topic in results} == {"service", "catalogue", "display", "finding"}
        tariff = results["display"]["tariff"]
        assert {tariff["price"], tariff["then"]} == {0.2, 0.25}, "a change twice a day"
        dated = {f"{row['pattern']}/time" for row in results["catalogue"]["values"] if row.get("time")}
        heard = {topic.removeprefix("energy/mill/") for topic in seen if topic.endswith("/time")}
        assert heard == {topic for topic in dated if "{" not in topic} | {f"share/boiler-{i}/time" for i in (1, 2)}


def _json(topic: str) -> bool:
    return topic.removeprefix("energy/mill/").split("/")[0] in ("service", "catalogue", "display", "finding")
