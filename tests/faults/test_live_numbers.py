"""Faults of counters, times and numbers, each planted at a point of one running daemon: what page and store say of it."""

import json
import random
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.reading import IMPORT
from tests.brokers import Mosquitto, until
from tests.faults.mill import FAR, MAY, interval_energies, publish, sending
from tests.faults.page_client import asked
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE, LAST = 60_000, 62
WHOLE = [1_500_000] * 4  # 100 Wh a minute
POINTS = ("sound", "a1", "a2", "a3", "a12", "a13", "b5", "c10", "f1", "f2")
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
fields = {{ "1.8.0" = "/import" }}
"""


def shown(point: str, minute: int) -> float | str:
    """What a meter shows at a minute."""
    wh = 100 * minute
    if point == "a1" and minute == 30:
        return 0  # once
    if point == "a2" and minute >= 30:
        return wh - 3_000  # for good
    if point == "a3":
        return (997_000 + wh) % 1_000_000
    if point == "a12" and minute >= 30:
        return 400_000 + wh
    if point == "f1" and minute >= 30:
        return "NaN"
    return 10_000 + wh


def payload(point: str, minute: int, *, time: int | None = None) -> bytes:
    """A message; `NaN` as some devices write it."""
    at = MAY + minute * MINUTE if time is None else time
    return json.dumps(
        {"t": at, "import": float("nan") if shown(point, minute) == "NaN" else shown(point, minute)}
    ).encode()


def sent() -> list[tuple[str, bytes]]:
    """Everything, point by point: twice for a13, in any order for b5, in seconds for c10, nothing for f2."""
    results = []
    for point in ("t1", *POINTS):
        minutes = [] if point == "f2" else list(range(-1, LAST))
        if point == "b5":
            random.Random(5).shuffle(minutes)
        for minute in minutes:
            time = (MAY + minute * MINUTE) // 1000 if point == "c10" else None
            results.append((f"m/{point}", payload(point, minute, time=time)))
            if point == "a13":
                again = json.loads(payload(point, minute)) | {"t": MAY + minute * MINUTE + 20_000}
                results.append((f"m/{point}", json.dumps(again).encode()))
    return results


def test_a1_a2_a3_a12_a13_b5_c10_f1_f2_f3_in_a_running_daemon(tmp_path: Path) -> None:
    """One cause, one finding, under the name of the point; energies of the others are whole; what is missing stays missing."""
    path, store = tmp_path / "mill.toml", tmp_path / "s.sqlite"
    wall = Wall(MAY - 2 * MINUTE)
    with Mosquitto("max_queued_messages 0\n") as broker, sending(broker.port) as out:
        points = ", ".join(f'{{ point = "{name}", rating_a = 63 }}' for name in POINTS)
        path.write_text(PLAN.format(port=broker.port, limits=FAR, points=points), encoding="utf-8")
        with asked(load_plan(path).site, store, wall.clock()) as page:
            assert until(out.connected)
            publish(out, sent())
            assert until(lambda: page.page_values("now")["unheard"] == 2, 60), "all but c10 and f2 are heard"
            wall.skip(64 * 60)
            publish(out, [(f"m/{p}", payload(p, LAST)) for p in ("t1", *POINTS) if p not in ("c10", "f2")])
            assert until(
                lambda: (s := page.page_values("now")) and s["boards"] and s["boards"][0]["end_ms"] >= MAY + 60 * MINUTE
            )
            assert until(lambda: {"suspect-a1", "reset-a2", "level-change-a12"} <= set(page.findings()), 60), (
                page.findings()
            )
            assert page.has("refused-import-f1"), page.findings()
            results = page.findings()
            (board,) = page.page_values("now")["boards"]
    reported = {item["subject"] for item in results.values()}
    assert not reported & {"sound", "a3", "a13", "b5"}, results
    assert "c10" in reported
    assert board["verdict"] == "not computable"
    assert board["outgoing_mwh"] is None
    assert "f2" in board["missing"]
    stored = SqliteStore.reader(store)
    energies = {name: interval_energies(stored, (name, IMPORT), MAY, 4) for name in POINTS}
    stored.close()
    assert {name: energies[name] for name in ("sound", "a1", "a3", "a13", "b5")} == dict.fromkeys(
        ("sound", "a1", "a3", "a13", "b5"), WHOLE
    )
    assert (energies["a2"][0], energies["a2"][3]) == (1_500_000, 1_500_000)
    assert (energies["a12"][0], energies["a12"][3]) == (1_500_000, 1_500_000)
    assert energies["c10"] == energies["f2"] == [None] * 4
    assert energies["f1"][0] == 1_500_000
    assert energies["f1"][3] is None
