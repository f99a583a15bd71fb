"""What people did, for the watches: exchanges, corrections, changes taken as the new normal."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from meterd.app.operations.acceptances import Acceptance, accepted_before
from meterd.core.drift.change_life import accepted, corrected, exchanged, free
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.drift.identification import Suspicion
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import Change, WatchState
from meterd.core.model.facts import Facts
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.registers.corrections import Correction


class CorrectionList(Protocol):
    """Corrections, wherever they are stored."""

    def all(self) -> Sequence[Correction]:
        """Every correction ever, oldest first, withdrawn ones included."""


class Entered(Facts, Protocol):
    """What people have entered: corrections, and acceptances among the facts."""

    @property
    def corrections(self) -> CorrectionList:
        """Dated corrections of factors and readings."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that was done at a moment: what it does to the watch. `mixed`: the day it falls into is of two instruments."""

    at_ms: int
    work: Callable[[WatchState, int], WatchState]
    mixed: bool = False


def events(store: Entered, site: Site, points: tuple[str, ...], finding_id: Callable[[Suspicion], str]) -> list[Event]:
    """All that was done to the instruments of some points, in order of time."""
    results = [*_exchanges(site, points), *_corrections(store, points)]
    results += [_acceptance(acceptance, points, finding_id) for acceptance in accepted_before(store)]
    return sorted(results, key=lambda event: event.at_ms)


def _exchanges(site: Site, points: tuple[str, ...]) -> Iterable[Event]:
    for point in points:
        fitted = sorted(site.instruments_of(point), key=lambda instrument: instrument.from_ms)
        for new in fitted[1:]:
            yield Event(new.from_ms, lambda state, at_ms, point=point: exchanged(state, [point], at_ms), mixed=True)  # type: ignore[misc]


def _corrections(store: Entered, points: tuple[str, ...]) -> Iterable[Event]:
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
