"""Whose files an open store writes to: what was deleted, moved or left behind is seen, and written out to a new file."""

from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.presence import Presence, lost_before, write_out
from meterd.core.errors import StoreError
from meterd.core.model.reading import IMPORT, Reading

READINGS = [Reading("q01", IMPORT, 1_000 * k, k, 1_000 * k) for k in range(5)]


def written(path: Path) -> SqliteStore:
    """An open store that holds the readings."""
    store = SqliteStore.writer(path)
    with store.transaction():
        store.add_readings(READINGS)
    return store


def test_what_is_gone_is_named_and_a_moved_file_is_no_deleted_one(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    store = written(path)
    presence = Presence.of(path)
    assert presence.missing() == []
    path.rename(tmp_path / "elsewhere")
    assert presence.missing() == ["s.sqlite"]
    assert not presence.nameless, "another folder holds it"
    (tmp_path / "elsewhere").unlink()
    assert presence.nameless
    path.write_bytes(b"")
    assert presence.missing() == ["s.sqlite"], "a new file of the same name is another one"
    path.with_name("s.sqlite-wal").unlink()
    assert presence.missing() == ["s.sqlite", "s.sqlite-wal"]
    store.close()


def test_after_a_kill_it_says_which_file_should_be_there(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    assert lost_before(path) == "", "a new store"
    store = written(path)
    files = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    store.close()
    assert lost_before(path) == "", "closed in order: the log was merged and may be gone"
    for name, data in files.items():  # as a kill leaves it
        (tmp_path / name).write_bytes(data)
    assert lost_before(path) == ""
    path.with_name("s.sqlite-wal").unlink()
    assert lost_before(path) == "s.sqlite-wal"
    path.unlink()
    assert lost_before(path) == "s.sqlite"


def test_a_store_without_a_name_is_written_out_whole_and_beside_no_old_log(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    store, pieces = written(path), []
    path.unlink()
    write_out(store, path, lambda: pieces.append(1))
    assert not path.with_name("s.sqlite-wal").exists(), "the log of the deleted file would be read into the new one"
    assert pieces, "whoever waits is told that it goes on"
    store.close()
    with_readings = SqliteStore.reader(path)
    assert with_readings.latest(("q01", IMPORT)) == (4_000, 4)
    with_readings.close()


def test_what_cannot_be_written_leaves_nothing_at_its_place(tmp_path: Path) -> None:
    store = written(tmp_path / "s.sqlite")
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(StoreError, match=r"cannot write the store .*file/s\.sqlite anew"):
        write_out(store, tmp_path / "file" / "s.sqlite")
    target = tmp_path / "other" / "s.sqlite"
    target.mkdir(parents=True)  # a folder of that name cannot be replaced
    with pytest.raises(StoreError, match="anew"):
        write_out(store, target)
    assert [file.name for file in target.parent.iterdir()] == ["s.sqlite"], "no part of it stays"
    store.close()
