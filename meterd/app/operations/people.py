"""Who did what at a site, in one list: from the tables of its store and the log of people beside it."""

from collections.abc import Iterator
from pathlib import Path

from meterd.adapters.runtime.people_log import Act, acts_of, people_log_path
from meterd.adapters.store.read_store import ReadStore

ALWAYS_MS = -(2**62)


def acts(store: ReadStore, path: Path, from_ms: int, until_ms: int) -> list[Act]:
    """Acts of people from a moment until another, in order of time."""
    found = [
        *acts_of(people_log_path(path)),
        *_findings(store),
        *_corrections(store),
        *_records(store),
        *_issued(store),
    ]
    return sorted((act for act in found if from_ms <= act.at_ms < until_ms), key=lambda act: act.at_ms)


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
