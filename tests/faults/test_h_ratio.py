"""Fault H6: the plan says 250/5 and the meter is set to 200/5, read by a running daemon from a real Modbus server."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from tests.adapters.sources.devices import ModbusServer, words
from tests.brokers import Mosquitto, until
from tests.faults.page_client import asked

PLAN = """\
site = {{ name = "mill", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {broker} }}
board = [{{ name = "main" }}]
source = [{{ name = "line", protocol = "modbus", host = "127.0.0.1", port = {port}, period_s = 0.5 }}]
point = [{{ point = "t1", role = "feed" }}, {{ point = "q01" }}]
instrument = [{{ point = "*", meter_class = "B", ct_ratio = "250/5", register_max_wh = 1e9 }}]
input = [
    {{ point = "q01", source = "line", register = "1.8.0", address = "3/holding/72/float32", unit = "kWh" }},
    {{ point = "q01", source = "line", register = "0.4.2", address = "3/holding/80/uint16" }},
    {{ point = "q01", source = "line", register = "0.4.5", address = "3/holding/81/uint16" }},
]
"""
CT = "ct-ratio-q01"


@pytest.mark.slow
def test_h6_another_ratio_in_the_meter_than_in_the_plan_is_reported(tmp_path: Path) -> None:
    """The registers of the ratio are read with the energy; a difference is one finding until the meter is set right."""
    path = tmp_path / "mill.toml"
    meter = {72: words(1234.5), 80: [200, 5]}
    with Mosquitto() as broker:
        with ModbusServer({3: meter}) as server:
            path.write_text(PLAN.format(port=server.port, broker=broker.port), encoding="utf-8")
            with asked(load_plan(path).site, tmp_path / "s.sqlite") as page:
                assert page.has(CT), page.findings()
                result = page.findings()[CT]
        assert "250/5, the meter says 200/5" in result["text"]
        assert "0.8 of the truth" in " ".join(result["evidence"])
        assert "rating plate" in result["remedy"]
        with ModbusServer({3: meter | {80: [250, 5]}}) as server:
            path.write_text(PLAN.format(port=server.port, broker=broker.port), encoding="utf-8")
            with asked(load_plan(path).site, tmp_path / "s.sqlite") as page:
                assert until(lambda: page.page_values("now")["unheard"] == 0, 60)
                assert until(lambda: CT not in page.findings(), 60)
