"""On the first day live: a feeder whose register comes in another unit than the plan says is a finding of the daemon."""

import json
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from meterd.core.model.periods import HOUR_MS
from tests.adapters.documents.written_files import text
from tests.brokers import Mosquitto, until
from tests.faults.mill import FAR, MAY, publish, sending
from tests.faults.page_client import asked
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow

PLAN = """
site = {{ name = "mill", zone = "Europe/London" }}
broker = {{ host = "127.0.0.1", port = {port} }}
limits = {{ {limits} }}
board = [{{ name = "main" }}]
point = [
    {{ point = "t1", role = "feed", rating_a = 250 }},
    {{ point = "ovens", rating_a = 63 }},
    {{ point = "hall", rating_a = 63 }},
]
input = [{{ point = "*", register = "1.8.0", address = "m/{{point}}", field = "/e", time_field = "/t", unit = "Wh" }}]
source = [{{ name = "broker", protocol = "mqtt", time_unit = "ms" }}]
"""
HOURLY = {
    "ovens": [9000, 12000, 15000, 8000, 11000, 14000, 7000, 9500],
    "hall": [4000, 3000, 5000, 6000, 3500, 4500, 5500, 4200],
}


def sent(hours: int) -> list[tuple[str, bytes]]:
    """Readings of each quarter hour; the ovens send kWh."""
    results = []
    for quarter in range(hours * 4 + 1):
        whole, part = divmod(quarter, 4)
        rise = {
            name: sum(values[:whole]) + (values[whole] * part / 4 if part else 0) for name, values in HOURLY.items()
        }
        rise["t1"] = rise["ovens"] + rise["hall"]
        for point, energy in rise.items():
            value = 5_000_000 + energy
            body = {"e": round(value / 1000, 4) if point == "ovens" else value, "t": MAY + quarter * HOUR_MS // 4}
            results.append((f"m/{point}", json.dumps(body).encode()))
    return results


def test_a_register_in_another_unit_is_found_on_the_first_day(tmp_path: Path) -> None:
    """Eight hours of readings through a broker; the finding names the unit, and the acceptance form of the point shows it."""
    path, store = tmp_path / "mill.toml", tmp_path / "s.sqlite"
    wall = Wall(MAY - HOUR_MS)
    with Mosquitto("max_queued_messages 0\n") as broker, sending(broker.port) as out:
        path.write_text(PLAN.format(port=broker.port, limits=FAR), encoding="utf-8")
        with asked(load_plan(path).site, store, wall.clock()) as page:
            assert until(out.connected)
            wall.skip(9 * 60 * 60)
            publish(out, sent(8))
            assert until(lambda: page.has("register-scale-ovens"), 150), page.findings()
            results = page.findings()["register-scale-ovens"]
    assert (
        "ovens: looks like kWh where the plan says Wh (factor 1000); with that the balance of board main closes"
        in str(results)
    )
    pdf = tmp_path / "ovens.pdf"
    command = ["acceptance", str(path), "--store", str(store), "--point", "ovens", "--lang", "de", "--pdf", str(pdf)]
    assert main(command) == 0
    assert "sieht nach kWh aus, wo im Plan Wh steht" in " ".join(text(pdf).split())
