"""A history without an export register: named, or said to have none, and then true to the Wh."""

import csv
import io
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.opening import open_to_read
from meterd.app.cli.main import main
from meterd.app.operations.drift_job import examine
from meterd.core.model.reading import EXPORT
from tests.app.operations.old_readings_site import imported
from tests.faults.mill import MAY, StoreInFolder, as_readings, interval_energies, minutes


def balances(capsys: pytest.CaptureFixture[str], plan: Path, store: Path) -> list[dict[str, str]]:
    """What `meterd balance` says of each day."""
    assert main(["balance", str(plan), "--store", str(store), "--format", "csv"]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


def test_history_without_an_export_register_is_named_and_may_be_said_to_have_no_export(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found with two years of imported feeds: "not computable, missing grid", while `energy` shows grid good."""
    plan, rows = imported(tmp_path)
    replay = ["replay", str(plan), str(rows)]
    without, path = tmp_path / "without.sqlite", tmp_path / "told.sqlite"
    assert main([*replay, "--into", str(without)]) == 0, capsys.readouterr().err
    capsys.readouterr()
    days = balances(capsys, plan, without)
    assert {item["missing"] for item in days} == {"t1 2.8.0"}
    assert main([*replay, "--into", str(path), "--no-export", "t1"]) == 0, capsys.readouterr().err
    capsys.readouterr()
    whole = balances(capsys, plan, path)[0]
    assert (whole["missing"], whole["feed_wh"], whole["verdict"]) == ("", f"{120.0 * 1320}", "outside")


def test_an_imported_history_keeps_the_statistics_of_its_days(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`suspects` of five years took 15 s for days that nobody had looked at; the first question reads them now."""
    plan, rows = imported(tmp_path, days=3)
    path = tmp_path / "s.sqlite"
    assert main(["replay", str(plan), str(rows), "--into", str(path), "--no-export", "t1"]) == 0
    capsys.readouterr()
    with open_to_read(path) as store:
        (watched,) = examine(store, load_plan(plan).site)
    assert (watched.days, watched.fresh) == (2, ()), "the first and the last local day are not whole"


def test_no_export_goes_on_from_what_the_store_has_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The register that was read later shows 7 kWh; nothing of that was exported in the time of the files."""
    plan, rows = imported(tmp_path)
    store = tmp_path / "s.sqlite"
    folder_store = StoreInFolder(tmp_path, load_plan(plan).site, store.name)
    end = MAY + 1440 * 60_000
    live = [reading for reading in as_readings(minutes(120, start_ms=end)) if reading.register == EXPORT]
    folder_store.feed(live)
    folder_store.close()
    assert main(["replay", str(plan), str(rows), "--into", str(store), "--no-export", "t1"]) == 0, (
        capsys.readouterr().err
    )
    reader = SqliteStore.reader(store)
    assert interval_energies(reader, ("t1", EXPORT), MAY, 98) == [0] * 96 + [300_000_000 // 1000] * 2
    reader.close()
