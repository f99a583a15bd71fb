"""A store opened for as long as something is done with it: to read, also as of a moment, or to write."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from meterd.adapters.store.as_of import AsOfStore
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.store.write_store import WriteStore


@contextmanager
def open_to_read(path: Path, as_of_ms: int | None = None) -> Iterator[ReadStore]:
    """A store to read, also while a process writes it; with a moment, its figures as they stood then.

    StoreError if there is none.
    """
    with closing(SqliteStore.reader(path) if as_of_ms is None else AsOfStore.at(path, as_of_ms)) as store:
        yield store


@contextmanager
def open_to_write(path: Path) -> Iterator[WriteStore]:
    """The one writing store of a file, created if it does not exist.

    StoreInUse if another process has it, StoreError if the file is not a store of this version or an earlier one.
    """
    with closing(SqliteStore.writer(path)) as store:
        yield store
