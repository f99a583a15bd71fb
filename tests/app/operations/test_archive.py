"""Closed months in an archive: once as they are, once more when they have changed, and never by two at a time."""

import json
from contextlib import closing
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months, closed_months, in_words, newest_months, target_of
from meterd.app.operations.archive_check import compare
from meterd.app.operations.order_handler import carry_out, order_of
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.archived_month import ArchivedMonth
from meterd.core.model.periods import DAY_MS, text
from meterd.core.registers.corrections import Correction
from tests.adapters.archive.ftp_server import PASSWORD, USER, Behaviour, ftp_server
from tests.app.operations.archived_site import NAMES, NOW, place, site_with_months, without
from tests.faults.mill import MAY, small_disk


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)


@pytest.fixture
def site(tmp_path: Path) -> tuple[Plan, Path]:
    """The mill."""
    return site_with_months(tmp_path)


def written(months: list[ArchivedMonth]) -> list[tuple[str, int]]:
    """Months and versions."""
    return [(month.month, month.version) for month in months]


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of an archive."""
    root = folder / "archive"
    return {str(path.relative_to(root)): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def test_closed_months_once(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """With schema, units, plan and digests; a second time there is nothing to do."""
    plan, path = site
    target = place(tmp_path)
    assert [month.name for month in closed_months(path, plan.site)] == NAMES
    assert written(archive_months(plan, path, target, NOW)) == [(name, 1) for name in NAMES]
    before = contents(tmp_path)
    assert archive_months(plan, path, target, NOW + DAY_MS) == []
    assert in_words([]) == "every closed month is archived as it is"
    assert contents(tmp_path) == before
    assert not any("partial" in name or "writer" in name for name in before)
    june = newest_months(target, "mill")[1]
    assert (june.plan, june.zone, june.interval_s, june.pruned) == (plan.fingerprint, "Europe/Vienna", 900, False)
    assert len(june.digest) == 32
    energy = june.files["energy"]
    table = pq.read_table(tmp_path / "archive" / energy.path)
    assert table.num_rows == energy.rows
    assert table.schema.field("energy_mwh").metadata[b"unit"] == b"mWh"
    assert table.schema.metadata[b"meterd.plan"].decode() == plan.fingerprint
    assert len(json.loads((tmp_path / "archive" / june.path).read_text())["files"]) == 8
    # a figure is in the month in which it ends: no week is in two of them, none is left out
    weeks = [
        row["start"] for month in newest_months(target, "mill")
        for row in pq.read_table(tmp_path / "archive" / month.files["energy"].path).to_pylist()
        if (row["period"], row["point"], row["register"]) == ("week", "q01", "1.8.0")
    ]  # fmt: skip
    assert len(weeks) == len(set(weeks)) == 8


def test_a_month_that_changed_gets_a_new_version(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """Only that month, only its tables that changed; the old version stays as it was."""
    plan, path = site
    target = place(tmp_path)
    archive_months(plan, path, target, NOW)
    before = contents(tmp_path)
    correction = Correction(
        0, "q01", "1.8.0", MAY + 10 * DAY_MS, MAY + 12 * DAY_MS, "2", "plate", "Ada", NOW
    )  # fmt: skip
    done, message = carry_out(order_of(correction), path, plan.site, NOW)
    assert done, message
    faults = compare(path, plan.site, target).faults
    assert any(message.startswith("energy of 2026-05, version 1: differs, first in ") for message in faults)
    again = archive_months(plan, path, target, NOW + DAY_MS)
    assert written(again) == [("2026-05", 2), ("2026-06", 2)]  # the correction itself is of the site's newest state
    old = {month.month: month for month in newest_months(place_of(before, tmp_path), "mill")}
    may, june = again
    changed = {table for table in may.files if may.files[table] != old["2026-05"].files.get(table)}
    assert changed == {"energy", "energy_old", "balance", "balance_old", "pv", "pv_old"} & changed
    assert {"energy", "energy_old"} <= changed
    assert {table for table in june.files if june.files[table] != old["2026-06"].files[table]} == {"state"}
    assert before.items() <= contents(tmp_path).items()
    assert compare(path, plan.site, target).faults == []


def place_of(files: dict[str, bytes], folder: Path) -> ArchiveTarget:
    """An archive as it was."""
    for name, data in files.items():
        file = folder / "before" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    return ArchiveTarget(str(folder / "before"))


@pytest.mark.parametrize("what", ["rows", "description", "month"])
def test_what_was_deleted_by_hand_is_written_again(what: str, site: tuple[Plan, Path], tmp_path: Path) -> None:
    """Told by the comparison; then everything is there again."""
    plan, path = site
    target = place(tmp_path)
    may = archive_months(plan, path, target, NOW)[0]
    gone = {"rows": [may.files["energy"].path], "description": [may.path], "month": [may.path]}[what]
    if what == "month":
        gone += [file.path for file in may.files.values() if file.path]
    for name in gone:
        (tmp_path / "archive" / name).unlink()
    faults = compare(path, plan.site, target).faults
    message = (
        "is missing; meterd archive PLAN writes it" if what == "rows" else "not archived: 2026-05; meterd archive PLAN"
    )
    assert [message in fault for fault in faults] == [True]
    assert written(archive_months(plan, path, target, NOW)) == [("2026-05", 2 if what == "rows" else 1)]
    assert compare(path, plan.site, target).faults == []


def test_a_later_format_is_not_touched(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """It may hold what this version knows nothing of."""
    plan, path = site
    target = place(tmp_path)
    may = archive_months(plan, path, target, NOW)[0]
    file = tmp_path / "archive" / may.path
    file.write_text(file.read_text().replace('"format": 1', '"format": 2'))
    before = contents(tmp_path)
    with pytest.raises(
        StoreError, match=r"is of a later version \(format 2, known 1\); run the later version of meterd"
    ):
        archive_months(plan, path, target, NOW)
    assert contents(tmp_path) == before


def test_two_writers(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """The second waits its turn; one that is gone for hours does not hold anybody up; nor does our own name."""
    plan, path = site
    target = place(tmp_path)
    lock = tmp_path / "archive" / "site=mill" / "writer.json"
    target.write("site=mill/writer.json", json.dumps({"writer": "other:/s", "since_ms": NOW - 60_000}).encode())
    with pytest.raises(StoreError, match=f"is being written by other:/s since {text(NOW - 60_000)}; wait, or remove"):
        archive_months(plan, path, target, NOW)
    assert list(contents(tmp_path)) == ["site=mill/writer.json"]
    assert written(archive_months(plan, path, target, NOW + DAY_MS)) == [(name, 1) for name in NAMES]
    assert not lock.exists()


def test_two_of_one_version(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """Where two wrote at once after all, both are kept, it is told, and a further version decides."""
    plan, path = site
    target = place(tmp_path)
    may = archive_months(plan, path, target, NOW)[0]
    twin = tmp_path / "archive" / may.path.replace(may.path[-13:], "00000000.json")
    twin.write_bytes((tmp_path / "archive" / may.path).read_bytes())
    with pytest.raises(StoreError, match="two writers have written the newest version of 2026-05"):
        compare(path, plan.site, target)
    assert written(archive_months(plan, path, target, NOW)) == [("2026-05", 2)]
    assert compare(path, plan.site, target).faults == []


def test_a_plan_without_a_point(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """What the store holds is archived, whether the plan still names it or not."""
    plan, path = site
    target = place(tmp_path)
    archive_months(plan, path, target, NOW)
    less = without(plan, "q01")
    assert compare(path, less.site, target).faults == []
    assert archive_months(less, path, target, NOW) == []


def test_a_full_disk_and_a_server_that_goes_away(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """Told; what is there counts or does not; the next time goes on from there."""
    plan, path = site
    with small_disk(tmp_path, 1) as disk:
        (disk / "filler").write_bytes(bytes(1_000_000))
        with pytest.raises(StoreError, match="No space left"):
            archive_months(plan, path, ArchiveTarget(str(disk / "archive")), NOW)
        (disk / "filler").unlink()
        assert written(archive_months(plan, path, ArchiveTarget(str(disk / "archive")), NOW)) == [(n, 1) for n in NAMES]
    behaviour = Behaviour(stores=7)
    with ftp_server(tmp_path, behaviour) as url:
        with pytest.raises(StoreError, match="cannot be written"):
            archive_months(plan, path, ArchiveTarget(url, Login(USER, PASSWORD)), NOW)
        behaviour.stores = None
        target = ArchiveTarget(url, Login(USER, PASSWORD))
        assert written(archive_months(plan, path, target, NOW)) == [(name, 1) for name in NAMES]
        assert compare(path, plan.site, target).faults == []
        assert archive_months(plan, path, target, NOW) == []


def test_not_while_a_correction_is_worked_in(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """Half of its figures would be archived."""
    plan, path = site
    with closing(SqliteStore.writer(path)) as store, store.transaction():
        store.set_fact("correcting", '[[1, "q01", "1.8.0", 0, 1]]')
    with pytest.raises(StoreError, match="archive again when that is done"):
        archive_months(plan, path, place(tmp_path), NOW)
    assert not (tmp_path / "archive").exists()


def test_a_plan_without_a_place(site: tuple[Plan, Path]) -> None:
    """What to write."""
    with pytest.raises(ConfigError, match="the plan has no archive_url"):
        target_of(site[0])
