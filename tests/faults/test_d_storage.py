"""Faults of the store (D1 to D14): no room, no writing, torn and damaged files, old backups. No reading is lost."""

import os
import resource
import shutil
import sqlite3
import subprocess
import time
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.recovery import find_damage, open_sound
from meterd.core.errors import StoreError
from meterd.core.model.reading import IMPORT, POWER, Reading
from tests.brokers import Mosquitto, until
from tests.faults.mill import (
    DAY,
    MAY,
    QUARTER,
    Child,
    StoreInFolder,
    as_readings,
    fill,
    interval_energies,
    message,
    minutes,
    now_ms,
    publish,
    reading_count,
    sending,
    small_disk,
    stored_figures,
    write_plan,
)
from tests.faults.test_b_broker import ROOT, hearing, power_of

BROKER = "max_queued_messages 0\nmax_inflight_messages 20\n"


def taken(out: object, store: Path) -> bool:
    """Whether the daemon reads."""
    publish(out, [("m/q01", message(now_ms() - QUARTER, **{"import": 1}))])  # type: ignore[arg-type]
    return reading_count(store) > 0


@pytest.mark.slow
def test_d4_what_was_not_committed_is_not_there_and_what_was_is(tmp_path: Path) -> None:
    """The process ends between write and commit: the journal is that of the commit before."""
    code = (
        "import os, sys; from pathlib import Path; from tests.faults.mill import *\n"
        "ledger = StoreInFolder(Path(sys.argv[1])); ledger.feed(as_readings(minutes(10)))\n"
        "ledger.store._db.execute('BEGIN IMMEDIATE'); ledger.store.add_readings(as_readings(minutes(20)))\n"
        "os._exit(0)"
    )
    import sys

    root = str(Path(__file__).parents[2])
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True, env={**os.environ, "PYTHONPATH": root})
    folder_store = StoreInFolder(tmp_path)
    assert folder_store.store.reading_count() == 60
    folder_store.close()


@pytest.mark.slow
def test_d6_a_full_disk_is_reported_on_the_network_without_a_crash_loop(tmp_path: Path) -> None:
    with small_disk(tmp_path, 3) as disk, Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), disk / "s.sqlite"
        child = Child(plan, store)
        child.log = tmp_path / "log"
        with child, hearing(broker) as seen:
            assert until(out.connected)
            assert until(lambda: taken(out, store), 30)
            filler = fill(disk)
            # numbers without QoS: the broker holds back what is not confirmed, and here it must not
            wanted = [("m/q02", message(now_ms() - 200_000 + i, **{"import": i, "power": i})) for i in range(4_000)]
            for topic, payload in wanted:
                out.publish(topic, payload)
            assert until(lambda: f"{ROOT}/finding/store-mill" in seen), child.said()
            assert child.runs
            before = reading_count(store)
            filler.unlink()
            assert until(lambda: reading_count(store) >= before + 1000, 30)
            assert until(lambda: seen[f"{ROOT}/finding/store-mill"][-1] == b"")
            assert child.stop() == 0
            assert "Traceback" not in child.said()


