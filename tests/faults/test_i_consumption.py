"""Meters that contradict each other: a consumption below zero is a finding and no figure. Live, on the page, in commands."""

import csv
import io
import json
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from tests.brokers import Mosquitto, until
from tests.faults.mill import MAY, message, publish, sending, site, write_plan
from tests.faults.page_client import asked
from tests.faults.test_b_broker import QUICK, ROOT, hearing
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE = 60_000
TOLD = "consumption-negative-mill"


def sent(until_minute: int, *, roof_w: int) -> list[tuple[str, bytes]]:
    """The site gives 20 kW to the grid and draws nothing from it, and PV is said to make so much."""
    results = []
    for minute in range(until_minute + 1):
        at = MAY + minute * MINUTE
        results.append(("m/roof", message(at, **{"import": 10_000 + roof_w * minute / 60, "power": roof_w})))
        grid = {"import": 50_000, "export": 7_000 + 20_000 * minute / 60, "power": -20_000}
        results.append(("m/t1", message(at, **grid)))
        results += [(f"m/{q}", message(at, **{"import": 10_000 + 100 * minute})) for q in ("q01", "q02", "q03")]
    return results


def rows(capsys: pytest.CaptureFixture[str], *command: str) -> list[dict[str, str]]:
    """Lines of a command as CSV."""
    assert main([*command, "--format", "csv"]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_a_consumption_below_zero_is_a_finding_and_no_figure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found with a PV meter that counted a third: -1.128 kWh of a quarter hour were published."""
    path, wall = tmp_path / "s.sqlite", Wall(MAY + 17 * MINUTE)
    with Mosquitto() as broker, sending(broker.port) as out, hearing(broker) as seen:

        def load() -> object:
            packs = seen.get(f"{ROOT}/site/load")
            return None if not packs else json.loads(packs[-1])[0].get("vs")

        with asked(site(broker.port, limits=QUICK), path, wall.clock()) as page:
            assert until(lambda: out.connected() and page.page_values("now") is not None)
            publish(out, sent(17, roof_w=12_000))
            assert page.has(TOLD)
            reported = page.findings()[TOLD]
            assert "leave a consumption of -2.000 kWh" in reported["text"]
            assert reported["points"] == ["roof", "t1"]
            assert until(lambda: any("contradict" in item["reason"] for item in page.page_values("now")["powers"]), 30)
            (shown,) = (item for item in page.page_values("now")["powers"] if item["key"] == "load")
            assert (shown["watt"], shown["reason"]) == (None, "below zero: the meters contradict each other")
            assert until(lambda: load() == "invalid", 30)
    plan = str(write_plan(tmp_path / "plan", 1883))
    span = ("--store", str(path), "--from", "2026-05-04", "--until", "2026-05-05")
    line = rows(capsys, "energy", plan, "--pv", "--period", "interval", *span)[0]
    assert (line["consumption_wh"], line["self_sufficiency"]) == ("", "")
    assert "contradict" in line["missing"]
    assert float(line["production_wh"]) == 3_000
    assert main(["export", plan, *span, "--out", str(tmp_path / "e"), "--format", "csv", "--only", "pv"]) == 0
    capsys.readouterr()
    (table,) = (tmp_path / "e").rglob("part.csv")
    lines = csv.DictReader(io.StringIO(table.read_text(encoding="utf-8")))
    stored = [item for item in lines if item["period"] == "interval"]
    assert stored[0]["consumption_mwh"] == ""
    assert stored[0]["production_mwh"] == "3000000"


def test_what_the_instruments_explain_is_no_finding(tmp_path: Path) -> None:
    """An idle site that exports all: the two meters differ by less than their classes allow, and nobody is notified."""
    path, wall = tmp_path / "s.sqlite", Wall(MAY + 17 * MINUTE)
    with (
        Mosquitto() as broker,
        sending(broker.port) as out,
        asked(site(broker.port, limits=QUICK), path, wall.clock()) as page,
    ):
        assert until(lambda: out.connected() and page.page_values("now") is not None)
        publish(out, sent(17, roof_w=19_980))
        assert page.has("outside-band-main")  # the feeders draw 18 kW that nobody feeds: the interval is closed
        assert page.looks_again()
        assert TOLD not in page.findings()
