"""Bytes of a store that change by themselves (I11): none opens as sound with other numbers in silence."""

import random
import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store import digest_writer
from meterd.adapters.store.digests import KINDS
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.adapters.store.recovery import find_damage
from meterd.app.cli.main import main
from meterd.app.daemon.digest_check import at_start
from meterd.core.errors import StoreError
from meterd.core.model.reading import IMPORT, Reading
from tests.adapters.store.earlier import back_to_version_9
from tests.brokers import Mosquitto, until
from tests.faults.flipped_bytes import fill, fill_every_table, rows, trial
from tests.faults.mill import (
    MAY,
    Child,
    StoreInFolder,
    as_readings,
    minutes,
    now_ms,
    publish,
    reading_count,
    running,
    sending,
    site,
    write_plan,
)
from tests.faults.test_d_storage import taken

COPIES = 120  # of 1,000 copies without digests 202 opened as sound with other numbers; with digests none of these may
CHANGED = "store-changed-mill"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of three hours with powers, a late reading and a day before, closed in order."""
    return fill(tmp_path_factory.mktemp("whole"))


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with rows in every table."""
    return fill_every_table(tmp_path_factory.mktemp("full"))


def test_i11_of_many_copies_with_one_byte_changed_none_is_sound_and_has_other_numbers(
    full: Path, tmp_path: Path
) -> None:
    assert find_damage(full) == ""
    assert at_start(full) == []
    result = trial(full, tmp_path, COPIES)
    assert result.silent == []
    assert result.changed > 10
    assert result.damaged > 10


def in_the_evening() -> WallClock:
    """The clock of that day, in the hours after the last reading: no months are to be closed first."""
    ahead = MAY + 12 * 3_600_000 - now_ms()
    return WallClock(lambda: now_ms() + ahead)


def changed(whole: Path, path: Path, text: str) -> None:
    """A copy into which somebody else has written."""
    shutil.copy(whole, path)
    with sqlite3.connect(path) as db:
        assert db.execute(text).rowcount == 1
    db.close()


ROW = f"WHERE channel = (SELECT id FROM channel WHERE point = 'q01' AND register = '{IMPORT}')"


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        (f"UPDATE reading SET value = value + 1 {ROW} AND at_ms = {MAY + 600_000}", "reading q01 1.8.0 of 2026-05-04"),
        (f"UPDATE figure SET energy = energy + 1 {ROW} AND period = 'hour' AND start_ms = {MAY}", "figure q01"),
        (f"DELETE FROM reading {ROW} AND at_ms = {MAY - 86_400_000}", "reading q01 1.8.0 of 2026-05-03"),
        (f"UPDATE balance SET residual = 5 WHERE period = 'hour' AND start_ms = {MAY}", "balance main of 2026-05-04"),
        ("UPDATE digest SET sum = sum + 1 WHERE kind = 'channel'", "channel"),
    ],
)
def test_i11_rows_that_somebody_else_changed_are_reported_by_the_daemon_and_the_command(
    whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], message: str, expected: str
) -> None:
    path, plan = tmp_path / "s.sqlite", write_plan(tmp_path / "plan", 1883)
    changed(whole, path, message)
    with running(site(), path, in_the_evening()) as here:
        assert here.has(CHANGED, 200), here.findings()
        assert expected in here.findings()[CHANGED].text
    assert main(["verify", str(plan), "--store", str(path)]) == 1
    assert expected in capsys.readouterr().out
    assert main(["backup", str(plan), str(tmp_path / "b"), "--store", str(path)]) == 0
    assert f"NOT what was written: {expected}" in capsys.readouterr().out
    assert main(["restore", str(plan), str(tmp_path / "b"), "--store", str(tmp_path / "new")]) != 0
    assert "is not what was written" in capsys.readouterr().err


