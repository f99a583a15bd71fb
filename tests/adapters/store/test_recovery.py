"""What can be read of a damaged store is taken over; odd rows are left out, and no earlier damaged file is overwritten."""

import os
import sqlite3
from pathlib import Path

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.recovery import find_damage, open_sound
from meterd.core.model.reading import IMPORT, POWER, Reading

T = 1_777_852_800_000


def damaged(path: Path) -> None:
    """A store with four readings, one of them no number any more, and a torn page of its own figures."""
    store = SqliteStore.writer(path)
    with store.transaction():
        store.add_readings([Reading("q01", IMPORT, T + i, i, T) for i in range(3)])
        store.add_readings([Reading("q01", POWER, T, 2.5, T, device_time=False, old=True)])
    store.close()
    raw = sqlite3.connect(path)
    raw.execute("UPDATE reading SET value = 'rust' WHERE seq = 2")
    raw.commit()
    raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    (root,) = raw.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'figure'").fetchone()
    raw.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * 4096)
        file.write(os.urandom(4096))


def test_sound_readings_are_taken_over_with_their_marks_and_the_rest_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    damaged(path)
    store, salvage = open_sound(path)
    assert salvage is not None
    assert salvage.readings == store.reading_count() == 3
    assert "it is kept as s.sqlite.damaged-1, a new one was begun with the 3 readings" in str(salvage)
    assert [int(v) for v in store.history(("q01", IMPORT), 0)[1]] == [0, 2]
    store.close()


def test_every_damaged_file_keeps_its_own_name(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    for number in (1, 2):
        path.write_bytes(os.urandom(9000))
        store, salvage = open_sound(path)
        assert salvage is not None
        assert salvage.aside.name == f"s.sqlite.damaged-{number}"
        store.close()


def test_a_sound_store_and_a_new_one_are_opened_as_they_are(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    for _ in range(2):
        store, salvage = open_sound(path)
        assert salvage is None
        store.close()
    assert find_damage(path) == ""


def test_a_description_of_tables_that_is_no_text_any_more_is_damage(tmp_path: Path) -> None:
    """Found by one of 1,000 copies with one bit changed: the database's own message about it could not be read."""
    path = tmp_path / "s.sqlite"
    damaged(path)
    data = path.read_bytes()
    place = data.index(b"indexreading_once") + len("indexread")
    path.write_bytes(data[:place] + b"\xcc" + data[place + 1 :])
    assert find_damage(path)
    store, salvage = open_sound(path)
    assert salvage is not None
    store.close()
