"""Files of the store that are cut, changed, incomplete, deleted or moved (I11, I12): reported, and what can be read is stored."""

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store.backup import inspect as check
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.app.daemon import source_monitor
from meterd.core.errors import StoreInUse
from meterd.core.model.reading import IMPORT
from tests.brokers import Mosquitto, until
from tests.faults.mill import (
    DAY,
    MAY,
    Child,
    Here,
    StoreInFolder,
    as_readings,
    minutes,
    now_ms,
    open_findings,
    publish,
    reading_count,
    running,
    sending,
    site,
    write_plan,
)

COUNT = 3_000
YESTERDAY = (now_ms() // DAY - 1) * DAY  # a daemon closes every interval from the first reading to now
ANEW = "WARNING the store was written anew"
DAMAGED, GONE, OLDER = "store-damaged-mill", "store-missing-mill", "store-older-mill"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of 3,000 readings, closed in order."""
    folder_store = StoreInFolder(tmp_path_factory.mktemp("whole"))
    folder_store.feed(as_readings(minutes(COUNT // 6, start_ms=YESTERDAY)))
    folder_store.close()
    return folder_store.path


def begun(path: Path) -> tuple[str, int]:
    """A daemon on that store: the words of its finding, and how many readings are there then."""
    with running(site(), path) as here:
        assert here.has(DAMAGED, 200), here.findings()
        message = here.findings()[DAMAGED].text
    return message, reading_count(path)


def test_i11_a_store_cut_by_a_tenth_saves_what_the_same_store_padded_to_its_size_saves(
    whole: Path, tmp_path: Path
) -> None:
    size = whole.stat().st_size
    cut, padded = tmp_path / "cut.sqlite", tmp_path / "padded.sqlite"
    for path in (cut, padded):
        shutil.copy(whole, path)
        os.truncate(path, size * 9 // 10)
    os.truncate(padded, size)
    text, stored = begun(cut)
    assert stored == begun(padded)[1]
    assert stored > COUNT // 2
    assert f"{stored} readings" in text


def named(path: Path, at: str) -> int:
    """Where the row of t1 in the table of registers, or in its index, lies in the file."""
    with sqlite3.connect(path) as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (at,)).fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
    db.close()
    begin = (page - 1) * size
    return begin + path.read_bytes()[begin : begin + size].index(b"q021.8.0")


@pytest.mark.parametrize("at", ["channel", "sqlite_autoindex_channel_1"])
@pytest.mark.parametrize("byte", [b"\xff", b"z"])
def test_i11_a_byte_in_the_name_of_a_point_is_reported_and_costs_no_reading(
    whole: Path, tmp_path: Path, at: str, byte: bytes
) -> None:
    """One that is no text any more, and one that makes another name."""
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    place = named(path, at)
    with path.open("r+b") as file:
        file.seek(place)
        file.write(byte)
    text, stored = begun(path)
    assert "damaged" in text
    assert stored == COUNT
    store = SqliteStore.reader(path)
    assert len(store.history(("q02", IMPORT), 0)[0]) == COUNT // 6
    store.close()


@pytest.mark.parametrize("what", ["type = 'table' AND name = 'reading'", "name = 'sqlite_schema'"])
def test_i11_a_damaged_page_that_leads_to_the_readings_is_told_and_costs_none(
    whole: Path, tmp_path: Path, what: str
) -> None:
    """The first page of the readings, or all pages that describe the tables, as a disk gives back that lost them."""
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    with sqlite3.connect(path) as db:
        pages = [row[0] for row in db.execute(f"SELECT rootpage FROM sqlite_schema WHERE {what}")]
        pages = pages or [row[0] for row in db.execute(f"SELECT pageno FROM dbstat WHERE {what}")]
    db.close()
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * 4096)
            file.write(bytes(4096))
    before = path.read_bytes()
    text, stored = begun(path)
    assert (f"with the {COUNT} readings that could be read" in text, stored) == (True, COUNT)
    assert path.with_name("s.sqlite.damaged-1").read_bytes() == before


@pytest.mark.parametrize(("table", "stored"), [("figure", COUNT), ("change", COUNT), ("channel", 0), ("reading", 0)])
def test_i11_a_store_without_one_of_its_tables_is_reported_and_the_others_are_saved(
    whole: Path, tmp_path: Path, table: str, stored: int
) -> None:
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    with sqlite3.connect(path) as db:
        db.execute("INSERT INTO correction (point, register, from_ms, factor, reason, person, made_ms, command)"
                   " VALUES ('q01', '1.8.0', 0, '2', 'why', 'who', 0, 'one')")  # fmt: skip
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute(f"DROP TABLE {table}")
    db.close()
    text, result = begun(path)
    assert f"it has no table {table}" in text
    assert result == stored
    store = SqliteStore.reader(path)
    assert len(store.corrections.all()) == 1
    store.close()


def test_i12_a_store_that_is_moved_while_it_is_written_is_reported_until_it_is_back(
    whole: Path, tmp_path: Path
) -> None:
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    with running(site(), path) as here:
        assert until(lambda: here.daemon.snapshot is not None, 200)
        assert GONE not in here.findings()
        path.rename(tmp_path / "elsewhere")
        assert here.has(GONE, 60)
        assert "moved or replaced: s.sqlite;" in here.findings()[GONE].text
        (tmp_path / "elsewhere").rename(path)
        assert until(lambda: GONE not in here.findings(), 60)
        assert DAMAGED not in here.findings()
    assert reading_count(path) == COUNT


def test_i12_a_store_that_cannot_be_written_anew_is_reported_and_written_once_it_can_be(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its folder has become a file: nothing can be written there until somebody takes that away."""
    monkeypatch.setattr(source_monitor, "RESCUE_S", 0.5)
    path = tmp_path / "folder" / "s.sqlite"
    path.parent.mkdir()
    shutil.copy(whole, path)
    with running(site(), path) as here:
        assert until(lambda: here.daemon.snapshot is not None, 200)
        shutil.rmtree(path.parent)
        path.parent.write_text("in the way")
        assert here.has(GONE, 60)
        assert "cannot write the store" in here.findings()[GONE].text
        path.parent.unlink()
        assert here.has(DAMAGED, 60)
        assert until(lambda: GONE not in here.findings(), 60)
        assert reading_count(path) == COUNT
        assert until(lambda: path.with_name("s.sqlite.lock").exists(), 60), "a second daemon would be let in"
        with pytest.raises(StoreInUse):
            SqliteStore.writer(path)


@pytest.mark.slow
@pytest.mark.parametrize("sides", [("", "-wal", "-shm", ".lock"), ("",), ("-wal",)])
def test_i12_a_store_that_is_deleted_while_it_is_written_is_written_anew_and_survives_a_kill(
    tmp_path: Path, sides: tuple[str, ...]
) -> None:
    """Found with a deleted store and a kill hours later: everything since was lost."""
    with Mosquitto() as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port), tmp_path / "s.sqlite"
        with Child(plan, store) as child:
            assert until(out.connected)

            def taken(
                count: int,
            ) -> bool:  # what is sent before it listens is lost, and what comes twice changes nothing
                publish(out, minutes(count, start_ms=MAY))
                return until(lambda: reading_count(store) == 6 * count, 2)

            assert until(lambda: taken(5), 200), child.said()
            for side in sides:
                store.with_name(store.name + side).unlink()
            publish(out, minutes(7, start_ms=MAY))  # into a file without a name, until that is seen
            assert until(lambda: DAMAGED in child.said(), 60), child.said()
            assert until(lambda: reading_count(store) == 42, 60), "the broker's last ones are in the new file, too"
            child.kill()
            assert reading_count(store) == 42
            child.start()
            assert until(lambda: taken(9), 200), child.said()
            before = child.said().count(ANEW)
            for side in sides:
                store.with_name(store.name + side).unlink()
            # its finding is new only where the kill came before the one of the first time was stored
            assert until(lambda: child.said().count(ANEW) > before), child.said()
            assert until(lambda: DAMAGED in open_findings(store)), child.said()
            assert until(lambda: taken(12), 60), "it goes on in the new file"
            child.kill()
            assert reading_count(store) == 72
            child.start()
            assert until(lambda: taken(13), 200), child.said()
            assert child.stop() == 0
        assert reading_count(store) == 78
        copy = check(store)
        assert copy.changed == (), copy


