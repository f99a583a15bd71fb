"""What people did at a site that no table of its store holds: logins, accounts, plans.

A file beside the store with a JSON line for each. It only grows, and is readable by its owner only. Failed logins are many
when somebody guesses: beyond a number in an hour they are counted, and the count is a line of its own.
"""

import json
import logging
import os
import threading
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

log = logging.getLogger("meterd.page")

FAILED = "login-failed"
FAILED_AN_HOUR = 60  # a year of guessing stays below 100 MB
HOUR_MS = 3_600_000
LONGEST = 300  # characters of each text


@dataclass(frozen=True, slots=True)
class Act:
    """What was done when, by whom (empty: not known), from which address."""

    at_ms: int
    kind: str
    person: str
    what: str = ""
    address: str = ""


def people_log_path(store: Path) -> Path:
    """Where the log of a store stands."""
    return store.with_name(store.name + ".people")


class PeopleLog:
    """Adds to the file of one store. Any thread may, and other processes too: each line is written at once."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._hour, self._failed = -1, 0

    def add(self, act: Act) -> None:
        """Write it down. A file that cannot be written keeps nobody out: it is an error in the log of the program."""
        with self._lock:
            acts = list(self._counted(act))
            try:
                for item in acts:
                    _append(self._path, item)
            except OSError as exc:
                text = f"cannot write {act.kind} of {act.person or 'nobody'} into {self._path}: {exc.strerror or exc}"
                log.error("%s", text, extra={"event": "people-log", "subject": ""})

    def _counted(self, act: Act) -> Iterator[Act]:
        hour = act.at_ms // HOUR_MS
        if hour != self._hour:
            if (over := self._failed - FAILED_AN_HOUR) > 0:
                yield Act((self._hour + 1) * HOUR_MS, FAILED, "", f"{over} more failed logins in the hour before")
            self._hour, self._failed = hour, 0
        if act.kind == FAILED:
            self._failed += 1
        if act.kind != FAILED or self._failed <= FAILED_AN_HOUR:
            yield act


def acts_of(path: Path) -> list[Act]:
    """All lines, as they were written; one that was cut off by a power cut is passed over."""
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return []
    return [act for line in lines if (act := _act(line)) is not None]


def copy_people_log(store: Path, backup: Path) -> None:
    """The log of a store beside its backup, under the same kind of name. OSError if it cannot be read or written.

    A store without a log leaves none there: that of an older backup of this name would be restored with it.
    """
    path, target = people_log_path(store), people_log_path(backup)
    if path.exists():
        _replace(target, path.read_bytes().splitlines())
    else:
        target.unlink(missing_ok=True)


def restore_people_log(backup: Path, store: Path) -> None:
    """What the log beside a backup holds goes into that of a store, in order of time; nothing that stands there is lost."""
    with suppress(FileNotFoundError):
        old, path = people_log_path(backup).read_bytes().splitlines(), people_log_path(store)
        now = path.read_bytes().splitlines() if path.exists() else []
        lines = dict.fromkeys([*old, *now])  # in both only once
        _replace(path, sorted(lines, key=lambda line: act.at_ms if (act := _act(line)) else 0))


def _replace(path: Path, lines: Sequence[bytes]) -> None:
    partial = path.with_name(path.name + ".partial")
    partial.unlink(missing_ok=True)
    with open(os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.writelines(line + b"\n" for line in lines)
        file.flush()
        os.fsync(file.fileno())
    os.replace(partial, path)


def _append(path: Path, act: Act) -> None:
    row = {
        key: value[:LONGEST] if isinstance(value, str) else value for key, value in asdict(act).items() if value != ""
    }
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        os.write(handle, (json.dumps(row, ensure_ascii=False) + "\n").encode("utf-8", "replace"))
    finally:
        os.close(handle)


def _act(line: str | bytes) -> Act | None:
    try:
        row = json.loads(line)
        return Act(row["at_ms"], row["kind"], row.get("person", ""), row.get("what", ""), row.get("address", ""))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
