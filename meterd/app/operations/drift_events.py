"""What people did, for the watches: exchanges, corrections, changes taken as the new normal."""

import json
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass

from meterd.adapters.store.read_store import ReadStore
from meterd.core.drift.change_life import accepted, corrected, exchanged, free
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.drift.identification import Suspicion
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import Change, WatchState
from meterd.core.errors import ConfigError
from meterd.core.model.facts import Facts
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT

ACCEPTED = "drift_accepted"  # fact of a store: changes that people have accepted, as JSON
UNUSUAL_ACCEPTED = "unusual_accepted"  # the same for use that is now usual
FACTS = {
    "drift": ACCEPTED,
    "balance-shift": ACCEPTED,
    "unusual-use": UNUSUAL_ACCEPTED,
}  # of findings that can be accepted


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A finding that somebody has taken as the new normal; `since_ms` is when the finding says it was seen."""

    id: str
    points: tuple[str, ...]
    since_ms: int
    at_ms: int
    person: str
    note: str


def accepted_before(store: Facts, fact: str = ACCEPTED) -> list[Acceptance]:
    """All acceptances of a store of one kind, oldest first."""
    result = json.loads(store.fact(fact) or "[]")
    return [Acceptance(**{**item, "points": tuple(item["points"])}) for item in result]


def with_acceptance(store: Facts, finding: Finding, at_ms: int, *, person: str, note: str) -> tuple[str, str]:
    """The fact with one more acceptance: its name and value. ConfigError for a finding that cannot be the new normal."""
    if finding.cause not in FACTS:
        raise ConfigError(
            f"{finding.id} is no change of an instrument or load that could be the new normal; --close ends it"
        )
    named = finding.points if finding.cause == "balance-shift" else (finding.subject,)
    acceptance = Acceptance(finding.id, named, finding.at_ms, at_ms, person, note)
    every = (*accepted_before(store, FACTS[finding.cause]), acceptance)
    return FACTS[finding.cause], json.dumps([asdict(item) for item in every], ensure_ascii=False)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that was done at a moment: what it does to the watch. `mixed`: the day it falls into is of two instruments."""

    at_ms: int
    work: Callable[[WatchState, int], WatchState]
    mixed: bool = False


def events(
    store: ReadStore, site: Site, points: tuple[str, ...], finding_id: Callable[[Suspicion], str]
) -> list[Event]:
    """All that was done to the instruments of some points, in order of time."""
    results = [*_exchanges(site, points), *_corrections(store, points)]
    results += [_acceptance(acceptance, points, finding_id) for acceptance in accepted_before(store)]
    return sorted(results, key=lambda event: event.at_ms)


def _exchanges(site: Site, points: tuple[str, ...]) -> Iterable[Event]:
    for point in points:
        fitted = sorted(site.instruments_of(point), key=lambda instrument: instrument.from_ms)
        for new in fitted[1:]:
            yield Event(new.from_ms, lambda state, at_ms, point=point: exchanged(state, [point], at_ms), mixed=True)  # type: ignore[misc]


def _corrections(store: ReadStore, points: tuple[str, ...]) -> Iterable[Event]:
    for correction in store.corrections.all():
        if (
            correction.point in points
            and correction.register in (IMPORT, EXPORT)
            and not correction.reads
            and correction.withdrawn_ms is None
        ):
            yield Event(
                correction.from_ms,
                lambda state, at_ms, point=correction.point: corrected(state, [point], at_ms),  # type: ignore[misc]
            )


def _acceptance(acceptance: Acceptance, points: tuple[str, ...], finding_id: Callable[[Suspicion], str]) -> Event:
    def work(state: WatchState, at_ms: int) -> WatchState:
        meant = [
            c for c in state.changes if c.suspicion is not None and not c.quiet and _means(acceptance, c, finding_id)
        ]
        if meant:
            return accepted(state, meant, at_ms)
        here = tuple(name for name in acceptance.points if name in points)
        return free(state, here, acceptance.since_ms) if len(here) == 1 else state

    return Event(acceptance.at_ms, work)


def _means(acceptance: Acceptance, change: Change, finding_id: Callable[[Suspicion], str]) -> bool:
    assert change.suspicion is not None, "it is told"
    listed = {name for candidate in change.suspicion.candidates for name in candidate.points}
    return finding_id(change.suspicion) == acceptance.id or (
        bool(acceptance.points) and set(acceptance.points) <= listed
    )


def followed_through(state: WatchState, days: Iterable[DayStatistics], happened: list[Event]) -> WatchState:
    """The watch after all days, with what was done in between."""
    waiting = list(happened)
    for day in days:
        mixed = False
        while waiting and waiting[0].at_ms < day.end_ms:
            event = waiting.pop(0)
            at_ms = day.end_ms if event.mixed and event.at_ms > day.start_ms else day.start_ms
            mixed |= at_ms == day.end_ms
            state = event.work(state, at_ms)
        if not mixed:
            state, _ = monitor_day(state, day)
    for event in waiting:
        state = event.work(state, event.at_ms)
    return state
