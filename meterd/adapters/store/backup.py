"""Copies of a store: made while the daemon runs, checked before they count, put back without losing what was there."""

import os
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.store.digest_comparison import head, undigested, verify
from meterd.adapters.store.digests import FIRST_VERSION
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.adapters.store.lock import take_lock
from meterd.adapters.store.reading_connection import NO_TEXT, SCHEMA_VERSION, reason
from meterd.adapters.store.store_mark import remove_mark
from meterd.core.errors import StoreError

NAMED = 5  # changed rows in a message
_SIDES = ("-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Copy:
    """What a sound store file holds."""

    schema: int
    readings: int
    newest_ms: int | None  # time of the newest reading
    closed_to_ms: int | None
    points: frozenset[str]
    changed: tuple[str, ...]  # rows that are not those that were written
    head: str  # one fingerprint of all digests; empty for a store of an earlier version
    undigested: int  # of the newest readings, those that have no digest yet


def inspect(path: Path, remedy: str = "take another backup") -> Copy:
    """Read a store file whole. StoreError, with what to do, if it is damaged, is no store, or is of a newer version."""
    if not path.is_file():
        raise StoreError(f"there is no file {path}")
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as db:
            schema = int(db.execute("PRAGMA user_version").fetchone()[0])
            if not 1 <= schema <= SCHEMA_VERSION:
                right = "run the newer version" if schema else "name a backup of a store"
                raise StoreError(f"{path} has schema {schema}, this version knows 1 to {SCHEMA_VERSION}; {right}")
            result = str(db.execute("PRAGMA integrity_check(1)").fetchone()[0])
            if result != "ok":
                raise StoreError(f"{path} is damaged: {result.splitlines()[0]}; {remedy}")
            readings = JoinedReadings(db)
            ends = [readings.ends(number) for (number,) in db.execute("SELECT id FROM channel").fetchall()]
            closed = db.execute("SELECT value FROM fact WHERE name = 'closed_to_ms'").fetchone()
            return Copy(
                schema,
                readings.count(),
                max((end for _, end in filter(None, ends)), default=None),
                closed_to_ms=int(closed[0]) if closed else None,
                points=frozenset(row[0] for row in db.execute("SELECT DISTINCT point FROM channel")),
                changed=tuple(verify(db)),
                head=head(db) if schema >= FIRST_VERSION else "",
                undigested=undigested(db) if schema >= FIRST_VERSION else 0,
            )
    except sqlite3.Error as exc:
        raise StoreError(f"{path} cannot be read as a store: {exc}; {remedy}") from exc
    except UnicodeDecodeError as exc:  # the database names something that is no text any more
        raise StoreError(f"{path} cannot be read as a store: {NO_TEXT}; {remedy}") from exc


def backup(store: Path, target: Path) -> Copy:
    """Copy a store as it stands at this moment, also while a daemon writes to it; the copy is read whole before it counts.

    The copy is one file that needs no others beside it. An older file of that name is replaced only by a sound one.
    """
    if not store.exists():
        raise StoreError(f"there is no store at {store}; has the daemon or a replay written one yet?")
    if target.resolve() == store.resolve():
        raise StoreError(f"{target} is the store itself; choose another file")
    partial = target.with_name(target.name + ".partial")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        partial.unlink(missing_ok=True)
        with (
            closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as source,
            closing(sqlite3.connect(partial)) as copy,
        ):
            source.backup(copy)  # in one go: a single snapshot, while the writer goes on into its log
            copy.execute("PRAGMA journal_mode = DELETE")
        result = inspect(partial)
        flush(partial)
        os.replace(partial, target)
        flush(target.parent)
    except (sqlite3.Error, UnicodeDecodeError, OSError) as exc:
        raise StoreError(f"cannot make the backup {target}: {reason(exc)}") from exc
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
    return result


def restore(copy: Path, store: Path, stamp: str) -> tuple[Copy, Path | None]:
    """Put a backup in the place of a store; the old one stays beside it under a name with the stamp, or None.

    Raises StoreInUse while a daemon has the store, StoreError if the backup is not sound; then nothing was changed.
    """
    result = inspect(copy)
    if result.changed:
        raise StoreError(f"{copy} is not what was written: {'; '.join(result.changed[:NAMED])}; take another backup")
    lock = take_lock(store)
    try:
        fresh = store.with_name(store.name + ".restoring")
        fresh.unlink(missing_ok=True)
        with (
            closing(sqlite3.connect(f"file:{copy}?mode=ro", uri=True)) as source,
            closing(sqlite3.connect(fresh)) as to,
        ):
            source.backup(to)
            to.execute("PRAGMA journal_mode = DELETE")
        inspect(fresh)
        flush(fresh)
        remove_mark(store)
        aside = _set_aside(store, stamp)
        os.replace(fresh, store)
        flush(store.parent)
    except (sqlite3.Error, OSError) as exc:
        raise StoreError(f"cannot restore {store}: {exc}") from exc
    finally:
        os.close(lock)
    return result, aside


def _set_aside(store: Path, stamp: str) -> Path | None:
    """Rename the old store with its log; the log goes first, since left alone it would be taken for that of the new one."""
    if not store.exists():
        return None
    aside = store.with_name(f"{store.name}.before-{stamp}")
    if aside.exists():
        raise StoreError(f"{aside} is already there; move it away")
    with suppress(sqlite3.Error), closing(sqlite3.connect(store)) as old:
        old.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # of a sound store everything is in the one file then
    for side in _SIDES:
        with suppress(FileNotFoundError):
            store.with_name(store.name + side).rename(aside.with_name(aside.name + side))
    store.rename(aside)
    return aside


def flush(path: Path) -> None:
    """Let a file or a folder reach its disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