def test_i12_a_log_that_is_deleted_while_it_is_written_is_reported_and_nothing_is_lost(
    whole: Path, tmp_path: Path
) -> None:
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    with running(site(), path) as here:
        assert until(lambda: here.daemon.snapshot is not None, 200)
        path.with_name("s.sqlite-wal").unlink()
        assert here.has(DAMAGED, 60)
        assert "deleted while it was written: s.sqlite-wal;" in here.findings()[DAMAGED].text
        assert until(lambda: path.with_name("s.sqlite-wal").exists(), 60)
        assert reading_count(path) == COUNT


@pytest.mark.slow
@pytest.mark.parametrize("lost", ["", "-wal"])
def test_i12_a_store_or_log_that_is_gone_after_a_kill_is_reported_at_the_next_start(tmp_path: Path, lost: str) -> None:
    with Mosquitto() as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port), tmp_path / "s.sqlite"
        with Child(plan, store) as child:
            assert until(out.connected)

            def taken() -> bool:  # what is sent before it listens is lost, and what comes twice changes nothing
                publish(out, minutes(5, start_ms=MAY))
                return reading_count(store) == 30

            assert until(taken, 200), child.said()
            child.kill()
            store.with_name(store.name + lost).unlink()
            child.start()
            # a reader that comes before the daemon would make a new log
            opened = [str(child.pid), "open"]
            assert until(lambda: store.with_name("s.sqlite.lock").read_text().split() == opened, 60), child.said()
            assert until(lambda: DAMAGED in open_findings(store), 200), child.said()
            assert "was not there at the start" in open_findings(store)[DAMAGED].text
            assert child.stop() == 0


