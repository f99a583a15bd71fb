"""An export holds every row of the store once, in the right month, and says what each column is."""

import csv
import hashlib
import json
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow.dataset
import pyarrow.parquet as pq
import pytest

from meterd.app.cli.main import main
from tests.app.two_meters import BEGIN, CHANNELS, fill, plan_file, readings

DAYS = 40  # January and a part of February, local


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan and forty days of its store."""
    folder = tmp_path_factory.mktemp("site")
    fill(folder, DAYS)
    return folder


def test_parquet_holds_every_reading_and_figure_once(site: Path, tmp_path: Path) -> None:
    """Row by row the readings that went in; energies as the store has them; partitions by local month."""
    out = tmp_path / "out"
    assert main(["export", str(plan_file(site)), "--out", str(out)]) == 0
    table = pyarrow.dataset.dataset(out / "readings", partitioning="hive").to_table().to_pylist()
    got = {(r["point"], r["obis"], round(r["time"].timestamp() * 1000), r["value"], r["count"]) for r in table}
    counts = ("1.8.0",)
    expected = {
        (r.point, r.register, r.at_ms, r.value / 1000 if r.register in counts else r.value,
         r.value if r.register in counts else None)
        for r in readings(DAYS)
    }  # fmt: skip
    assert len(table) == len(expected)
    assert got == expected
    assert {r["unit"] for r in table} == {"Wh", "W"}
    months = sorted(str(p.relative_to(out)) for p in out.glob("readings/*/*"))
    local = {datetime.fromtimestamp(r.at_ms / 1000, ZoneInfo("Europe/Vienna")) for r in readings(DAYS)}
    assert months == sorted({f"readings/year={t.year}/month={t.month:02d}" for t in local})
    first = pq.read_table(out / "readings/year=2026/month=01/part.parquet", partitioning=None)["time"].to_pylist()[0]
    assert first.timestamp() * 1000 >= BEGIN, "23:00 UTC is the first of January in Vienna"

    energy = pyarrow.dataset.dataset(out / "energy", partitioning="hive").to_table().to_pylist()
    month = next(r for r in energy if r["period"] == "month" and r["point"] == "f1" and r["month"] == 1)
    parts = [r for r in energy if r["period"] == "interval" and r["point"] == "f1" and r["month"] == 1]
    assert len(parts) == 31 * 24
    known = [r["energy_mwh"] for r in parts if r["energy_mwh"] is not None]
    assert month["energy_mwh"] is None or month["energy_mwh"] == sum(known)
    assert {r["quality"] for r in parts} <= {"good", "estimated", "missing"}
    assert len({(r["period"], r["start"], r["point"]) for r in energy}) == len(energy)
    balance = pq.read_table(out / "balance/year=2026/month=02/part.parquet", partitioning=None)
    assert set(balance["board"].to_pylist()) == {"main"}


def test_description_is_complete_and_true(site: Path, tmp_path: Path) -> None:
    """Every column of every file with type, unit and meaning; every file with its rows and digest."""
    out = tmp_path / "out"
    assert main(["export", str(plan_file(site)), "--out", str(out)]) == 0
    text = json.loads((out / "description.json").read_text())
    assert text["site"] == "mill"
    assert text["zone"] == "Europe/Vienna"
    assert set(text["source"]) == {"program", "version", "plan", "schema"}
    files = {f["path"]: f for f in text["files"]}
    assert set(files) == {str(p.relative_to(out)) for p in out.rglob("part.parquet")}
    for path, file in files.items():
        table = pq.read_table(out / path, partitioning=None)
        assert table.num_rows == file["rows"]
        assert hashlib.sha256((out / path).read_bytes()).hexdigest() == file["sha256"]
        columns = text["tables"][path.partition("/")[0]]["columns"]
        assert [c["name"] for c in columns] == table.column_names
        assert [c["type"] for c in columns] == [str(kind) for kind in table.schema.types]
        assert all(c["meaning"] for c in columns)


def test_csv_of_a_span_and_one_table(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only what was asked for: half-open, local dates."""
    out = tmp_path / "out"
    arguments = ["--from", "2026-01-10", "--until", "2026-01-11", "--format", "csv", "--only", "energy"]
    assert main(["export", str(plan_file(site)), "--out", str(out), *arguments]) == 0
    assert [str(p.relative_to(out)) for p in out.rglob("part.csv")] == ["energy/year=2026/month=01/part.csv"]
    with (out / "energy/year=2026/month=01/part.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len([r for r in rows if r["period"] == "interval"]) == 24 * len(CHANNELS)
    assert len([r for r in rows if r["period"] == "day"]) == len(CHANNELS)
    assert rows[0]["start"].startswith("2026-01-09 23:00:00")
    assert "energy: " in capsys.readouterr().out


def test_what_cannot_be_exported_is_said(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder with something in it, no store, a span that ends before it begins; nothing half done stays."""
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").write_text("mine")
    plan = str(plan_file(site))
    assert main(["export", plan, "--out", str(tmp_path / "full")]) == 2
    assert "not empty" in capsys.readouterr().err
    assert main(["export", plan, "--out", str(tmp_path / "o"), "--store", str(tmp_path / "absent")]) == 1
    assert main(["export", plan, "--out", str(tmp_path / "o"), "--from", "2026-02", "--until", "2026-01"]) == 2
    (tmp_path / "file").write_text("no folder")
    assert main(["export", plan, "--out", str(tmp_path / "file" / "o")]) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "full"]
