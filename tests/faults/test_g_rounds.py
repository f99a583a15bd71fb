"""G1, G3, I1 and what goes with them, asked of the running daemon: rounds of samples, and how long the last one stands."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.core.model.reading import Quality
from meterd.core.topics.message import Parsed, parse
from tests.brokers import Mosquitto, crowd, until
from tests.faults.mill import message, now_ms, publish, running, sending
from tests.faults.test_b_broker import BROKER, hearing

pytestmark = pytest.mark.slow
AGE_S = 6
PLAN = """\
site = {{ name = "mill", zone = "UTC" }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ {limits} }}
sharing = {{ mode = "on", sample_s = 1, ramp_w_per_s = 100_000, overdraw_samples = 2, release_s = 1 }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms" }}]
board = [{{ name = "main", rating_kva = 400 }}]
point = [
    {{ point = "t1", role = "feed" }},
    {{ point = "roof", role = "pv" }},
    {{ point = "room-1" }},
    {{ point = "room-2" }},
]
instrument = [{{ point = "*", meter_class = "B", register_max_wh = 1e9 }}]
consumer = [
    {{ consumer = "boiler-1", point = "room-1", max_w = 2_000, fallback_w = 500 }},
    {{ consumer = "boiler-2", point = "room-2", max_w = 2_000 }},
]
[[input]]
point = "*"
address = "m/{{point}}"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "16.7.0" = "/power" }}
"""
LIMITS = f"power_max_age_s = {AGE_S}, publish_every_s = 2"
SENT = {"t1": -8_000.0, "roof": 20_000.0, "room-1": 0.0, "room-2": 0.0}


def plan(folder: Path, port: int, limits: str = LIMITS, sharing: str = "", sample_s: int = 1) -> Path:
    """The plan file, with other keys of its sharing."""
    path = folder / "mill.toml"
    text = PLAN.format(port=port, limits=limits).replace("release_s = 1 }", f"{sharing or 'release_s = 1'} }}")
    text = text.replace("sample_s = 1,", f"sample_s = {sample_s},")
    path.write_text(text, encoding="utf-8")
    return path


@dataclass
class Meters:
    """All meters send every `every_s`; rooms draw their share unless `draws` says otherwise; `silent` ones do not send.

    Rooms tell what they drew `late` samples ago, with its time, and only every `seldom` half seconds. With `toggle` they draw
    their share every other second only.
    """

    out: Link
    seen: dict[str, list[bytes]]
    draws: dict[str, float] = field(default_factory=dict)
    silent: set[str] = field(default_factory=set)
    late: int = 0
    seldom: int = 1
    every_s: float = 0.5
    toggle: bool = False
    past: list[tuple[int, dict[str, float]]] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Until `stop`."""
        while not self.stop.wait(self.every_s):
            rooms = {f"room-{i}": self.draws.get(f"room-{i}", self.drawn(f"share/boiler-{i}")) for i in (1, 2)}
            at_ms = now_ms()
            self.past.append((at_ms, rooms))
            then_ms, reported = self.past[max(0, len(self.past) - 1 - self.late)]
            powers = {"t1": SENT["t1"] + sum(rooms.values()), "roof": SENT["roof"]}
            sent = [(p, message(at_ms, power=w)) for p, w in powers.items()]
            if len(self.past) % self.seldom == 0:
                sent += [(p, message(then_ms, power=w)) for p, w in reported.items()]
            publish(self.out, [(f"m/{p}", payload) for p, payload in sent if p not in self.silent])

    def drawn(self, topic: str) -> float:
        """What a room draws of its share now."""
        return 0.0 if self.toggle and int(time.monotonic()) % 2 else self.bare(topic)

    def bare(self, topic: str) -> float:
        """The newest bare number, 0 before there is one."""
        return float(self.seen.get(f"energy/mill/{topic}/plain", [b"0"])[-1])

    def pack(self, topic: str) -> Parsed | None:
        """The newest pack."""
        payloads = self.seen.get(f"energy/mill/{topic}")
        return parse(payloads[-1]) if payloads else None

    def surplus(self) -> float | None:
        """The newest surplus, None while invalid."""
        parsed = self.pack("pv/surplus")
        return None if parsed is None else parsed.value


