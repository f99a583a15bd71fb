"""A store made from an archive alone has the same figures to the milliwatt-hour; what is not whole makes none."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.backup import inspect
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months
from meterd.app.operations.archive_check import compare, rebuild
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.order_handler import carry_out, order_of
from meterd.core.errors import StoreError
from meterd.core.model.periods import DAY_MS
from meterd.core.registers.corrections import Correction
from tests.app.operations.archived_site import NOW, place, site_with_months
from tests.faults.mill import MAY, ZONE, as_readings, minutes, stored_figures

JUNE, JULY = 1_780_264_800_000, 1_782_856_800_000  # 2026-06-01 and 2026-07-01 in Vienna


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)


@pytest.fixture
def site(tmp_path: Path) -> tuple[Plan, Path]:
    """The mill, archived, with a correction."""
    plan, path = site_with_months(tmp_path)
    correction = Correction(0, "q01", "1.8.0", MAY + DAY_MS, MAY + 3 * DAY_MS, "3/2", "plate", "Ada", NOW)
    assert carry_out(order_of(correction), path, plan.site, NOW)[0]
    archive_months(plan, path, place(tmp_path), NOW)
    return plan, path


def closed(path: Path, until_ms: int) -> dict[str, object]:
    """All figures of closed months; the weeks, months and years that end later are left out."""
    figures = stored_figures(path, until_ms=until_ms)
    return {key: value for key, value in figures.items() if key not in ("readings", "year", "balance year", "pv year")}


def rows(path: Path, ask: str) -> list[tuple[object, ...]]:
    """Rows of a store."""
    with closing(sqlite3.connect(path)) as db:
        return db.execute(ask).fetchall()


def test_a_store_from_an_archive_alone(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """Every figure, version, reading and correction of the closed months; digests hold, and the daemon's books go on."""
    plan, path = site
    before = closed(path, JULY - 7 * DAY_MS)
    ends = f"period <> 'year' AND start_ms < {JULY - 7 * DAY_MS}"
    asks = [
        f"SELECT * FROM figure JOIN channel ON channel.id = channel WHERE {ends} ORDER BY point, register, period, start_ms",
        f"SELECT * FROM figure_old WHERE {ends} ORDER BY period, start_ms, version",
        f"SELECT * FROM balance WHERE {ends} ORDER BY board, period, start_ms",
        f"SELECT * FROM pv WHERE {ends} ORDER BY period, start_ms",
        f"SELECT at_ms, value, received_ms, marks FROM reading WHERE at_ms < {JULY} ORDER BY channel, at_ms, value",
        "SELECT * FROM correction",
    ]
    originals = [sorted(map(str, (r[1:] for r in rows(path, ask)))) for ask in asks]
    copy, aside = rebuild(path, plan.site, place(tmp_path), "x")
    assert aside == path.with_name("s.sqlite.before-x")
    assert (copy.closed_to_ms, copy.changed) == (JULY, ())
    assert closed(path, JULY - 7 * DAY_MS) == before
    assert [sorted(map(str, (r[1:] for r in rows(path, ask)))) for ask in asks] == originals
    assert compare(path, plan.site, place(tmp_path)).faults == []
    assert not list(tmp_path.glob("*from-archive*"))
    store = SqliteStore.writer(path)
    ledger = Ledger(store, plan.site, ZONE)
    ledger.tick(as_readings(minutes(24 * 60, step=60, start_ms=JULY)), JULY + DAY_MS)
    while ledger.late_step(JULY + DAY_MS, 0):
        pass
    assert int(store.fact("closed_to_ms") or 0) > JULY
    store.close()
    assert inspect(path).changed == ()


def test_up_to_a_month(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """And no month that there is not."""
    plan, path = site
    assert rebuild(path, plan.site, place(tmp_path), "x", "2026-05")[0].closed_to_ms == JUNE
    with pytest.raises(StoreError, match="cannot be restored until 2026-07: it has 2026-05 to 2026-06"):
        rebuild(path, plan.site, place(tmp_path), "y", "2026-07")


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        ("flipped", r"energy/month=2026-05/v1-\w+\.parquet is not what was written; restore it from another copy"),
        ("missing", r"readings/month=2026-06/v1-\w+\.parquet is missing; restore it from another copy"),
        ("gap", "it has no month of this site"),
    ],
)
def test_what_is_not_whole_makes_no_store(fault: str, text: str, site: tuple[Plan, Path], tmp_path: Path) -> None:
    """The store that is there stays as it is."""
    plan, path = site
    root = tmp_path / "archive" / "site=mill"
    if fault == "flipped":
        (file,) = (root / "table=energy" / "month=2026-05").iterdir()
        data = bytearray(file.read_bytes())
        data[len(data) // 2] ^= 1
        file.write_bytes(data)
    elif fault == "missing":
        (file,) = (root / "table=readings" / "month=2026-06").iterdir()
        file.unlink()
    else:
        for file in (root / "table=month").rglob("*.json"):
            file.unlink()
    before = path.read_bytes()
    if fault != "gap":
        assert len(compare(path, plan.site, place(tmp_path)).faults) == 1
    with pytest.raises(StoreError, match=text):
        rebuild(path, plan.site, place(tmp_path), "x")
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*from-archive*"))


def test_a_gap_between_months(tmp_path: Path) -> None:
    """Named, with the month up to which it can be had."""
    plan, path = site_with_months(tmp_path)
    archive_months(plan, path, place(tmp_path), NOW)
    root = tmp_path / "archive" / "site=mill" / "table=month"
    text = next((root / "month=2026-06").iterdir())
    later = root / "month=2026-08" / "v1-00000000.json"
    later.parent.mkdir()
    values = text.read_text().replace('"month": "2026-06"', '"month": "2026-08"')
    later.write_text(values.replace(f'"from_ms": {JUNE}', f'"from_ms": {JULY + 31 * DAY_MS}'))
    with pytest.raises(
        StoreError, match="has no month between 2026-06 and 2026-08; restore it, or give --until 2026-06"
    ):
        rebuild(path, plan.site, place(tmp_path), "x")


def test_not_in_the_place_of_a_store_in_use(site: tuple[Plan, Path], tmp_path: Path) -> None:
    """While a daemon has it."""
    plan, path = site
    with closing(SqliteStore.writer(path)), pytest.raises(StoreError, match="is in use by another daemon"):
        rebuild(path, plan.site, place(tmp_path), "x")
    assert inspect(path).changed == ()
