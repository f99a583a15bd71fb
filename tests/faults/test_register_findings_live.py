"""Registers that go wrong, each at a point of one running daemon: which finding it makes, and that sound ones make none."""

import random
import struct
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.daemon import finding_job
from tests.brokers import Mosquitto, until
from tests.faults.mill import DAY, FAR, MAY, message, open_findings, publish, reading_count, running, sending
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE, HOURS = 60_000, 2
RATE = 40_000 / 60  # Wh a minute at 40 kW, what a feeder of 63 A may have
PLAN = """\
site = {{ name = "mill", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ {limits} }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms" }}]
board = [{{ name = "main", rating_kva = 400 }}]
point = [{{ point = "t1", role = "feed" }}, {points}]
instrument = [{{ point = "*", meter_class = "B", register_max_wh = 1e6 }}]
[[input]]
point = "*"
address = "m/{{point}}"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "16.7.0" = "/power" }}
[[input]]
point = "a11-r"
address = "m/a11-r"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "2.8.0" = "/export", "16.7.0" = "/power" }}
"""
# register over power: pulses counted twice (A17), and the usual steps of a unit (A9)
FACTORS = {"a17": 2.0, "a9-k": 1000.0, "a9-h": 100.0, "a9-x": 10.0, "a9-d": 0.1, "a9-m": 0.001}
POINTS = ("sound", "coarse", "a4", "a5", "a6", "a7", "a11", "a11-r", "a15", *FACTORS)


def swapped(value: float) -> float:
    """The two words of a counter the wrong way round."""
    high, low = struct.unpack(">HH", struct.pack(">I", round(value)))
    return float(struct.unpack(">I", struct.pack(">HH", low, high))[0])


def shown(point: str, minute: int) -> tuple[float, float]:
    """Register in Wh and power in W that a meter shows at a minute."""
    wh, power = round(10_000 + RATE * minute), 40_000.0
    if point == "coarse":  # whole kWh at 500 W: most quarter hours show no rise at all
        return 10_000 + 500 * minute // 60 // 1000 * 1000, 500.0 * random.Random(minute).uniform(0.5, 1.5)
    if point == "a5":
        return 10_000, power  # it stands
    if point == "a6" and 30 <= minute < 60:
        return swapped(wh), power  # after new firmware
    if point == "a7":
        wh = round(60_000 + RATE * minute)
        return (wh & 0xFFFF) | (0 if minute < 20 else 0x1_0000) if minute == 15 else wh, power  # an old high half
    if point == "a11":
        return round(200_000 - RATE * minute), power
    if point == "a15" and minute >= 60:
        return 700_000 + wh, power  # another meter
    if point in FACTORS:
        factor = FACTORS[point]
        return (wh, power / factor) if factor > 1 else (round(10_000 + RATE * minute * factor, 3), power)
    return wh, power


def sent(minutes: range) -> list[tuple[str, bytes]]:
    """All meters, minute by minute."""
    results = []
    for minute in minutes:
        for point in POINTS:
            register, power = shown(point, minute)
            values = {"import": register, "power": power}
            if point == "a11-r":  # a reversed meter counts on its export register
                values = {"import": 10_000.0, "export": register, "power": power}
            results.append((f"m/{point}", message(MAY + minute * MINUTE, **values)))
    return results


def test_a4_a5_a6_a7_a9_a11_a14_a15_a17_registers_that_go_wrong_are_findings_of_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two hours, in pieces of twenty minutes as they would come; before it four days in which a4 may have turned over twice."""
    monkeypatch.setattr(finding_job, "SCALES_S", 1.0)
    path, store = tmp_path / "mill.toml", tmp_path / "s.sqlite"
    wall = Wall(MAY - 4 * DAY)
    with Mosquitto("max_queued_messages 0\n") as broker, sending(broker.port) as out:
        points = ", ".join(f'{{ point = "{name}", rating_a = 63 }}' for name in POINTS)
        path.write_text(PLAN.format(port=broker.port, limits=FAR, points=points), encoding="utf-8")
        with running(load_plan(path).site, store, wall.clock()):
            assert until(out.connected)
            before = [("m/a4", message(MAY - 4 * DAY + i * MINUTE, **{"import": 999_000 + 100 * i})) for i in range(5)]
            assert until(lambda: publish(out, before[:1]) or reading_count(store) > 0, 60), "it listens"
            publish(out, before[1:])
            wall.skip(4 * DAY / 1000)
            count = 5
            for begin in range(0, HOURS * 60, 20):
                some = sent(range(begin, begin + 20))
                publish(out, some)
                wall.skip(20 * 60)
                count += 2 * len(some) + 20
                assert until(lambda n=count: reading_count(store) >= n, 60), reading_count(store)  # type: ignore[misc]
            disagree = {f"power-disagrees-{name}" for name in ("a5", "a11-r", *FACTORS)}
            wanted = disagree | {"ambiguous-a4", "suspect-a7", "register-direction-a11", "level-change-a15"}
            assert until(lambda: wanted <= set(open_findings(store)), 60), wanted - set(open_findings(store))
            results = open_findings(store)
    assert "stands still" in results["power-disagrees-a5"].text
    assert "resolution is lost, or it is frozen" in results["power-disagrees-a5"].text
    assert "wrong sign" in results["power-disagrees-a11-r"].text
    assert "a11: its import register counts backwards, by " in results["register-direction-a11"].text
    assert results["register-direction-a11"].evidence[0].startswith("the meter has the wrong sign")
    assert "current transformers reversed" in results["register-direction-a11"].remedy
    for name, factor in FACTORS.items():
        assert f"factor {factor:.4g}" in results[f"power-disagrees-{name}"].text
    assert "compare with the reading on the meter" in results["ambiguous-a4"].remedy
    assert "enter it in instruments.csv with closing and opening reading" in results["level-change-a15"].remedy
    assert results.keys() & {"suspect-a6", "level-change-a6"}
    # the clock goes on by twenty minutes before the readings of that time are there
    reported = [finding for finding in results.values() if finding.cause != "stale"]
    assert [finding for finding in reported if finding.subject in ("sound", "coarse")] == []