@contextmanager
def mill(
    folder: Path, limits: str = LIMITS, sharing: str = "", sample_s: int = 1, *, every_s: float = 0.5
) -> Iterator[Meters]:
    """Broker, daemon and sending meters; how often they send is known before the first decision where it is seldom."""
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        meters = Meters(out, seen, every_s=every_s)
        thread = threading.Thread(target=meters.run)
        with running(load_plan(plan(folder, broker.port, limits, sharing, sample_s)).site, folder / "s.sqlite"):
            if every_s > AGE_S:
                assert until(lambda: meters.pack("pv/surplus") is not None, 30)
                begun = now_ms()
                for step in (-3, -2, -1, 0):
                    at_ms = begun + round(step * every_s * 1000)
                    publish(out, [(f"m/{p}", message(at_ms, power=w)) for p, w in SENT.items()])
            thread.start()
            try:
                yield meters
            finally:
                meters.stop.set()
                thread.join(10)


@pytest.mark.parametrize("silent", [{"roof"}, {"t1", "roof", "room-1", "room-2"}], ids=["roof", "all"])
def test_g1_without_powers_of_one_moment_shares_and_surplus_are_zero_within_their_age(
    tmp_path: Path, silent: set[str]
) -> None:
    """The rooms run at their shares, then the PV meter (or every meter) is silent: nothing is left when the last powers are
    as old as the plan believes them, and the bare time says that the zero is not known.
    """
    with mill(tmp_path) as meters:
        assert until(lambda: meters.bare("share/boiler-1") == meters.bare("share/boiler-2") == 2_000, 40)
        meters.silent = silent
        begun = time.monotonic()
        assert until(lambda: meters.bare("share/boiler-1") == meters.bare("share/boiler-2") == 0, 4 * AGE_S)
        assert time.monotonic() - begun <= AGE_S + 1.5 * crowd(), "the shares stood longer than the powers are believed"
        assert until(lambda: meters.pack("pv/surplus") is not None and meters.surplus() is None, 4 * AGE_S)
        assert time.monotonic() - begun <= AGE_S + 2.5 * crowd()
        assert until(lambda: meters.seen["energy/mill/pv/surplus/time"][-1] == b"0")


def test_g1_meters_that_are_heard_only_once_are_believed_no_longer_than_others(tmp_path: Path) -> None:
    """Every meter sends once and never again: until then nothing tells that it sends more seldom than others."""
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        meters = Meters(out, seen)
        with running(load_plan(plan(tmp_path, broker.port)).site, tmp_path / "s.sqlite"):
            assert until(lambda: meters.pack("pv/surplus") is not None, 30)
            begun, at_ms = time.monotonic(), now_ms()
            publish(out, [(f"m/{p}", message(at_ms, power=w)) for p, w in SENT.items()])
            assert until(lambda: meters.surplus() == 8_000.0, 30)
            assert until(lambda: meters.surplus() is None, 4 * AGE_S)
            assert time.monotonic() - begun <= AGE_S + 1.5 * crowd(), "meters that were heard once were believed longer"
            assert meters.bare("pv/surplus") == 0


def test_a_start_forgets_nothing_of_how_often_meters_send(tmp_path: Path) -> None:
    """Meters that send a bit more seldom than a power is believed: the last round of before the stop stands until the next."""
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        meters, site = Meters(out, seen), load_plan(plan(tmp_path, broker.port)).site
        period_ms = round(1.2 * AGE_S * 1000)
        with running(site, tmp_path / "s.sqlite"):
            assert until(lambda: meters.pack("pv/surplus") is not None, 30)
            begun = now_ms()
            for step in (-2, -1, 0):
                rows = [(f"m/{p}", message(begun + step * period_ms, power=w)) for p, w in SENT.items()]
                publish(out, rows)
            assert until(lambda: meters.surplus() == 8_000.0, 30)
        reported = len(seen["energy/mill/pv/surplus"])
        with running(site, tmp_path / "s.sqlite"):
            assert until(lambda: len(seen["energy/mill/pv/surplus"]) > reported and meters.surplus() is None, 4 * AGE_S)
            messages = [parse(payload) for payload in seen["energy/mill/pv/surplus"][reported:]]
        end = messages[-1]
        assert end.value is None
        assert messages[0].value == 8_000.0, "valid again at once"
        assert end.at_ms - begun > 1.3 * period_ms, "believed for one and a half of its periods, as before the stop"


