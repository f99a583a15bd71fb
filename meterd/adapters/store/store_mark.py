"""How far a store had come, noted beside it: an older copy in its place is sound in itself and gives nothing away.

The mark names the oldest reading too, by which a copy of this store is told from another store. Where it is missing, as on
another machine or after a restore, nothing is compared.
"""

import json
import os
import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.store.read_store import ReadStore

_NEWEST = "SELECT seq, channel, at_ms, received_ms FROM reading ORDER BY seq DESC LIMIT 1"  # the last is in no block
_SEQ, _RECEIVED = 0, 3


@dataclass(frozen=True, slots=True)
class Older:
    """A store that is behind its mark: when its newest reading came, and when the last one that was kept here did."""

    newest_ms: int | None  # None: it holds no reading
    marked_ms: int


def mark_of(path: Path) -> Path:
    """The file of the mark."""
    return path.with_name(path.name + ".mark")


def set_mark(store: ReadStore, path: Path) -> None:
    """Note how far the store has come. A disk that refuses is told by others."""
    with suppress(OSError, sqlite3.Error):
        if (newest := store.connection.execute(_NEWEST).fetchone()) is None:
            return
        partial = mark_of(path).with_name(mark_of(path).name + ".partial")
        partial.write_text(json.dumps({"oldest": _behind(store, 0), "newest": newest}))
        os.replace(partial, mark_of(path))


def remove_mark(path: Path) -> None:
    """Another store takes the place on purpose."""
    with suppress(FileNotFoundError):
        mark_of(path).unlink()


def older(store: ReadStore, path: Path) -> Older | None:
    """Whether this is an older copy of the store that was here last; None also where that cannot be told."""
    try:
        mark = json.loads(mark_of(path).read_bytes())
        oldest, marked = (tuple(map(int, mark[name])) for name in ("oldest", "newest"))
        newest = store.connection.execute(_NEWEST).fetchone()
        if newest is None:
            return Older(None, marked[_RECEIVED])
        same = _behind(store, oldest[_SEQ] - 1) == oldest
        behind = newest[_SEQ] < marked[_SEQ]
        return Older(newest[_RECEIVED], marked[_RECEIVED]) if same and behind else None
    except (OSError, ValueError, TypeError, LookupError, sqlite3.Error):
        return None  # no mark, or none that can be read


def _behind(store: ReadStore, seq: int) -> tuple[int, ...] | None:
    """The first reading behind a number, without its value."""
    rows = store.readings.after(seq, 1)
    return next(((*row[:3], row[4]) for row in rows), None)
