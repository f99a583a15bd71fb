"""A backup and the log of people beside it: what is there stays, what cannot be copied is told."""

from pathlib import Path

import pytest

from meterd.adapters.runtime.people_log import Act, PeopleLog, acts_of, people_log_path
from meterd.adapters.store.opening import open_to_write
from meterd.app.operations.people import backup_with_people, remove_backup, restore_with_people
from meterd.core.errors import StoreError

STAMP = "20260504T100000Z"


def test_a_backup_without_a_log_leaves_the_log_that_is_there(tmp_path: Path) -> None:
    """An older backup has none; one that cannot be copied is an error with the names of both files."""
    store, copy = tmp_path / "mill.sqlite", tmp_path / "copies" / "mill.sqlite"
    copy.parent.mkdir()
    with open_to_write(store):
        pass
    PeopleLog(people_log_path(copy)).add(Act(3, "login", "Ben"))  # of an older backup of that name
    backup_with_people(store, copy)
    assert not people_log_path(copy).exists()
    PeopleLog(people_log_path(store)).add(Act(7, "login", "Anna"))
    restore_with_people(copy, store, STAMP)
    assert [act.person for act in acts_of(people_log_path(store))] == ["Anna"]
    people_log_path(copy).mkdir()
    with pytest.raises(StoreError, match=r"cannot copy .*mill\.sqlite\.people beside .*copies"):
        backup_with_people(store, copy)


def test_a_backup_goes_with_its_log(tmp_path: Path) -> None:
    """Nothing is left of it, and one that is gone already is no error."""
    copy = tmp_path / "mill.sqlite"
    for path in (copy, people_log_path(copy)):
        path.write_bytes(b"")
    for _ in range(2):
        remove_backup(copy)
    assert not list(tmp_path.iterdir())
