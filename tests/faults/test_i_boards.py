"""A board that another supplies, with a meter at its own end: what passes both meters is counted once, on the topics too."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.core.topics.message import parse
from tests.brokers import Mosquitto, until
from tests.faults.mill import message, now_ms, publish, running, sending
from tests.faults.test_b_broker import BROKER, ROOT, hearing

PLAN = """\
site = {{ name = "mill", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {port} }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms" }}]
limits = {{ power_max_age_s = 3, publish_every_s = 1 }}
board = [{{ name = "main", rating_kva = 400 }}, {{ name = "yard", fed_by = "to-yard" }}]
point = [
    {{ point = "t1", board = "main", role = "feed" }},
    {{ point = "hall", board = "main", rating_a = 63 }},
    {{ point = "to-yard", board = "main", rating_a = 63 }},
    {{ point = "y0", board = "yard", role = "feed" }},
    {{ point = "crane", board = "yard", rating_a = 63 }},
    {{ point = "yard-roof", board = "yard", role = "pv" }},
]
instrument = [{{ point = "*", meter_class = "B", register_max_wh = 1e9 }}]
input = [{{ point = "*", address = "m/{{point}}", time_field = "/t", fields = {{ "16.7.0" = "/power" }} }}]
"""
# the yard has 15 kW left over, the hall takes them and 10 kW of the grid: nothing is left for flexible loads
POWERS = {"t1": 10e3, "hall": 25e3, "to-yard": -15e3, "y0": -15e3, "crane": 5e3, "yard-roof": 20e3}


@pytest.mark.slow
def test_what_a_board_below_sends_back_is_no_export_of_the_site(tmp_path: Path) -> None:
    """By the connection, and by the sum of the boards when the meter of the connection falls silent."""
    path = tmp_path / "mill.toml"
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        path.write_text(PLAN.format(port=broker.port), encoding="utf-8")

        def values(silent: str = "") -> dict[str, float | None]:
            at_ms = now_ms()
            publish(out, [(f"m/{p}", message(at_ms, power=w)) for p, w in POWERS.items() if p != silent])
            topics = ("site/draw", "site/load", "pv/self-use", "pv/surplus")
            packs = {topic: seen.get(f"{ROOT}/{topic}") for topic in topics}
            return {topic: parse(pack[-1]).value if pack else None for topic, pack in packs.items()}

        with running(load_plan(path).site, tmp_path / "s.sqlite"):
            right = {"site/draw": 10e3, "site/load": 30e3, "pv/self-use": 20e3, "pv/surplus": 0.0}
            assert until(lambda: values() == right), values()
            without_feed = {"site/draw": None, "site/load": None, "pv/self-use": None, "pv/surplus": 0.0}
            assert until(lambda: values("t1") == without_feed), values("t1")
    assert all(parse(pack).value in (None, 0.0) for pack in seen[f"{ROOT}/pv/surplus"])
