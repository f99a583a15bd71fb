"""An older copy of a store is told from the store that was there, from another store, and from nothing at all."""

import shutil
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store.backup import backup, restore
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.store_mark import Older, mark_of, older, set_mark
from meterd.core.model.reading import IMPORT, Reading

NOON = 1_780_000_000_000


def kept(path: Path, times: range, *, mark: bool = True) -> None:
    """Readings of these seconds, each of which came a second later, and the mark."""
    with closing(SqliteStore.writer(path)) as store:
        with store.transaction():
            store.add_readings([Reading("q01", IMPORT, NOON + s * 1000, s, NOON + s * 1000 + 1000) for s in times])
        if mark:
            set_mark(store, path)


def asked(path: Path) -> Older | None:
    """What is seen at an opening."""
    with closing(SqliteStore.writer(path)) as store:
        return older(store, path)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store of five readings that was copied, and has nine since."""
    result = tmp_path / "s.sqlite"
    kept(result, range(5))
    backup(result, tmp_path / "copy.sqlite")
    kept(result, range(5, 9))
    return result


def test_an_older_copy_says_from_when_to_when_readings_are_missing(path: Path) -> None:
    assert asked(path) is None
    shutil.copy(path.with_name("copy.sqlite"), path)
    assert asked(path) == Older(NOON + 5000, NOON + 9000)
    kept(path, range(20, 24), mark=False)
    assert asked(path) is None, "it has come as far"


def test_a_store_without_a_reading_in_its_place_is_older(path: Path) -> None:
    path.unlink()
    kept(path, range(0), mark=False)
    assert asked(path) == Older(None, NOON + 9000)


def test_another_store_is_not_older(path: Path) -> None:
    path.unlink()
    kept(path, range(100, 103), mark=False)
    assert asked(path) is None


def test_a_restore_on_purpose_and_another_machine_say_nothing(path: Path, tmp_path: Path) -> None:
    restore(path.with_name("copy.sqlite"), path, "now")
    assert asked(path) is None
    assert not mark_of(path).exists()
    elsewhere = tmp_path / "elsewhere" / "s.sqlite"
    elsewhere.parent.mkdir()
    shutil.copy(path, elsewhere)
    assert asked(elsewhere) is None


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"oldest": [1], "newest": null}', '{"oldest": [1, 2], "newest": [9]}']
)
def test_a_mark_that_cannot_be_read_is_none(path: Path, text: str) -> None:
    shutil.copy(path.with_name("copy.sqlite"), path)
    mark_of(path).write_text(text)
    assert asked(path) is None


def test_a_mark_that_cannot_be_written_stops_nothing(path: Path) -> None:
    mark_of(path).unlink()
    mark_of(path).mkdir()
    kept(path, range(30, 31))
    assert asked(path) is None
