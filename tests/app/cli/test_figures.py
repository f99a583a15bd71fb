"""Figures by the command line: days, balances, PV, demand, as a table for people and as JSON."""

import csv
import io
import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from tests.app.commands import CONFIG, run
from tests.example_plans import example

BEGIN = 1_767_222_000_000  # 2025-12-31 23:00 UTC: the year 2026 in Vienna
QUARTER = 900_000


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days and an hour of the small plan: the grid gives 1 kWh a quarter hour, five feeders take 0.2 kWh each."""
    path = tmp_path_factory.mktemp("store") / "s.sqlite"
    site = example("small.toml")
    stored = SqliteStore.writer(path)
    ledger = Ledger(stored, site, ZoneInfo(site.zone))
    rises = {"grid": 1_000_000, "roof": 0, "light": 0} | dict.fromkeys(
        ("joinery", "metal-shop", "paint-booth", "offices", "hot-water"), 200_000
    )
    count = 2 * 96 + 5
    readings = [
        Reading(point, register, BEGIN + i * QUARTER, rise * i if register == IMPORT else 0, BEGIN)
        for point, rise in rises.items()
        for register in (IMPORT, EXPORT)
        for i in range(count)
    ]
    ledger.tick(readings, BEGIN)
    ledger.tick([], BEGIN + (count - 1) * QUARTER + 60_000)
    ledger.tick([], BEGIN + (count - 1) * QUARTER + 60_000)  # so many intervals at a time
    stored.close()
    return path


def lines(capsys: pytest.CaptureFixture[str], store: Path, *texts: str) -> list[dict[str, str]]:
    """The CSV lines of a query on the small plan."""
    code, out, err = run(
        capsys, texts[0], str(CONFIG / "small.toml"), "--store", str(store), "--format", "csv", *texts[1:]
    )
    assert (code, err) == (0, "")
    return list(csv.DictReader(io.StringIO(out)))


def test_energy_of_days_and_of_the_running_day(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """Whole days are figures; the day that is not over shows what is known so far and says so."""
    results = lines(
        capsys, store, "energy", "--period", "day", "--point", "grid", "--from", "2026-01-01", "--until", "2026-01-04"
    )
    imports = [row for row in results if row["register"] == "import"]
    assert [(r["period"], r["energy_wh"], r["quality"]) for r in imports] == [
        ("2026-01-01", "96000.0", "good"),
        ("2026-01-02", "96000.0", "good"),
        ("2026-01-03", "4000.0", "so far"),
    ]
    assert imports[0]["mean_w"] == "4000.0"


def test_balance_of_a_day_is_inside_its_band(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """Feed and feeders agree; the line carries residual, band, verdict and coverage."""
    results = lines(capsys, store, "balance", "--period", "day")
    assert [(r["feed_wh"], r["residual_wh"], r["verdict"], r["covered"]) for r in results][:2] == [
        ("96000.0", "0.0", "inside", "8 of 8"),
        ("96000.0", "0.0", "inside", "8 of 8"),
    ]
    assert results[2]["period"] == "2026-01-03 so far"


def test_pv_without_production_has_undefined_ratio(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """F6: a ratio with a zero divisor is empty, not 0 or 1."""
    results = lines(capsys, store, "energy", "--pv", "--period", "day")
    assert (results[0]["production_wh"], results[0]["self_consumption"], results[0]["self_sufficiency"]) == (
        "0.0",
        "",
        "0.0",
    )


def test_of_a_register_that_was_never_read_every_interval_is_missing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Imported files that lack the export, and begin at ten: 0 of 56, not 0 of 0."""
    path, site = tmp_path / "s.sqlite", example("small.toml")
    stored = SqliteStore.writer(path)
    ledger, first = Ledger(stored, site, ZoneInfo(site.zone)), BEGIN + 40 * QUARTER
    ledger.tick([Reading("grid", IMPORT, first + i * QUARTER, 1_000_000 * i, BEGIN) for i in range(57)], first)
    ledger.tick([], first + 56 * QUARTER + 60_000)
    stored.close()
    results = lines(capsys, path, "energy", "--period", "day", "--point", "grid")
    assert [(row["register"], row["energy_wh"], row["quality"]) for row in results] == [
        ("import", "56000.0", "since 2026-01-01 10:00"),
        ("export", "", "missing, 0 of 56 intervals known"),
    ]


def test_maximum_demand_of_the_month(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """The first of equal peaks, with how much is known of what is due so far."""
    results = lines(capsys, store, "energy", "--demand", "--point", "grid")
    assert results == [
        {
            "period": "2026-01", "point": "grid", "demand_w": "4000.0", "interval_start": "2026-01-01T00:00:00+01:00",
            "intervals_known": "196", "intervals": "196", "extent": "so far",
        }
    ]  # fmt: skip


def test_json_has_null_where_a_figure_is_missing(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """A month that is not complete is null for a program and says how much is known."""
    code, out, _ = run(
        capsys, "energy", str(CONFIG / "small.toml"), "--store", str(store), "--format", "json", "--period", "month",
        "--from", "2025-12", "--until", "2026-01", "--point", "grid",
    )  # fmt: skip
    assert code == 0
    assert json.loads(out)[0]["energy_wh"] is None


def test_table_is_for_people(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """kWh, local time and the zone in the title."""
    _, out, _ = run(capsys, "energy", str(CONFIG / "small.toml"), "--store", str(store), "--point", "grid")
    assert "Europe/Vienna" in out
    assert "energy kWh" in out
    assert "96.000" in out
