"""Fault H6: the plan says 250/5 and the meter is set to 200/5, read from a real Modbus server over a real socket."""

from pathlib import Path

import pytest

from meterd.app.bookkeeper import Bookkeeper
from meterd.app.config import load_plan
from meterd.ratio_check import ratio_findings
from meterd.reading import CT_PRIMARY, CT_SECONDARY, IMPORT
from meterd.sources.modbus import ModbusSource
from meterd.store.sqlite import SqliteStore
from tests.faults.mill import ZONE, now_ms
from tests.sources.devices import ModbusServer, words
from tests.sources.lines import running

PLAN = """\
site = {{ name = "mill", zone = "Europe/Vienna" }}
board = [{{ name = "main" }}]
source = [{{ name = "line", protocol = "modbus", host = "127.0.0.1", port = {port}, period_s = 0.1 }}]
point = [{{ point = "t1", role = "feed" }}, {{ point = "q01" }}]
instrument = [{{ point = "*", meter_class = "B", ct_ratio = "250/5", register_max_wh = 1e9 }}]
input = [
    {{ point = "q01", source = "line", register = "1.8.0", address = "3/holding/72/float32", unit = "kWh" }},
    {{ point = "q01", source = "line", register = "0.4.2", address = "3/holding/80/uint16" }},
    {{ point = "q01", source = "line", register = "0.4.5", address = "3/holding/81/uint16" }},
]
"""


@pytest.mark.slow
@pytest.mark.parametrize(("primary", "causes"), [(200, ["ct-ratio"]), (250, [])])
def test_h6_another_ratio_in_the_meter_than_in_the_plan_is_told(
    primary: int, causes: list[str], tmp_path: Path
) -> None:
    """The registers of the ratio are read with the energy; a difference is one finding with both ratios."""
    with ModbusServer({3: {72: words(1234.5), 80: [primary, 5]}}) as server:
        path = tmp_path / "mill.toml"
        path.write_text(PLAN.format(port=server.port), encoding="utf-8")
        site = load_plan(path).site
        store = SqliteStore.writer(tmp_path / "s.sqlite")
        books = Bookkeeper(store, site, ZONE)
        with running(ModbusSource(site.sources[0], site)) as taking:
            read = [taking.reading("q01", register) for register in (IMPORT, CT_PRIMARY, CT_SECONDARY)]
        books.tick(read, now_ms())
        found = ratio_findings(site, books.state.instant, now_ms())
        store.close()
    assert [one.cause for one in found] == causes
    if causes:
        assert "250/5, the meter says 200/5" in found[0].text
        assert "0.8 of the truth" in found[0].text
