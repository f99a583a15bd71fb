"""A replay into tables: the energies of the readings, in every period, and nothing where they do not reach."""

import csv
import json
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from meterd.app.cli.main import main
from meterd.app.operations.replay_tables import in_turn
from meterd.core.model.periods import text
from tests.app.operations.old_readings_site import imported
from tests.bench.site import START_MS, Wide
from tests.faults.mill import MAY


def rows_of(path: Path) -> list[dict[str, str]]:
    """A table as a program reads it."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_tables_hold_what_the_registers_rose(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A day of minutes: 96 quarter hours, their sum is the day, and the register that no file holds is missing."""
    plan, rows = imported(tmp_path)
    assert main(["replay", str(plan), str(rows), "--out", str(tmp_path / "o")]) == 0
    assert "-> " in capsys.readouterr().out
    shown = [row for row in rows_of(rows) if row["point"] == "q02"]
    rise = round(1000 * (float(shown[-1]["value"]) - float(shown[0]["value"])))
    quarters = rows_of(tmp_path / "o" / "energy_interval.csv")
    assert len(quarters) == 96
    assert sum(int(row["q02.import_mwh"]) for row in quarters) == rise
    assert {row["verdict"] for row in rows_of(tmp_path / "o" / "balance_main_interval.csv")} == {"not computable"}
    described = json.loads((tmp_path / "o" / "description.json").read_text(encoding="utf-8"))
    assert (described["from"], described["readings"]) == (text(MAY), len(rows_of(rows)))


def test_registers_come_in_their_order_whoever_is_first() -> None:
    channels = [(f"q{i}", "1.8.0") for i in range(9)]
    assert list(in_turn(lambda channel: channel, channels)) == channels
    assert list(in_turn(lambda channel: channel, [])) == []


def test_tables_need_no_store_no_broker_and_no_drift_watch(tmp_path: Path) -> None:
    """Half of the start of the command, which a short history feels."""
    plan, rows = imported(tmp_path)
    arguments = ["replay", str(plan), str(rows), "--out", str(tmp_path / "o")]
    loads = "{name for name in sys.modules if name.startswith(('meterd.core.drift', 'meterd.adapters.store', 'paho', 'rich'))}"
    code = (
        f"import sys; from meterd.app.cli.main import main\nmain({arguments!r}); sys.exit(str(sorted({loads}) or ''))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr.strip() == ""
    assert " readings from " in done.stdout


def test_numbers_of_parquet_need_no_functions_for_texts(tmp_path: Path) -> None:
    """Nor pandas: half of what a short replay takes was its start. What is missing stands in its own text in each row."""
    plan, file = Wide(3, ("1.8.0",)).plan(tmp_path, 1883), tmp_path / "wide.parquet"
    at = pa.array([START_MS + 900_000 * step for step in range(9)], pa.timestamp("ms", tz="UTC"))
    rises = {"t1": 300, "pv": 100, "q0001": 400}
    names = {f"meters/{name}": pa.array([rise * step for step in range(9)]) for name, rise in rises.items()}
    pq.write_table(pa.table({"time": at, **names}), file)
    arguments = ["replay", str(plan), str(file), "--out", str(tmp_path / "o"), "--format", "parquet"]
    loads = "{'pandas', 'pyarrow.compute'} & {*sys.modules}"
    code = (
        f"import sys; from meterd.app.cli.main import main\nmain({arguments!r}); sys.exit(str(sorted({loads}) or ''))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stderr.strip(), "27 readings from " in done.stdout) == ("", True)
    quarters = pq.read_table(tmp_path / "o" / "balance_main_interval.parquet").to_pydict()
    assert (quarters["missing"], quarters["residual_mwh"]) == ([""] * 8, [0] * 8)
    day = pq.read_table(tmp_path / "o" / "balance_main_day.parquet")
    assert day.column("missing").to_pylist() == ["t1, pv, q0001"]
    assert str(day.schema.field("missing").type) == "dictionary<values=string, indices=int32, ordered=0>"