def test_i11_what_we_write_ourselves_holds_also_after_corrections_late_readings_and_a_second_start(
    whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, plan = tmp_path / "s.sqlite", write_plan(tmp_path / "plan", 1883)
    shutil.copy(whole, path)
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed([Reading("q02", IMPORT, MAY + 90_500, 10_333_000, MAY), *as_readings(minutes(240))])
    folder_store.close()
    with running(site(), path, in_the_evening()) as here:
        assert here.daemon.snapshot is None or CHANGED not in here.findings()
    assert main(["verify", str(plan), "--store", str(path)]) == 0
    assert "sound, digest " in capsys.readouterr().out


def test_i11_a_store_of_the_schema_before_gets_its_digests_in_place(whole: Path, tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    back_to_version_9(path)
    with sqlite3.connect(path) as db:
        db.execute("DROP TABLE digest")
        db.execute("DROP TABLE digest_reach")
        db.execute("DROP TABLE forecast")
        db.execute("PRAGMA user_version = 6")
    db.close()
    with closing(SqliteStore.writer(path)) as store:
        while store.digest_step():
            pass
    assert at_start(path) == []
    assert rows(path) == rows(whole)
    with sqlite3.connect(path) as db:
        assert db.execute("SELECT SUM(count) FROM digest WHERE kind = 'reading'").fetchone()[0] > 1_000
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    db.close()
    with pytest.raises(StoreError, match="run the newer version"):
        SqliteStore.reader(path)


@pytest.mark.slow
def test_i11_killed_again_and_again_while_readings_of_any_day_come_in_every_digest_holds(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Kill -9 at moments that nobody chose: what is left is compared before the next start, and after it."""
    generator, path = random.Random(11), tmp_path / "s.sqlite"
    with Mosquitto("max_queued_messages 0\n") as broker, sending(broker.port) as out:
        plan = write_plan(tmp_path / "plan", broker.port)
        assert until(out.connected)
        for day in generator.sample(range(9), 4):
            with Child(plan, path) as child:
                assert until(lambda: taken(out, path), 60)  # the broker keeps what comes from now on
                before = reading_count(path)
                publish(out, minutes(240, start_ms=MAY + day * 86_400_000))
                assert until(lambda floor=before: reading_count(path) > floor + 100, 60), child.said()
                time.sleep(generator.uniform(0.0, 1.0))
                child.kill()
            assert main(["verify", str(plan), "--store", str(path)]) == 0, capsys.readouterr().out
        with Child(plan, path) as child:
            assert until(lambda: not asked(path, "SELECT 1 FROM fact WHERE name = 'late_work' AND value <> ''"), 60)
            assert child.stop() == 0
            assert "not those that were written" not in child.said()
    assert main(["verify", str(plan), "--store", str(path)]) == 0
    assert "sound, digest " in capsys.readouterr().out
    assert asked(path, "SELECT COUNT(*) FROM digest WHERE link IS NULL") == [(0,)]
    ((digested,),) = asked(path, "SELECT SUM(count) FROM digest WHERE kind = 'reading'")
    assert reading_count(path) == digested


def test_i11_a_large_store_without_digests_gets_them_beside_the_work_of_the_daemon(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is made at the start: all of it comes in pieces, while the daemon goes on; nothing is told as changed."""
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    assert back_to_version_9(path) > 100
    with closing(sqlite3.connect(path)) as db:
        db.executescript("DROP TABLE digest; DROP TABLE digest_reach; DROP TABLE forecast; PRAGMA user_version = 6")
    monkeypatch.setattr(digest_writer, "BEGIN_ROWS", 0)
    monkeypatch.setattr(digest_writer, "LEAST_READINGS", 10)
    monkeypatch.setattr(digest_writer, "PIECE_READINGS", 100)
    with running(site(), path, in_the_evening()) as here:
        assert until(lambda: here.daemon.snapshot is not None, 60)
        ask = "SELECT COUNT(*) FROM digest_reach WHERE complete"
        assert until(lambda: asked(path, ask)[0][0] == len(KINDS) - 1, 60)
        assert CHANGED not in here.findings()
    assert at_start(path) == []
    assert asked(path, "SELECT SUM(count) FROM digest WHERE kind = 'reading'") == [(reading_count(path),)]


def asked(path: Path, text: str) -> list[tuple[object, ...]]:
    """Rows of a store that somebody else writes."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=30)) as db:
        return db.execute(text).fetchall()
