"""Readings go only after their figures were recalculated and compared, and their archive was read back (fault D14)."""

import shutil
import sqlite3
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow.parquet as pq
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.change_feed import Mark, Position
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.recovery import open_sound
from meterd.app.cli.main import main
from meterd.app.operations import retention
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import text
from meterd.core.model.reading import IMPORT, POWER, Reading
from meterd.core.registers.corrections import FIGURES_FROM
from tests.app.two_meters import BEGIN, DAY, figures, fill, plan_file, readings

DAYS = 130
NOW = BEGIN + DAYS * DAY
FEBRUARY = BEGIN + 31 * DAY


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of 130 days, made once."""
    return fill(tmp_path_factory.mktemp("filled"), DAYS)


@pytest.fixture
def site(filled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a plan and a store of 130 days; today is the last of them."""
    plan_file(tmp_path)
    shutil.copy(filled, tmp_path / filled.name)
    monkeypatch.setattr("meterd.app.cli.store._now_ms", lambda: NOW)
    return tmp_path


def count(path: Path, where: str = "1") -> int:
    """How many readings there are."""
    with sqlite3.connect(path) as db:
        result = int(db.execute(f"SELECT COUNT(*) FROM reading WHERE {where}").fetchone()[0])
    db.close()
    return result


def test_nothing_goes_unless_asked(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --delete it only says what would go; too few days or no archive are refused."""
    before = count(site / "s.sqlite")
    assert main(["retain", str(plan_file(site)), "--keep", "90"]) == 0
    assert "can be deleted" in capsys.readouterr().out
    assert main(["retain", str(plan_file(site)), "--keep", "30", "--delete", "--archive", str(site / "a")]) == 2
    assert main(["retain", str(plan_file(site)), "--keep", "90", "--delete"]) == 2
    assert main(["retain", str(plan_file(site)), "--keep", "500"]) == 0
    assert "nothing to delete" in capsys.readouterr().out
    assert count(site / "s.sqlite") == before


def test_old_readings_go_and_every_figure_stays(site: Path) -> None:
    """Two whole months leave; the archive holds exactly them; figures are untouched, also by a late reading and an import."""
    path, plan = site / "s.sqlite", plan_file(site)
    before, old = figures(path, DAYS), count(path, f"at_ms < {FEBRUARY}")
    assert old > 1400
    assert main(["retain", str(plan), "--keep", "90", "--delete", "--archive", str(site / "archive")]) == 0
    assert count(path, f"at_ms < {FEBRUARY}") == 0
    assert count(path, f"at_ms >= {FEBRUARY}") == len([r for r in readings(DAYS) if r.at_ms >= FEBRUARY])
    rows = sum(pq.ParquetFile(p).metadata.num_rows for p in (site / "archive").rglob("*.parquet"))
    assert rows == old
    assert figures(path, DAYS) == before

    loaded = load_plan(plan).site
    store = SqliteStore.writer(path)
    ledger = Ledger(store, loaded, ZoneInfo(loaded.zone))
    late = [Reading("f1", IMPORT, FEBRUARY - 5 * DAY, 77, NOW), Reading("feed", IMPORT, FEBRUARY + 20 * DAY, 1, NOW)]
    ledger.tick(late, NOW)
    ledger.recompute_all(NOW, NOW)
    assert ledger.state.failed == {}
    store.close()
    assert figures(path, DAYS) == before, "figures whose readings are gone are final"


def test_it_can_be_done_again_later(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The next month goes a month later, compared from where the first time ended."""
    path, plan = site / "s.sqlite", plan_file(site)
    before = figures(path, DAYS)
    assert main(["retain", str(plan), "--keep", "90", "--delete", "--archive", str(site / "one")]) == 0
    monkeypatch.setattr("meterd.app.cli.store._now_ms", lambda: NOW + 28 * DAY)
    assert main(["retain", str(plan), "--keep", "90", "--delete", "--archive", str(site / "two")]) == 0
    assert count(path, f"at_ms < {FEBRUARY + 28 * DAY}") == 0
    assert figures(path, DAYS) == before


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE figure SET energy = energy + 1 WHERE period = 'interval' AND start_ms = {at} AND energy IS NOT NULL",
        "DELETE FROM figure WHERE period = 'interval' AND start_ms = {at}",
        "UPDATE figure SET energy = 5 WHERE period = 'month' AND start_ms = {begin}",
    ],
)
def test_d14_a_figure_that_differs_stops_it(site: Path, damage: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings are the proof of the figures: while one is wrong, none of them goes."""
    path = site / "s.sqlite"
    with sqlite3.connect(path) as db:
        changed = db.execute(damage.format(at=BEGIN + 10 * DAY, begin=BEGIN)).rowcount
    db.close()
    assert changed >= 1
    before = count(path)
    arguments = ["retain", str(plan_file(site)), "--keep", "90", "--delete", "--archive", str(site / "archive")]
    assert main(arguments) == 1
    assert "nothing was deleted" in capsys.readouterr().err
    assert count(path) == before
    assert not (site / "archive").exists()


def test_an_archive_that_is_not_the_same_stops_it(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is read back is compared row by row (a disk that lies, here a reader that drops the last row)."""
    path = site / "s.sqlite"
    real = retention._read_back
    monkeypatch.setattr(retention, "_read_back", lambda p: iter(list(real(p))[:-1]))
    before = count(path)
    arguments = ["retain", str(plan_file(site)), "--keep", "90", "--delete", "--archive", str(site / "archive")]
    assert main(arguments) == 1
    assert count(path) == before


def test_d14_figures_not_made_yet_stop_it(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither readings that wait for their figures nor a roll-up that ends too early is passed over."""
    store = SqliteStore.writer(site / "s.sqlite")
    with store.transaction():
        store.set_fact("closed_to_ms", str(BEGIN + 40 * DAY))
    store.close()
    assert main(["retain", str(plan_file(site)), "--keep", "90"]) == 1
    assert "figures are made only until" in capsys.readouterr().err
    store = SqliteStore.writer(site / "s.sqlite")
    with store.transaction():
        store.set_fact("unsettled_from_ms", str(BEGIN))
    store.close()
    assert main(["retain", str(plan_file(site)), "--keep", "90"]) == 1
    assert "no figures yet" in capsys.readouterr().err


def test_what_a_database_has_not_got_stays(site: Path) -> None:
    """Readings behind the last proven mark stay, whatever their age, and numbers are never used again."""
    path = site / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.outbox.serve("http://one mill")
        store.outbox.keep([Mark(1, BEGIN, Position(500, 0))], [])
    store.close()
    arguments = ["retain", str(plan_file(site)), "--keep", "90", "--delete", "--archive", str(site / "archive")]
    assert main(arguments) == 0
    assert count(path, "seq <= 500") == 0
    assert count(path) == len(readings(DAYS)) - 500


def test_the_newest_reading_of_a_silent_register_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A meter that has been silent for months still has its last counter, from which its next energy is counted."""
    monkeypatch.setattr("meterd.app.cli.store._now_ms", lambda: NOW)
    fill(tmp_path, 10)
    path, plan = tmp_path / "s.sqlite", plan_file(tmp_path)
    store = SqliteStore.writer(path)
    site = load_plan(plan).site
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    ledger.tick([], NOW)
    while ledger.late_step(NOW, 0):
        pass
    last = {c: store.latest(c) for c in (("feed", IMPORT), ("f1", IMPORT), ("feed", POWER))}
    store.close()
    before = figures(path, DAYS)
    assert main(["retain", str(plan), "--keep", "90", "--delete", "--archive", str(tmp_path / "a")]) == 0
    store = SqliteStore.writer(path)
    assert {c: store.latest(c) for c in last} == last
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    newest = last["f1", IMPORT]
    assert newest is not None
    ledger.tick([Reading("f1", IMPORT, NOW + 60_000, int(newest[1]) + 5_000_000, NOW)], NOW + 60_000)
    ledger.tick([], NOW + DAY)
    while ledger.late_step(NOW + DAY, 0):
        pass
    assert ledger.state.failed == {}, text(NOW)
    store.close()
    after = figures(path, DAYS)
    assert sum(r[1] for r in after["interval"][0]) - sum(r[1] for r in before["interval"][0]) > 4_000_000  # type: ignore[index]


def test_figures_whose_readings_are_gone_survive_a_damaged_store(site: Path) -> None:
    """What a salvage cannot make again: after `retain` nothing but the store says what the figures were."""
    plan, path = site / "mill.toml", site / "s.sqlite"
    before = figures(path, DAYS)
    options = ["--keep", "62", "--delete", "--archive", str(site / "archive")]
    assert main(["retain", str(plan), *options]) == 0
    with path.open("r+b") as file:
        file.write(bytes(4096))
    store, salvage = open_sound(path)
    assert salvage is not None
    final = store.fact(FIGURES_FROM)
    assert final is not None
    assert FEBRUARY < int(final) < NOW
    plan_site = load_plan(plan).site
    Ledger(store, plan_site, ZoneInfo(plan_site.zone)).recompute_all(NOW, NOW)
    store.close()
    assert figures(path, DAYS) == before
