"""Compares the store with its digests: what is read at the start before it is read, all of it soon after, and when the
calendar asks for it (the job `verify`).

A thread of its own compares in short pieces and rests after each of them. It only reads, and sees one moment of the
store in each piece, so it holds up neither the loop nor the log of the store.
"""

import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from meterd.adapters.runtime.worker import Worker
from meterd.adapters.store.digest_comparison import BEFORE_ALL, pieces, recent_day
from meterd.core.model.finding import Finding

CHANGED = "store-changed"
SOON_S = 30.0  # after the start, which has other work
REST = 3.0  # after each piece, in times of its duration: a quarter of a core, so that the page answers as before
NAMED = 5
WHOLE = 100_000  # rows that are compared whole before the start: a third of a second
AT_START = 200_000  # rows of the last days that are compared before the start, the others soon after it


def at_start(path: Path) -> list[str]:
    """What does not hold of what the start reads; of a small store, of all of it."""
    try:
        with _reading(path) as db:
            rows = db.execute("SELECT SUM(count) FROM digest").fetchone()[0] or 0
            return _compared(db, BEFORE_ALL if rows <= WHOLE else recent_day(db))
    except (sqlite3.Error, ValueError, OverflowError, TypeError) as exc:
        return [f"it cannot be read: {exc}"]


def _compared(db: sqlite3.Connection, since_day: int) -> list[str]:
    results: dict[str, None] = {}
    rows = 0
    for piece in pieces(db, since_day=since_day):
        results.update(dict.fromkeys(map(str, piece.changed)))
        rows += piece.rows
        if rows > AT_START:
            break
    return list(results)


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as db:
        yield db


class DigestCheck:
    """A thread that only reads; `findings` is for the loop."""

    def __init__(self, path: Path, results: list[str]) -> None:
        self._path, self._results = path, results
        self._worker = Worker("digests", self._work)
        self._stop, self._asked = self._worker.stopping, threading.Event()
        self._outcome = ""

    def start(self) -> None:
        """Begin."""
        self._worker.start()

    def stop(self, limit_s: float) -> None:
        """End after the piece at hand."""
        self._stop.set()
        self._asked.set()
        self._worker.join(limit_s)

    def ask(self) -> None:
        """Compare all of it now."""
        self._outcome = ""
        self._asked.set()

    def outcome(self) -> str:
        """What the newest comparison came to; empty until it has ended."""
        return self._outcome

    def revive(self) -> bool:
        """A thread that died is started again; True if so."""
        return self._worker.revive()

    def findings(self, site: str, now_ms: int) -> list[Finding]:
        """What a person should know."""
        results = self._results
        if not results:
            return []
        more = f" and {len(results) - NAMED} more" if len(results) > NAMED else ""
        text = f"rows of the store are not those that were written: {', '.join(results[:NAMED])}{more}"
        remedy = "see with meterd verify PLAN what holds; restore a backup that holds, or correct what is wrong"
        return [Finding(CHANGED, site, now_ms, text, remedy)]

    def _work(self) -> None:
        self._asked.wait(SOON_S)
        while not self._stop.is_set():
            self._asked.clear()
            self._check_all()
            self._asked.wait()

    def _check_all(self) -> None:
        results: dict[str, None] = {}
        rows = 0
        try:
            with _reading(self._path) as db:
                begun = time.monotonic()
                for piece in pieces(db):
                    results.update(dict.fromkeys(map(str, piece.changed)))
                    rows += piece.rows
                    if self._stop.wait(REST * (time.monotonic() - begun)):
                        return
                    begun = time.monotonic()
        except (sqlite3.Error, ValueError, OverflowError, TypeError) as exc:
            results = {f"it cannot be read: {exc}": None}
        self._results = list(results)
        differ = f"; {len(results)} days or tables differ, see the finding {CHANGED}" if results else ""
        self._outcome = f"{rows} rows compared with their digests{differ}"
