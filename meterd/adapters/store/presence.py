"""Whether the files of an open store are still where they were opened, and whether they were there when it was."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from meterd.adapters.store.backup import flush
from meterd.adapters.store.lock import OPEN
from meterd.adapters.store.write_store import WriteStore
from meterd.core.errors import StoreError

LOG = "-wal"
PIECE = 2_000  # pages, of 4 kB: some hundredths of a second


@dataclass(frozen=True, slots=True)
class Presence:
    """The files of a store as they were right after it was opened."""

    path: Path
    file: int  # number of the file on its disk
    log: int
    disk: int

    @classmethod
    def of(cls, path: Path) -> "Presence":
        """What is there now."""
        return cls(path, _number(path), _number(path.with_name(path.name + LOG)), _disk(path))

    def with_log(self) -> "Presence":
        """The same with the log, which comes with the first commit."""
        return self if self.log else replace(self, log=_number(self.path.with_name(self.path.name + LOG)))

    @property
    def nameless(self) -> bool:
        """Whether the file that is written to was deleted, and not moved: it is open, and no folder holds it."""
        with suppress(OSError), os.scandir("/proc/self/fd") as open_files:  # of Linux; elsewhere it is taken for moved
            for item in open_files:
                with suppress(OSError):
                    result = item.stat()
                    if (result.st_ino, result.st_dev) == (self.file, self.disk):
                        return result.st_nlink == 0
        return False

    def missing(self) -> list[str]:
        """Which of the files are gone or others than those that are written to."""
        now = Presence.of(self.path)
        results = [] if now.file == self.file else [self.path.name]
        return results if now.log == self.log else [*results, self.path.name + LOG]


def _number(path: Path) -> int:
    try:
        return os.stat(path).st_ino
    except OSError:
        return 0


def _disk(path: Path) -> int:
    try:
        return os.stat(path).st_dev
    except OSError:
        return 0


def lost_before(path: Path) -> str:
    """What is not there although the last process that wrote has not taken its leave; empty if nothing, or for a new store.

    The file of the lock holds the process as long as it writes. It is emptied when the store is closed in order.
    """
    lock, was_open = path.with_name(path.name + ".lock"), False
    with suppress(OSError):
        was_open = OPEN in lock.read_bytes()
    if not path.exists():
        return path.name if lock.exists() else ""
    return path.name + LOG if was_open and not path.with_name(path.name + LOG).exists() else ""


def empty_log(store: WriteStore) -> None:
    """Bring everything into the one file, as far as readers let it."""
    with suppress(sqlite3.Error):
        store.connection.execute("PRAGMA wal_checkpoint(PASSIVE)")


def write_out(store: WriteStore, path: Path, goes_on: Callable[[], None] = lambda: None) -> None:
    """Write all that an open store holds to a new file, also when its own one has no name any more.

    `goes_on` is called between pieces of it. StoreError if it cannot be written; then nothing is at its place.
    """
    partial = path.with_name(path.name + ".partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial.unlink(missing_ok=True)
        with closing(sqlite3.connect(partial)) as to:
            store.connection.backup(to, pages=PIECE, progress=lambda *_: goes_on())
            to.execute("PRAGMA journal_mode = DELETE")  # one file, which needs none beside it
        flush(partial)
        for side in (LOG, "-shm"):  # of the file that was deleted
            path.with_name(path.name + side).unlink(missing_ok=True)
        os.replace(partial, path)
        flush(path.parent)
    except (OSError, sqlite3.Error) as exc:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
        raise StoreError(f"cannot write the store {path} anew: {exc}") from exc
