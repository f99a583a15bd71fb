"""Present values of the secondary side: times the dated ratio, in the core and on the topics of the running daemon."""

from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.core.model.plan import Site
from meterd.core.registers.ct_factor import of_the_circuit, present_ratios, ratio_at
from meterd.core.topics.message import parse
from tests.brokers import Mosquitto, until
from tests.faults.mill import message, now_ms, publish, running, sending
from tests.faults.test_b_broker import BROKER, hearing

CHANGE = 1_777_586_400_000  # 2026-04-30T22:00Z, local midnight
PLAN = """\
site = {{ name = "mill", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ publish_every_s = 2 }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms" }}]
board = [{{ name = "main", rating_kva = 400 }}]
point = [{{ point = "t1", role = "feed" }}, {{ point = "roof", role = "pv" }}, {{ point = "hall" }}]
instrument = [
    {{ point = "t1", meter_class = "B", ct_class = "0.5", ct_ratio = "600/5", until = 2026-05-01, register_max_wh = 1e9 }},
    {{ point = "t1", meter_class = "B", ct_class = "0.5", ct_ratio = "1000/5", from = 2026-05-01, register_max_wh = 1e9 }},
    {{ point = "*", meter_class = "B", register_max_wh = 1e9 }},
]
[[input]]
point = "t1"
address = "m/t1"
time_field = "/t"
scale = "ct"
fields = {{ "1.8.0" = "/import", "16.7.0" = "/power" }}
[[input]]
point = "*"
address = "m/{{point}}"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "16.7.0" = "/power" }}
"""


def site(folder: Path, port: int = 1883) -> Site:
    """A feed whose meter shows the secondary side, exchanged with its transformers on the first of May."""
    path = folder / "mill.toml"
    path.write_text(PLAN.format(port=port), encoding="utf-8")
    return load_plan(path).site


def test_the_ratio_is_that_of_the_moment(tmp_path: Path) -> None:
    """Before and after the exchange; what the plan does not call secondary stays as it is."""
    plan = site(tmp_path)
    ratios = present_ratios(plan)
    assert set(ratios) == {("t1", "16.7.0")}  # registers have theirs where they are followed
    assert [ratio_at(ratios, ("t1", "16.7.0"), CHANGE + k) for k in (-1, 0)] == [120.0, 200.0]
    assert ratio_at(ratios, ("hall", "16.7.0"), CHANGE) == 1.0
    times = np.array([CHANGE - 1, CHANGE], dtype=np.int64)
    assert of_the_circuit(plan, ("t1", "16.7.0"), times, np.array([10.0, 10.0])).tolist() == [1200.0, 2000.0]
    assert of_the_circuit(plan, ("hall", "16.7.0"), times, np.array([1.0, 2.0])).tolist() == [1.0, 2.0]


@pytest.mark.slow
def test_powers_and_surplus_of_a_feed_that_shows_the_secondary_side(tmp_path: Path) -> None:
    """40 W at 1000/5 are 8 kW: on the topic of the point, in the surplus, and after a restart."""
    store = tmp_path / "s.sqlite"
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        plan = site(tmp_path, broker.port)

        def send() -> bool:
            powers = {"t1": -40.0, "roof": 9_000.0, "hall": 1_000.0}
            publish(out, [(f"m/{point}", message(now_ms(), power=watts)) for point, watts in powers.items()])
            return False

        def told(topic: str, value: float) -> bool:
            payloads = seen.get(f"energy/mill/{topic}", [])
            return bool(payloads) and parse(payloads[-1]).value == value

        with running(plan, store):
            assert until(lambda: send() or (told("point/t1/power", -8_000.0) and told("pv/surplus", 8_000.0)), 60)
        seen.clear()
        with running(plan, store):
            assert until(lambda: told("point/t1/power", -8_000.0), 60)
