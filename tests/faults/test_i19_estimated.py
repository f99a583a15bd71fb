"""Fault I19: the balance of an interval that is estimated says nothing about the meters. Live, on the page and in a replay."""

import csv
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from meterd.app.cli.main import main
from meterd.core.model.periods import Period, text
from tests.brokers import Mosquitto, until
from tests.faults.mill import MAY, QUARTER, SqliteStore, message, publish, sending, site, write_plan
from tests.faults.page_client import asked
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE = 60_000
SILENT = range(8, 24)  # minutes in which q02 is not read: the boundary at minute 15 lies inside
BURST = 14  # minute up to which q02 draws hard; a line over the gap spreads it over both quarter hours


def shown(minute: int) -> dict[str, dict[str, int]]:
    """What the meters show: a true residual of 0 at every minute."""
    hard = 10_000 + 480 * min(minute, BURST) + 20 * minute
    rest = {"q01": 10_000 + 100 * minute, "q03": 10_000 + 100 * minute, "roof": 10_000}
    feed = hard + rest["q01"] + rest["q03"] - 30_000
    values = {p: {"import": value} for p, value in rest.items()} | {"q02": {"import": hard}}
    return values | {"t1": {"import": 50_000 + feed, "export": 7_000}}


def sent(until_minute: int) -> list[tuple[str, bytes]]:
    return [
        (f"m/{point}", message(MAY + minute * MINUTE, **values))
        for minute in range(until_minute + 1)
        for point, values in shown(minute).items()
        if not (point == "q02" and minute in SILENT)
    ]


def test_i19_an_estimated_quarter_hour_has_no_verdict_in_store_page_and_findings(tmp_path: Path) -> None:
    """A burst inside a gap over a boundary: the line moves 1.8 kWh, the residual is that of the estimate, nobody is notified."""
    path = tmp_path / "s.sqlite"
    wall = Wall(MAY + 32 * MINUTE)
    with Mosquitto() as broker, sending(broker.port) as out:
        with asked(site(broker.port), path, wall.clock()) as page:
            assert until(lambda: out.connected() and page.page_values("now") is not None)
            publish(out, sent(32))
            assert until(lambda: (s := page.page_values("now")) and s["boards"] and s["boards"][0]["estimated"], 60)
            assert page.looks_again()
            (board,) = page.page_values("now")["boards"]
            assert (board["start_ms"], board["verdict"]) == (MAY + QUARTER, "not computable")
            assert abs(board["residual_mwh"]) > board["band_mwh"], "the trap is not there"
            gap = page.page_values("balance", period="interval", at=MAY)["gap"]
            assert (gap["verdict"], gap["estimated"]) == ("not computable", True)
            stored = {row["cause"] for row in page.page_values("findings", show="all")["entries"]}
            assert stored.isdisjoint({"outside-band", "not-computable"}), stored
        store = SqliteStore.reader(path)
        rows = store.balances("main", Period.INTERVAL, MAY, MAY + 2 * QUARTER)
        store.close()
    assert [(row.verdict, row.estimated) for row in rows] == [("not computable", True)] * 2


def test_i19_a_replay_with_empty_cells_judges_no_quarter_hour_that_is_estimated(tmp_path: Path) -> None:
    """The same readings from a file: the tables hold what the daemon keeps, and the hour around both is judged and inside."""
    plan = write_plan(tmp_path / "plan", 1883)
    file = tmp_path / "old.csv"
    with file.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out)
        writer.writerow(["time", "point", "register", "value"])
        codes = {"import": "1.8.0", "export": "2.8.0"}
        for minute in range(24 * 60 + 1):
            for point, values in shown(minute).items():
                for name, value in values.items():
                    cell = "" if point == "q02" and minute in SILENT else value
                    writer.writerow([text(MAY + minute * MINUTE), point, codes[name], cell])
    assert main(["replay", str(plan), str(file), "--out", str(tmp_path / "out"), "--format", "parquet"]) == 0
    rows = pq.read_table(tmp_path / "out" / "balance_main_interval.parquet").to_pylist()
    assert [(row["verdict"], row["estimated"]) for row in rows[:2]] == [("not computable", True)] * 2
    assert {row["verdict"] for row in rows[2:96]} == {"inside"}
    hours = pq.read_table(tmp_path / "out" / "balance_main_hour.parquet").to_pylist()
    assert (hours[0]["verdict"], hours[0]["estimated"]) == ("inside", False)
