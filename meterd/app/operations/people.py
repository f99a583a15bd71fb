"""Who did what at a site, in one list: from the tables of its store and the log of people beside it.

A backup and its way back take that log along: a store that comes back without it would not know who was there.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from meterd.adapters.runtime.people_log import Act, acts_of, copy_people_log, people_log_path, restore_people_log
from meterd.adapters.store.backup import Copy, backup, restore
from meterd.adapters.store.read_store import ReadStore
from meterd.core.errors import StoreError

ALWAYS_MS = -(2**62)
UNKNOWN = "unknown"


def backup_with_people(store: Path, target: Path) -> Copy:
    """A backup of a store, and beside it its log of people as `TARGET.people`. Raises as `backup` does."""
    result = backup(store, target)
    try:
        copy_people_log(store, target)
    except OSError as exc:
        raise StoreError(f"cannot copy {people_log_path(store)} beside {target}: {exc.strerror}") from exc
    return result


def restore_with_people(copy: Path, store: Path, stamp: str) -> tuple[Copy, Path | None]:
    """A backup in the place of a store; its log of people is joined with the one that is there. Raises as `restore` does."""
    result = restore(copy, store, stamp)
    try:
        restore_people_log(copy, store)
    except OSError as exc:
        raise StoreError(f"{store} is restored, but not {people_log_path(store)}: {exc.strerror}") from exc
    return result


def remove_backup(copy: Path) -> None:
    """A backup and its log of people."""
    copy.unlink(missing_ok=True)
    people_log_path(copy).unlink(missing_ok=True)


def acts(store: ReadStore, path: Path, from_ms: int, until_ms: int) -> list[Act]:
    """Acts of people from a moment until another, in order of time. Who changed the files of the plan nobody knows: `unknown`."""
    results = [
        *acts_of(people_log_path(path)),
        *_findings(store),
        *_corrections(store),
        *_records(store),
        *_issued(store),
    ]
    reported = [replace(act, person=act.person or UNKNOWN) for act in results if from_ms <= act.at_ms < until_ms]
    return sorted(reported, key=lambda act: act.at_ms)


def _findings(store: ReadStore) -> Iterator[Act]:
    tables = store.finding_tables
    for row in tables.all():
        for note in tables.notes(row.finding.id):
            if note.person:  # without one it was the program
                yield Act(note.at_ms, f"finding-{note.state}", note.person, _what(note.id, note.note))
    for work in tables.suppressions(ALWAYS_MS):
        yield Act(work.from_ms, "planned-work", work.person, _what(work.what, work.note))


def _corrections(store: ReadStore) -> Iterator[Act]:
    for item in store.corrections.all():
        what = f"correction {item.id} of {item.point} {item.register}"
        change = f"reads {item.reads}" if item.reads else f"factor {item.factor}"
        yield Act(item.made_ms, "correct", item.person, _what(f"{what}, {change}", item.reason))
        if item.withdrawn_ms is not None:
            yield Act(item.withdrawn_ms, "withdraw", item.withdrawn_by, _what(what, item.withdrawn_reason))


def _records(store: ReadStore) -> Iterator[Act]:
    for item in store.records.all():
        yield Act(item.made_ms, item.kind, item.person, _what(item.point, item.note))


def _issued(store: ReadStore) -> Iterator[Act]:
    for item in store.issued.all():
        yield Act(item.made_ms, "issue", item.person, f"{item.kind} {item.period}")


def _what(subject: str, reason: str) -> str:
    return f"{subject}: {reason}" if reason else subject