def test_i12_a_first_start_and_one_after_an_end_in_order_say_nothing(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"

    def silent(here: Here) -> bool:
        return until(lambda: here.daemon.snapshot is not None, 200) and not {DAMAGED, GONE} & set(here.findings())

    for _ in range(2):
        with running(site(), path) as here:
            assert silent(here)


@pytest.mark.slow
def test_i12_a_store_that_was_cut_to_nothing_is_reported_at_the_next_start(tmp_path: Path) -> None:
    """Found after an end in order: a new store was begun without a word."""
    path = tmp_path / "s.sqlite"
    with running(site(), path) as here:
        assert until(lambda: here.daemon.snapshot is not None, 200)
    os.truncate(path, 0)
    with running(site(), path) as here:
        assert here.has(DAMAGED, 200)
        assert "the store was damaged (it is empty)" in here.findings()[DAMAGED].text


@pytest.mark.slow
@pytest.mark.parametrize("version", [SCHEMA_VERSION - 1, -(2**31) + SCHEMA_VERSION, 256 + SCHEMA_VERSION])
def test_i11_a_byte_in_the_number_of_the_schema_is_reported_and_costs_no_reading(
    whole: Path, tmp_path: Path, version: int
) -> None:
    """Found by changing each bit of it: 31 of 32 refused every start, "run the newer version" or "table already exists"."""
    path = tmp_path / "s.sqlite"
    shutil.copy(whole, path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"PRAGMA user_version = {version}")
    text, count = begun(path)
    assert f"it says that it has schema {version}" in text
    assert count == COUNT


@pytest.mark.slow
def test_i12_an_older_copy_in_the_place_of_the_store_is_reported_at_the_next_start(whole: Path, tmp_path: Path) -> None:
    """Found by putting yesterday's copy back by hand: the daemon went on from it without a word."""
    path, copy = tmp_path / "s.sqlite", tmp_path / "copy.sqlite"
    shutil.copy(whole, path)
    shutil.copy(whole, copy)
    with running(site(), path) as here:
        assert until(lambda: here.daemon.snapshot is not None, 200)
    with closing(SqliteStore.writer(path)) as store, store.transaction():
        store.add_readings(as_readings(minutes(2, start_ms=YESTERDAY + DAY // 2)))
    with running(site(), path) as here:
        assert until(lambda: here.daemon.snapshot is not None, 200)
        assert OLDER not in here.findings()
    shutil.copy(copy, path)
    with running(site(), path) as here:
        assert here.has(OLDER, 200), here.findings()
        assert "those between are missing" in here.findings()[OLDER].text
    with running(site(), path) as here:
        assert until(lambda: OLDER in here.findings(), 200), "until somebody closes it, or for a day"
    elsewhere = tmp_path / "elsewhere.sqlite"
    shutil.copy(copy, elsewhere)
    with running(site(), elsewhere) as here:
        assert until(lambda: here.daemon.snapshot is not None, 200)
        assert OLDER not in here.findings()
