"""`meterd shares` and `meterd pv-shares` through the command line."""

import csv
import io
import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.daemon.sharing_job import NEWEST
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.pv_accounting import participants
from meterd.core.model.reading import EXPORT, IMPORT, Reading

BEGIN = 1_777_586_400_000  # 2026-04-30 22:00 UTC: May in Vienna
QUARTER = 900_000
KEY = '[sharing]\nkey = "static"\nkeys = { hall = 50, mill = 30, shop = 20 }\n'
PLAN = """
site = { name = "mill", zone = "Europe/Vienna" }
board = [{ name = "north" }]
point = [
    { point = "t1", role = "feed" },
    { point = "pv", role = "pv" },
    { point = "q01", tenant = "hall", place = "Hall, cellar" },
    { point = "q02", tenant = "mill", place = "Mill" },
    { point = "q03", tenant = "shop", place = "Hall, front" },
    { point = "stairs" },
]
consumer = [{ consumer = "heater", point = "q01", max_w = 1500 }]

[[input]]
point = "*"
source = "meters"
address = "meters/{point}"
fields = { "1.8.0" = "/in", "2.8.0" = "/out" }

[[source]]
name = "meters"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four quarter hours, each with 10 kWh of PV, users of 8, 2 and 4 kWh, stairs of 1 kWh, 5 kWh from the grid."""
    path = tmp_path_factory.mktemp("mill")
    (path / "rata.toml").write_text(PLAN, encoding="utf-8")
    (path / "static.toml").write_text(PLAN + KEY, encoding="utf-8")
    site = load_plan(path / "rata.toml").site
    store = SqliteStore.writer(path / "mill.sqlite")
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    rises = {
        "t1": 5_000_000,
        "pv": 10_000_000,
        "q01": 8_000_000,
        "q02": 2_000_000,
        "q03": 4_000_000,
        "stairs": 1_000_000,
    }
    readings = [
        Reading(point, register, BEGIN + i * QUARTER, rise * i if register == IMPORT else 0, BEGIN)
        for point, rise in rises.items()
        for register in (IMPORT, EXPORT)
        for i in range(5)
    ]
    ledger.tick(readings, BEGIN)
    ledger.tick([], BEGIN + 4 * QUARTER + 61_000)
    while ledger.late_step(BEGIN + 4 * QUARTER + 61_000, 0):
        pass
    store.close()
    return path


def lines(capsys: pytest.CaptureFixture[str], folder: Path, plan: str, *arguments: str) -> list[dict[str, str]]:
    """The CSV lines of a command."""
    command = [
        arguments[0],
        str(folder / plan),
        "--store",
        str(folder / "mill.sqlite"),
        "--format",
        "csv",
        *arguments[1:],
    ]
    code = main(command)
    output = capsys.readouterr()
    assert (code, output.err) == (0, "")
    return list(csv.DictReader(io.StringIO(output.out)))


def test_static_key_of_the_example(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """RD 244/2019 example of checks.md four times: 5, 2 and 2 kWh of 10, and 1 to the grid; all adds up."""
    results = lines(capsys, folder, "static.toml", "pv-shares", "--month", "2026-05")
    assert {row["tenant"]: row["pv_wh"] for row in results} == {
        "hall": "20000",
        "mill": "8000",
        "shop": "8000",
        "to the grid": "4000",
        "residual (common areas, losses)": "0",
        "below a watt-hour": "0.0",
        "drawn by the inverters at night": "0.0",
        "production": "40000.0",
    }
    assert results[0]["from_pv"] == "0.625"


def test_pro_rata_by_area_and_by_point(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """5714, 1429 and 2857 Wh in each quarter hour (checks.md); the hall's area holds two of them."""
    by_point = lines(capsys, folder, "rata.toml", "pv-shares", "--month", "2026-05", "--by", "point")
    assert [row["pv_wh"] for row in by_point][:3] == ["22857", "5714", "11429"]
    by_area = lines(capsys, folder, "rata.toml", "pv-shares", "--month", "2026-05", "--by", "area")
    assert {row["area"]: row["pv_wh"] for row in by_area if row["used_wh"]} == {"Hall": "34286", "Mill": "5714"}


def test_title_tells_both_netting_intervals_and_fairness(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """As a table for people: the key, missing intervals, energy per quarter hour and per hour, Jain's index."""
    code = main(["pv-shares", str(folder / "rata.toml"), "--store", str(folder / "mill.sqlite"), "--month", "2026-05"])
    out = capsys.readouterr().out.replace("\n", " ")
    assert code == 0
    assert "key pro-rata, 4 intervals, 0 missing" in out
    assert "per 900 s 40.000 kWh" in out
    assert "Jain index of the tenants" in out
    assert "57.1 %" in out or "71.4 %" in out, "the part of the use that was PV, for people"
    assert "missing" not in out.replace("0 missing", ""), "the grid has no use that could be missing"


def test_empty_month_and_wrong_month(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """Nothing kept is said so; what is no month is refused with what would be right."""
    plan, store = str(folder / "rata.toml"), str(folder / "mill.sqlite")
    assert main(["pv-shares", plan, "--store", store, "--month", "2025-01"]) == 0
    assert "no figures in that month" in capsys.readouterr().out
    assert main(["pv-shares", plan, "--store", store, "--month", "2025-13"]) == 2
    assert "cannot read --month '2025-13'" in capsys.readouterr().err
    for wrong in ("2026", "2026-05-04", "May"):  # a year was taken for its January
        assert main(["pv-shares", plan, "--store", store, "--month", wrong]) == 2
        assert f"cannot read --month '{wrong}': write a month such as 2026-05" in capsys.readouterr().err


def test_points_without_tenant_or_below_another_do_not_take_part(folder: Path) -> None:
    """The stairs have no tenant: what they use of PV is in the residual."""
    assert participants(load_plan(folder / "rata.toml").site) == {"q01": "hall", "q02": "mill", "q03": "shop"}


def test_shares_now(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """Nothing shared yet, then the newest decision with its reason."""
    plan, store = str(folder / "rata.toml"), str(folder / "mill.sqlite")
    assert main(["shares", plan, "--store", store]) == 0
    assert "nothing was shared (mode off)" in capsys.readouterr().out
    assert main(["shares", plan, "--store", store, "--would-have"]) == 0
    assert "nothing was shared" in capsys.readouterr().out
    stored = SqliteStore.writer(Path(store))
    newest = {"at_ms": BEGIN, "mode": "on", "room_w": 900, "reason": "", "shares": [("heater", 900, "runs at 900 W")]}
    with stored.transaction():
        stored.set_fact(NEWEST, json.dumps(newest))
    stored.close()
    assert lines(capsys, folder, "rata.toml", "shares") == [
        {"consumer": "heater", "share_w": "900", "reason": "runs at 900 W"}
    ]
    assert main(["shares", plan, "--store", store]) == 0
    text = capsys.readouterr().out
    assert "share kW" in text
    assert " 0.900 " in text, "kilowatts under the heading of kilowatts"


def test_kwh_are_kwh_in_the_table_of_pv_shares(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """Whole watt-hours of the stored figures are shown as kWh under a heading that says so."""
    main(["pv-shares", str(folder / "static.toml"), "--store", str(folder / "mill.sqlite"), "--month", "2026-05"])
    out = capsys.readouterr().out
    assert "pv kWh" in out
    assert "20.000" in out
    assert "20000" not in out
