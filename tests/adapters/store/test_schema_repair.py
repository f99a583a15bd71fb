"""Flipped bytes in the pages that describe the tables and in those above their rows: next to no reading is lost."""

import random
import shutil
import sqlite3
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import pytest

from meterd.adapters.store import recovery
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.adapters.store.recovery import open_sound
from meterd.adapters.store.schema import described
from meterd.adapters.store.schema_repair import repair_schema
from meterd.core.model.reading import IMPORT, POWER, Reading

T = 1_777_852_800_000
PAGE = 4096
IN_ONE_PAGE = 260  # readings of these that a leaf holds at most
SIZES = {"a page": 90, "a level": 3_000, "two levels": 30_000}


def filled(path: Path, count: int) -> Path:
    """A store of so many readings of two registers, with a correction, closed in order."""
    store = SqliteStore.writer(path)
    with store.transaction():
        store.add_readings([Reading("q01", IMPORT, T + i * 1000, i * 7, T) for i in range(count // 2)])
        store.add_readings([Reading("q02", POWER, T + i * 1000, i * 0.5, T) for i in range(count // 2)])
    store.close()
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("INSERT INTO correction (point, register, from_ms, factor, reason, person, made_ms, command)"
                   " VALUES ('q01', '1.8.0', 0, '2', 'why', 'who', 0, 'one')")  # fmt: skip
    return path


def places(path: Path) -> list[int]:
    """Pages that describe the tables, the first page of each table, and of those the pages between them and the rows."""
    with closing(sqlite3.connect(path)) as db:
        described_in = {row[0] for row in db.execute("SELECT pageno FROM dbstat WHERE name = 'sqlite_schema'")}
        roots = {row[0] for row in db.execute("SELECT rootpage FROM sqlite_schema WHERE rootpage > 0")}
        above = {
            row[0] for row in db.execute("SELECT pageno FROM dbstat WHERE name = 'reading' AND pagetype = 'internal'")
        }
    return sorted(described_in | roots | above)


def flipped(path: Path, page: int, draw: random.Random) -> None:
    """One byte of a page becomes another one."""
    with path.open("r+b") as file:
        at = (page - 1) * PAGE + draw.randrange(PAGE)
        file.seek(at)
        old = file.read(1)[0]
        file.seek(at)
        file.write(bytes([old ^ 1 << draw.randrange(8)]))


@pytest.mark.parametrize("size", SIZES)
def test_a_flipped_byte_above_the_rows_costs_next_to_no_reading(tmp_path: Path, size: str) -> None:
    """Found with 400 flips: 246 of them saved nothing. The damaged file stays beside as it was."""
    whole, draw, count = filled(tmp_path / "whole.sqlite", SIZES[size]), random.Random(11), SIZES[size]
    lost = []
    pages = places(whole)
    flips = pages * 3 if count < 10_000 else draw.sample(pages, 12)
    for number, page in enumerate(flips):
        path = tmp_path / f"{number}.sqlite"
        shutil.copy(whole, path)
        flipped(path, page, draw)
        before = sha256(path.read_bytes()).hexdigest()
        store, salvage = open_sound(path)
        lost.append(count - store.reading_count())
        store.close()
        if salvage is not None:
            assert sha256(salvage.aside.read_bytes()).hexdigest() == before
            assert f"the {count - lost[-1]} readings that could be read" in str(salvage)
        assert not list(tmp_path.glob("*.copy*"))
        for file in tmp_path.glob(f"{number}.sqlite*"):
            file.unlink()
    assert max(lost) <= IN_ONE_PAGE, lost
    assert sum(item > 0 for item in lost) <= len(lost) // 20, lost


@pytest.mark.parametrize("fill", [0, 0xFF], ids=["zeros", "ones"])
@pytest.mark.parametrize("what", ["first page", "all that describe", "first pages of tables"])
def test_pages_that_are_wholly_gone_cost_no_reading(tmp_path: Path, fill: int, what: str) -> None:
    """A disk gives back zeros, or ones: the description of the tables, or the first page of each."""
    path = filled(tmp_path / "s.sqlite", 3_000)
    with closing(sqlite3.connect(path)) as db:
        described_in = [row[0] for row in db.execute("SELECT pageno FROM dbstat WHERE name = 'sqlite_schema'")]
        tables = "SELECT rootpage FROM sqlite_schema WHERE name IN ('reading', 'figure', 'digest')"
        roots = [row[0] for row in db.execute(tables)]
    pages = {"first page": [1], "all that describe": described_in, "first pages of tables": roots}[what]
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * PAGE)
            file.write(bytes([fill]) * PAGE)
    store, salvage = open_sound(path)
    assert salvage is not None
    assert store.reading_count() == salvage.readings == 3_000
    assert len(store.corrections.all()) == 1
    store.close()


def test_the_log_of_a_damaged_file_is_taken_with_it(tmp_path: Path) -> None:
    """Killed with readings in its log, then the description is gone: those of the log are saved too."""
    path, stored = tmp_path / "s.sqlite", tmp_path / "killed.sqlite"
    store = SqliteStore.writer(filled(path, 1_000))
    with store.transaction():
        store.add_readings([Reading("q01", IMPORT, T + 10**7 + i, i, T) for i in range(500)])
    for ending in ("", "-wal"):
        shutil.copy(path.with_name(path.name + ending), stored.with_name(stored.name + ending))
    store.close()
    with stored.open("r+b") as file:
        file.write(bytes(PAGE))
    store, salvage = open_sound(stored)
    assert salvage is not None or store.reading_count() == 1_500, "the log may hold the page that is gone"
    assert store.reading_count() == 1_500
    store.close()


def test_a_repaired_description_is_that_of_a_new_store(tmp_path: Path) -> None:
    """Every table and index with its words; a sound file is left as it is."""
    path = filled(tmp_path / "s.sqlite", 200)
    before = path.read_bytes()
    repair_schema(path)
    assert path.read_bytes() == before
    with path.open("r+b") as file:
        file.write(bytes(PAGE))
    repair_schema(path)
    with closing(sqlite3.connect(path)) as db:
        there = {tuple(row) for row in db.execute("SELECT type, name, tbl_name, sql FROM sqlite_schema")}
        assert db.execute("SELECT COUNT(*) FROM reading").fetchone() == (200,)
        assert db.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    assert there == {(kind, name, table, sql) for kind, name, table, _, sql in described(SCHEMA_VERSION)}


def test_a_salvage_that_was_killed_goes_on_at_the_next_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the readings were taken over when the power went: the next start takes the others."""
    path = filled(tmp_path / "s.sqlite", 3_000)
    with path.open("r+b") as file:
        file.write(bytes(PAGE))

    class PowerCut(BaseException):
        pass

    def cut(self: SqliteStore, readings: list[Reading]) -> list[Reading]:
        if self.reading_count() >= 1_500:
            raise PowerCut
        return add(self, readings)

    add = SqliteStore.add_readings
    with monkeypatch.context() as patch:
        patch.setattr(SqliteStore, "add_readings", cut)
        with pytest.raises(PowerCut):
            open_sound(path)
    store, salvage = open_sound(path)
    assert salvage is not None
    assert store.reading_count() == salvage.readings == 3_000
    store.close()
    store, salvage = open_sound(path)
    assert salvage is None, "told once"
    store.close()


def test_without_room_for_a_copy_what_is_readable_is_saved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk: no repair, and the readings are taken from where they stand in the damaged file itself."""
    path = filled(tmp_path / "s.sqlite", 3_000)
    with path.open("r+b") as file:
        file.write(bytes(PAGE))
    monkeypatch.setattr(recovery, "FREE_TIMES", 10**9)
    store, salvage = open_sound(path)
    assert salvage is not None
    assert store.reading_count() == 3_000
    store.close()
