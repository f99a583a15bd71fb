"""A connection that only reads a store, and what is said where that cannot be. Needs none of the tables."""

import sqlite3
from contextlib import ExitStack
from pathlib import Path

from meterd.core.errors import StoreError

SCHEMA_VERSION = 12
NO_STORE_YET = 0  # the version of an empty file, as a daemon has it for a moment when it begins a store
REMEDY = "if it is damaged, start the daemon, which saves what can be read, or restore a backup"
NO_TEXT = "the description of its tables cannot be read"


def connect_to_read(path: Path) -> sqlite3.Connection:
    """A connection that writes nothing, also while a daemon runs; StoreError if there is none, or a newer one."""
    if not path.exists():
        raise StoreError(f"there is no store at {path}; has the daemon or a replay written one yet?")
    with ExitStack() as undo:
        try:
            connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
            undo.callback(connection.close)
            refuse_newer(connection, path)
            described = connection.execute("SELECT 1 FROM sqlite_schema").fetchone()  # tells also what is damaged
        except (sqlite3.Error, UnicodeDecodeError) as exc:
            raise StoreError(f"cannot read the store {path}: {reason(exc)}") from exc
        if described is None:
            raise StoreError(f"nothing is in the store {path} yet; has the daemon or a replay just begun it?")
        undo.pop_all()
        return connection


def refuse_newer(connection: sqlite3.Connection, path: Path) -> int:
    """The version of a store; StoreError for one that only a newer program understands."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"the store {path} has schema {version}, this version knows {SCHEMA_VERSION}; run the newer version"
        )
    return version


def reason(exc: Exception) -> str:
    """Why a file cannot be read, in the database's words, and what to do if it is damaged and not merely busy or forbidden."""
    if isinstance(exc, UnicodeDecodeError):  # the database names something that is no text any more
        return f"{NO_TEXT}; {REMEDY}"
    return f"{exc}; {REMEDY}" if type(exc) is sqlite3.DatabaseError else str(exc)