@pytest.mark.slow
def test_d7_while_nothing_can_be_written_present_values_are_still_published(tmp_path: Path) -> None:
    """The size limit of files stands for a file system that went read-only: every write is refused."""
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), tmp_path / "s.sqlite"
        with Child(plan, store) as child, hearing(broker) as seen:
            assert until(out.connected)
            assert until(lambda: taken(out, store), 30)
            resource.prlimit(child.pid, resource.RLIMIT_FSIZE, (1_000, resource.RLIM_INFINITY))
            begun, count, values = time.monotonic(), 0, set()
            while time.monotonic() - begun < 11:
                count += 1
                publish(out, [("m/q02", message(now_ms(), **{"import": 5_000 + count, "power": 1000 + count}))])
                time.sleep(0.05)
                values.add(power_of(seen, "q02"))
            fresh = [v for v in values if v is not None and v > 1000 + count * 0.5]
            assert len(fresh) >= 2, (count, values)
            assert max(fresh) > 1000 + count * 0.8, (count, values)
            assert f"{ROOT}/finding/store-mill" in seen
            resource.prlimit(child.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            assert until(lambda: reading_count(store) >= 2 * count, 30), (reading_count(store), count)
            assert child.stop() == 0
            assert "Traceback" not in child.said()


def test_d8_a_journal_torn_at_any_byte_loses_only_what_was_being_written(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed(as_readings(minutes(5)))
    folder_store.store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    folder_store.store._db.execute("PRAGMA wal_autocheckpoint = 0")
    ends = []
    for batch in (as_readings(minutes(6))[-6:], as_readings(minutes(7))[-6:]):
        folder_store.feed(batch)
        ends.append((tmp_path / "s.sqlite-wal").stat().st_size)
    folder = tmp_path / "torn"
    for size in [*range(ends[0], ends[1], 101), ends[1] - 1, ends[1]]:
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        shutil.copy(tmp_path / "s.sqlite", folder / "s.sqlite")
        (folder / "s.sqlite-wal").write_bytes((tmp_path / "s.sqlite-wal").read_bytes()[:size])
        torn = SqliteStore.writer(folder / "s.sqlite")
        assert torn.reading_count() == (42 if size == ends[1] else 36), size
        torn.close()
    folder_store.close()


@pytest.mark.parametrize("where", ["head", "middle", "all"])
def test_d9_a_damaged_store_is_set_aside_and_what_can_be_read_is_taken_over(where: str, tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed(as_readings(minutes(5 * 60)))
    folder_store.store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    folder_store.close()
    content = bytearray(folder_store.path.read_bytes())
    low, high = {"head": (0, 100), "middle": (len(content) // 2, len(content) // 2 + 9_000), "all": (0, len(content))}[
        where
    ]
    content[low:high] = os.urandom(high - low)
    folder_store.path.write_bytes(content)
    assert find_damage(folder_store.path)
    store, salvage = open_sound(folder_store.path)
    assert salvage is not None
    assert salvage.aside.read_bytes() == bytes(content)
    assert salvage.readings == store.reading_count()
    # what the head says is found again; of random bytes nothing is
    assert {"head": salvage.readings == 1_800, "middle": salvage.readings > 900, "all": salvage.readings == 0}[where]
    store.close()
    again, nothing = open_sound(folder_store.path)
    assert nothing is None
    again.close()


def test_d9_figures_are_recalculated_from_the_saved_readings(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed(as_readings(minutes(5 * 60)))
    folder_store.feed([], MAY + DAY + 70_000)
    whole = stored_figures(folder_store.path)
    folder_store.store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    root = folder_store.store._db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'figure'").fetchone()[0]
    folder_store.close()
    with folder_store.path.open("r+b") as file:
        file.seek((root - 1) * 4096)
        file.write(os.urandom(4096))
    store, salvage = open_sound(folder_store.path)
    assert salvage is not None
    store.close()
    folder_store.open()
    folder_store.feed([], MAY + DAY + 70_000)
    folder_store.close()
    assert stored_figures(folder_store.path) == whole


def test_d9_a_file_that_is_no_store_is_not_moved(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("dear facility manager " * 50)
    with pytest.raises(StoreError, match="file is not a database"):
        open_sound(path)
    assert path.exists()


def test_d10_two_values_at_one_time_are_both_kept_and_decide_the_same_way_in_any_order(tmp_path: Path) -> None:
    base = as_readings(minutes(60))
    other = [Reading("q01", IMPORT, MAY + 20 * 60_000, 12_000_500, MAY)]
    results = []
    for name, batches in (("a", [base, other]), ("b", [other, base]), ("c", [base + other])):
        folder_store = StoreInFolder(tmp_path, name=name)
        for batch in batches:
            folder_store.feed(batch, MAY + 3_700_000)
        folder_store.feed([], MAY + DAY)
        assert folder_store.store.reading_count() == len(base) + 1
        results.append(interval_energies(folder_store.store, ("q01", IMPORT), MAY, 3))
        folder_store.close()
    assert results[0] == results[1] == results[2] == [1_500_000] * 3


def test_d11_whole_and_broken_numbers_of_one_register_stay_one_series(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed([Reading("q01", POWER, MAY + i, float(i) if i % 2 else i + 0.5, MAY) for i in range(4)])
    folder_store.feed([Reading("q01", POWER, MAY + 9, 7, MAY)])
    assert folder_store.store.latest(("q01", POWER)) == (MAY + 9, 7.0)
    kinds = {row[0] for row in folder_store.store._db.execute("SELECT typeof(value) FROM reading")}
    assert kinds <= {"integer", "real"}
    folder_store.close()


def test_d13_a_backup_of_two_days_ago_comes_to_the_same_total(tmp_path: Path) -> None:
    """What was read since the backup is lost with the disk; the registers heal the sum, and only its shape is estimated."""
    sent = as_readings(minutes(4 * 1440, step=15))
    low, high = MAY + DAY, MAY + 3 * DAY
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed([r for r in sent if r.at_ms <= low])
    copy = sqlite3.connect(tmp_path / "backup.sqlite")
    folder_store.store._db.backup(copy)
    copy.close()
    folder_store.feed([r for r in sent if low < r.at_ms])
    folder_store.feed([], MAY + 4 * DAY + 70_000)
    folder_store.close()
    restored = StoreInFolder(tmp_path, name="backup.sqlite")
    restored.feed([r for r in sent if r.at_ms > high])
    restored.feed([], MAY + 4 * DAY + 70_000)
    restored.close()
    totals = []
    for name in ("s.sqlite", "backup.sqlite"):
        store = SqliteStore.reader(tmp_path / name)
        energies = interval_energies(store, ("q03", IMPORT), MAY, 383)
        assert None not in energies
        totals.append(sum(e or 0 for e in energies))
        store.close()
    assert totals[0] == totals[1] == 383 * 4_500_000


def test_d12_a_point_keeps_one_series_through_restarts(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    for i in range(5):
        folder_store.feed([Reading("q01", IMPORT, MAY + i * 60_000, i, MAY)])
        folder_store.close()
        folder_store.open()
    rows = folder_store.store._db.execute("SELECT point, register FROM channel WHERE point = 'q01'").fetchall()
    assert rows == [("q01", IMPORT)]
    assert len(folder_store.store.history(("q01", IMPORT), 0)[0]) == 5
    folder_store.close()
