"""A backup is one sound file made beside a writing daemon; restored, what came since gives the same figures again."""

import sqlite3
import threading
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.backup import backup, inspect, restore
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.ledger import Ledger
from meterd.core.errors import StoreError, StoreInUse
from tests.adapters.store.journal import add, opened
from tests.app.two_meters import BEGIN, DAY, PLAN, figures, plan_file, readings


def test_a_backup_beside_a_writer_is_whole(tmp_path: Path) -> None:
    """Taken while another thread commits: every transaction is in it whole or not at all, nothing waits for it."""
    store = opened(tmp_path / "s.sqlite", 0)
    stop = threading.Event()
    written = [0]

    def write() -> None:
        while not stop.is_set():
            add(store, written[0], 10)
            written[0] += 10

    worker = threading.Thread(target=write)
    worker.start()
    try:
        for _ in range(5):
            before = written[0]
            copy = backup(tmp_path / "s.sqlite", tmp_path / "copies" / "b.sqlite")
            assert copy.readings % 10 == 0
            assert before <= copy.readings <= written[0] + 10
    finally:
        stop.set()
        worker.join()
    assert [p.name for p in (tmp_path / "copies").iterdir()] == ["b.sqlite"], "one file that needs no others"
    store.close()


def at(path: Path, stored: list, until_ms: int) -> None:  # type: ignore[type-arg]
    """A daemon's day: readings in small ticks, then the clock goes on to a moment."""
    site = load_plan(path.parent / "mill.toml").site
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    for low in range(0, len(stored), 40):
        part = stored[low : low + 40]
        ledger.tick(part, max(r.at_ms for r in part))
    ledger.tick([], until_ms)
    ledger.tick([], until_ms)
    store.close()


def test_a_restored_backup_and_what_came_since_give_the_same_figures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A backup of two days ago is put back, the two days are read again: every figure is equal to before (fault D13)."""
    plan, path = plan_file(tmp_path), tmp_path / "s.sqlite"
    everything = readings(5)
    early = [r for r in everything if r.at_ms < BEGIN + 3 * DAY]
    end = BEGIN + 5 * DAY + 3_600_000
    at(path, early, BEGIN + 3 * DAY)
    assert main(["backup", str(plan), str(tmp_path / "b.sqlite")]) == 0
    at(path, [r for r in everything if r.at_ms >= BEGIN + 3 * DAY], end)
    before = figures(path, 6)
    assert main(["restore", str(plan), str(tmp_path / "b.sqlite")]) == 0
    text = capsys.readouterr().out
    assert "the previous store is now" in text
    assert inspect(path).readings == len(early)
    (aside,) = tmp_path.glob("s.sqlite.before-*")
    assert inspect(aside).readings == len(everything), "the old store is whole beside it"
    late = [r for r in everything if r.at_ms >= BEGIN + 2.5 * DAY]  # some were read already
    at(path, late, end)
    assert figures(path, 6) == before


def test_counters_alone_heal_the_total(tmp_path: Path) -> None:
    """Even without anything of the two days, the next reading brings their energy: the total is equal (fault D13)."""
    plan, path = plan_file(tmp_path), tmp_path / "s.sqlite"
    everything = readings(6)
    at(path, [r for r in everything if r.at_ms < BEGIN + 3 * DAY], BEGIN + 3 * DAY)
    assert main(["backup", str(plan), str(tmp_path / "b.sqlite")]) == 0
    at(path, [r for r in everything if r.at_ms >= BEGIN + 3 * DAY], BEGIN + 6 * DAY)
    before = figures(path, 6)
    assert main(["restore", str(plan), str(tmp_path / "b.sqlite")]) == 0
    at(path, [r for r in everything if r.at_ms >= BEGIN + 5 * DAY], BEGIN + 6 * DAY)
    energies = [results["interval"][0] for results in (before, figures(path, 6))]  # type: ignore[index]
    whole = [sum(row[0] for row in rows) for rows in energies]
    assert whole[0] > 0
    assert abs(whole[0] - whole[1]) <= 1_000_000, "but for the two boundaries that lie in the gap"


def test_what_is_not_sound_is_refused_and_nothing_changed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A torn copy, a foreign file, a newer version, another site, a running daemon: each is named."""
    plan, path = plan_file(tmp_path), tmp_path / "s.sqlite"
    at(path, readings(1), BEGIN + DAY)
    good = tmp_path / "good.sqlite"
    backup(path, good)
    whole = path.read_bytes()

    torn = tmp_path / "torn.sqlite"
    torn.write_bytes(good.read_bytes()[:-9000])
    with pytest.raises(StoreError, match=r"damaged|malformed"):
        restore(torn, path, "x")
    foreign = tmp_path / "foreign.sqlite"
    foreign.write_bytes(b"time,value\n" * 1000)
    with pytest.raises(StoreError, match="not a database"):
        restore(foreign, path, "x")
    newer = tmp_path / "newer.sqlite"
    newer.write_bytes(good.read_bytes())
    with sqlite3.connect(newer) as hand:
        hand.execute("PRAGMA user_version = 99")
    hand.close()
    with pytest.raises(StoreError, match="newer version"):
        restore(newer, path, "x")
    with pytest.raises(StoreError, match="no file"):
        restore(tmp_path / "absent", path, "x")
    with pytest.raises(StoreError, match="the store itself"):
        backup(path, path)
    with pytest.raises(StoreError, match="no store"):
        backup(tmp_path / "absent", tmp_path / "x")

    other = tmp_path / "other.toml"
    other.write_text(PLAN.replace('"feed"', '"t1"', 1).replace("f1", "q1").replace('point = "feed"', 'point = "t1"'))
    assert main(["restore", str(other), str(good), "--store", str(path)]) == 2
    assert "another site" in capsys.readouterr().err

    daemon = SqliteStore.writer(path)
    with pytest.raises(StoreInUse, match="in use"):
        restore(good, path, "x")
    daemon.close()
    assert path.read_bytes() == whole
    assert not list(tmp_path.glob("*.before-*"))
    assert main(["backup", str(plan), str(tmp_path / "again.sqlite")]) == 0