def test_one_who_overdraws_is_no_flexible_load_for_the_surplus_either(tmp_path: Path) -> None:
    """Room 1 draws 5 kW of a share of 2: found, on its fallback of 500 W, and only those count as flexible; the surplus is
    then what there is to share, and not 4.5 kW more.
    """
    with mill(tmp_path) as meters:
        assert until(lambda: meters.bare("share/boiler-1") == 2_000, 40)
        meters.draws = {"room-1": 5_000.0, "room-2": 0.0}
        assert until(lambda: "energy/mill/finding/overdraw-boiler-1" in meters.seen, 40)
        assert until(lambda: meters.surplus() == 8_000.0 - 5_000.0 + 500.0), meters.surplus()


def test_g4_loads_told_a_sample_late_are_never_added_to_the_export_of_another_sample(tmp_path: Path) -> None:
    """Rooms switch every second and are read a second later than the feed: export plus flexible load of one moment is 8 kW
    all the time, of two moments it would be 4 to 12.
    """
    with mill(tmp_path) as meters:
        meters.late = 2
        assert until(lambda: meters.bare("share/boiler-1") == meters.bare("share/boiler-2") == 2_000, 40)
        before, meters.toggle = len(meters.seen["energy/mill/site/draw"]), True
        assert until(lambda: len(meters.seen["energy/mill/site/draw"]) > before + 12, 60)
        messages = [parse(payload) for payload in meters.seen["energy/mill/pv/surplus"]]
        values = {
            parsed.value
            for parsed in messages[next(i for i, parsed in enumerate(messages) if parsed.value is not None) :]
        }
        draws = {parse(payload).value for payload in meters.seen["energy/mill/site/draw"][before:]}
        assert {-8_000.0, -4_000.0} <= draws, "the loads did switch"
        assert values == {8_000.0}


def test_i1_loads_that_are_read_less_often_than_the_sample_make_no_wrong_sign(tmp_path: Path) -> None:
    """Found in half an hour with meters of 3 to 60 s: a load that is in the round of one sample and not in that of the next
    looked like a change of PV that the draw did not follow, and after some minutes nothing was shared any more.
    """
    with mill(tmp_path, sharing="release_s = 1, idle_s = 3") as meters:
        meters.draws = {"room-1": 2_000.0, "room-2": 2_000.0}
        assert until(lambda: meters.bare("share/boiler-1") == meters.bare("share/boiler-2") == 2_000, 40)
        meters.seldom = 7
        ticks, topic = len(meters.past), "energy/mill/share/boiler-1"
        reported = len(meters.seen[topic])
        assert until(lambda: len(meters.past) > ticks + 80, 120)
        states = [parse(payload).state for payload in meters.seen[topic][reported:]]
        assert len(states) > 10
        assert "invalid" not in states


def test_i1_decisions_as_far_apart_as_a_power_is_believed_are_no_outage(tmp_path: Path) -> None:
    """Found in half an hour with meters of 60 s: each decision began a staged release from zero, and no load got its share."""
    with mill(tmp_path, sharing="release_s = 600", sample_s=AGE_S, every_s=AGE_S + 0.3) as meters:
        assert until(lambda: meters.bare("share/boiler-1") == meters.bare("share/boiler-2") == 2_000, 90)
        begun, ticks = len(meters.seen["energy/mill/share/boiler-2"]), len(meters.past)
        text = meters.seen["energy/mill/pv/surplus-level"]
        before = len(text)
        assert until(lambda: len(meters.past) > ticks + 6, 120)
        reported = [parse(payload).value for payload in meters.seen["energy/mill/share/boiler-2"][begun:]]
        assert set(reported) == {2_000.0}
        assert "invalid" not in [parse(payload).state for payload in text[before:]], (
            "the word for a lamp stands as long"
        )


