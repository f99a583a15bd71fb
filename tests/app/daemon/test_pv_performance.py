"""The performance ratio through the running daemon: irradiance over a broker, page, report, topic; a gap leaves its day out."""

import json
from contextlib import suppress
from pathlib import Path

import httpx
import numpy as np
import pytest
from openpyxl import load_workbook

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import TrialClock
from meterd.app.cli.main import main
from meterd.app.daemon.web_backend import served
from meterd.core.topics.senml import resolve
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import publish, running, sending

BEGIN = 1_777_586_400_000  # 2026-05-01 00:00 in Vienna
MINUTE, DAY = 60_000, 86_400_000
STEP = 5  # minutes
PEAK_KW, RATIO = 20.0, 0.8
PLAN = """\
site = {{ name = "mill", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {port} }}
page = {{ port = {page} }}
limits = {{ future_s = 40_000_000 }}
source = [{{ name = "meters", protocol = "mqtt", time_unit = "ms" }}]
board = [{{ name = "main" }}]
point = [{{ point = "t1", role = "feed" }}, {{ point = "roof", role = "pv", title = "South roof", peak_kwp = {peak} }}]
[[input]]
point = "t1"
address = "m/t1"
time_field = "/t"
fields = {{ "1.8.0" = "/import" }}
[[input]]
point = "roof"
address = "m/roof"
time_field = "/t"
fields = {{ "1.8.0" = "/import", "irradiance" = "/sun" }}
"""
TOPIC = "energy/mill/point/roof/irradiance"


def sent(days: int) -> list[tuple[str, bytes]]:
    """Every five minutes: a feed of 6 kW, a sun of 900 W/m2 at most, PV of 0.8 of what it gives; on the third day no sun

    for a quarter of an hour at noon.
    """
    minutes = np.arange(0, days * 1440 + STEP, STEP)
    sun = 900 * np.clip(np.sin(2 * np.pi * ((minutes % 1440) / 1440) - np.pi / 2), 0, None)
    hours = np.concatenate(([0], np.cumsum((sun[1:] + sun[:-1]) / 2 * STEP / 60)))
    rows = []
    for minute, watt, wh_m2 in zip(minutes.tolist(), sun.tolist(), hours.tolist(), strict=True):
        t = BEGIN + minute * MINUTE
        rows.append(("m/t1", json.dumps({"t": t, "import": 100 * minute}).encode()))
        roof = {"t": t, "import": round(1000 + wh_m2 * PEAK_KW * RATIO)}
        if not 2 * 1440 + 720 <= minute < 2 * 1440 + 735:
            roof["sun"] = watt
        rows.append(("m/roof", json.dumps(roof).encode()))
    rows.append(("m/t1", json.dumps({"t": BEGIN + days * DAY + 61_000, "import": 100 * days * 1440 + 101}).encode()))
    return rows


def ready(port: int) -> bool:
    with suppress(httpx.HTTPError):
        return httpx.get(f"http://127.0.0.1:{port}/ready", timeout=5).status_code == 200
    return False


@pytest.mark.slow
def test_the_ratio_of_a_roof_by_day_and_month(tmp_path: Path) -> None:
    """0.8 on each day that is known, and of the month; the day with the gap has an energy and no ratio."""
    with Mosquitto() as broker:
        page, plan, path = free_port(), tmp_path / "mill.toml", tmp_path / "mill.sqlite"
        plan.write_text(PLAN.format(port=broker.port, page=page, peak=PEAK_KW), encoding="utf-8")
        inbox = MessageQueue(100)
        reader = Link(LinkSettings("reader", host="127.0.0.1", port=broker.port), topics=(TOPIC,), inbox=inbox)
        out = sending(broker.port)
        with running(load_plan(plan).site, path, TrialClock(BEGIN)) as here, served(here.daemon):
            out.start()
            reader.start()
            try:
                assert until(lambda: ready(page), 60)
                publish(out, sent(4))

                def line() -> dict[str, object]:
                    answer = httpx.get(f"http://127.0.0.1:{page}/api/pv?month=2026-05", timeout=60).json()
                    result: dict[str, object] = answer["performance"][0]
                    return result

                assert until(lambda: line()["known"] == 3, 60), line()
                result = line()
                days = result["days"]
                assert isinstance(days, list)
                assert [day["ratio"] is None for day in days] == [False, False, True, False]
                assert (days[2]["final_h"] is None, days[2]["reference_h"]) == (False, None)
                for ratio in (result["ratio"], days[0]["ratio"], days[3]["ratio"]):
                    assert ratio == pytest.approx(RATIO, rel=2e-3)
                html = httpx.get(f"http://127.0.0.1:{page}/pv?month=2026-05", timeout=60).text
                assert "South roof" in html
                assert "Final yield" in html
                seen: list[float] = []

                def bright() -> bool:
                    for message in inbox.get_all(50, 0.1):
                        seen.extend(
                            r.value for r in resolve(message.payload) if r.unit == "W/m2" and r.value is not None
                        )
                    return bool(seen)

                assert until(bright, 30)
            finally:
                out.close()
                reader.close()
        book = tmp_path / "report.xlsx"
        arguments = ["report", str(plan), "--store", str(path), "--month", "2026-05", "--xlsx", str(book)]
        assert main(arguments) == 0
        cells = [cell for sheet in load_workbook(book) for row in sheet.iter_rows(values_only=True) for cell in row]
        place = cells.index("South roof", cells.index("PR [%]"))
        assert cells[place + 4] == pytest.approx(100 * RATIO, rel=2e-3)


@pytest.mark.parametrize(
    ("point", "what"),
    [
        ('role = "pv" }', "irradiance at roof gives no performance ratio: its peak power is not known"),
        ('role = "feeder", peak_kwp = 20 }', "irradiance at roof does nothing: its role is feeder"),
        ('role = "feeder", peak_kwp = 20 }', "peak_kwp of roof does nothing: its role is feeder"),
    ],
)
def test_a_plan_that_gives_no_ratio_is_warned_of(tmp_path: Path, point: str, what: str) -> None:
    plan = tmp_path / "mill.toml"
    text = PLAN.format(port=1, page=2, peak=PEAK_KW)
    begin = text.index('role = "pv"')
    plan.write_text(text[:begin] + point + text[text.index("}", begin) + 1 :], encoding="utf-8")
    assert what in [fault.what for fault in load_plan(plan).warnings]