def test_g3_i1_powers_of_different_moments_are_no_round_and_own_phases_are(tmp_path: Path) -> None:
    """After a start the PV meter's only sample is 11 s behind the others: no surplus. Once all send every half second, each
    at its own phase, there is one, and it says how far apart they are.
    """
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        meters = Meters(out, seen)
        with running(load_plan(plan(tmp_path, broker.port, "publish_every_s = 2")).site, tmp_path / "s.sqlite"):
            assert until(lambda: meters.pack("pv/surplus") is not None, 30)
            at_ms = now_ms()
            publish(out, [(f"m/{p}", message(at_ms, power=w)) for p, w in SENT.items() if p != "roof"])
            publish(out, [("m/roof", message(at_ms - 11_000, power=SENT["roof"]))])
            assert until(lambda: (parsed := meters.pack("site/draw")) is not None and parsed.value == -8_000.0)
            assert until(lambda: (parsed := meters.pack("pv/production")) is not None and parsed.value == 20_000.0)
            assert meters.surplus() is None
            assert meters.bare("pv/surplus") == 0
            begun = now_ms()
            for step in range(12):
                for place, (point, power) in enumerate(SENT.items()):
                    stamp = begun + 500 * step + 125 * place
                    time.sleep(max(0.0, (stamp - now_ms()) / 1000))
                    publish(out, [(f"m/{point}", message(stamp, power=power))])
            assert until(lambda: meters.surplus() == 8_000.0)
            records = json.loads(seen["energy/mill/pv/surplus"][-1])
            apart = next(r["v"] for r in records if r.get("n") == ":apart")
            assert 0.25 <= apart <= 0.5


def test_what_is_allowed_is_never_more_than_the_contract(tmp_path: Path) -> None:
    """An idle quarter hour, one minute before its end: the arithmetic leaves fifteen times the contract, a controller gets
    the contract.
    """
    shift_ms = 840_000 - now_ms() % 900_000
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        site = load_plan(plan(tmp_path, broker.port, "contracted_w = 500_000, publish_every_s = 2")).site
        clock = WallClock(wall_ms=lambda: now_ms() + shift_ms)
        with running(site, tmp_path / "s.sqlite", clock):
            meters = Meters(out, seen)
            assert until(lambda: meters.pack("site/demand") is not None, 30)
            here = now_ms() + shift_ms
            start = here - here % 900_000
            rows = [("m/t1", message(at, power=0.0, **{"import": 100})) for at in (start - 60_000, start + 1000, here)]
            publish(out, rows)
            assert until(lambda: meters.bare("site/demand-remaining") > 0)
            assert meters.bare("site/demand-remaining") > 5_000_000
            assert until(lambda: meters.bare("site/demand-allowed") == 500_000)


def test_the_warning_of_the_demand_comes_before_the_contract_is_passed(tmp_path: Path) -> None:
    """Half of an interval at 18 kW under a contract of 20 kW: at 21 kW it stays within, at 25 kW it will likely not, and when
    5.1 kWh are counted it is certain.
    """
    shift_ms = 450_000 - now_ms() % 900_000
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        site = load_plan(plan(tmp_path, broker.port, "contracted_w = 20_000, publish_every_s = 2")).site
        with running(site, tmp_path / "s.sqlite", WallClock(wall_ms=lambda: now_ms() + shift_ms)):
            meters = Meters(out, seen)
            assert until(lambda: meters.pack("site/demand") is not None, 30)
            start = now_ms() + shift_ms
            start -= start % 900_000
            publish(out, [("m/t1", message(at, **{"import": 100_000})) for at in (start - 60_000, start + 1000)])

            def word(draw_w: float, counted_wh: int) -> str | None:
                here = now_ms() + shift_ms
                publish(out, [("m/t1", message(here, power=draw_w, **{"import": 100_000 + counted_wh}))])
                pack = meters.pack("site/demand-warning")
                return None if pack is None else pack.text

            assert until(lambda: word(21_000.0, 2250) == "none")
            assert until(lambda: word(25_000.0, 2250) == "likely")
            expected = meters.pack("site/demand-expected")
            assert expected is not None
            assert expected.state is Quality.PARTIAL, "there is no forecast yet"
            assert until(lambda: word(25_000.0, 5100) == "certain")
            assert until(
                lambda: b"unless load is taken off now" in seen["energy/mill/finding/demand-limit-mill"][-1], 20
            )
