"""What people did to instruments reaches the watch once, at its moment, and only where it concerns it."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.acceptances import with_acceptance
from meterd.app.operations.drift_events import Event, events, followed_through
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.drift.identification import Suspicion
from meterd.core.drift.monitor_state import WatchState, begin
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Board, Instrument, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER
from meterd.core.registers.corrections import Correction
from tests.simulator.drift_sites import Simulated, grid
from tests.simulator.drift_study import statistics

DRIFT = Finding("drift", "feeder1", 5_000, "reads less", "look", ("feeder1", "feeder2"))
WARM, DAYS = 60, 80
FEEDERS = tuple(f"feeder{n}" for n in range(1, 8))


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return SqliteStore.writer(tmp_path / "s.sqlite")


@pytest.fixture(scope="module")
def simulated() -> Simulated:
    """feeder1 reads 5 % less from day `WARM` on."""
    result = grid(11, DAYS)
    column = result.net.points.index("feeder1")
    result.energy[WARM * result.per_day :, column] = result.energy[WARM * result.per_day :, column] * 0.95
    return result


@pytest.fixture(scope="module")
def days(simulated: Simulated) -> list[DayStatistics]:
    return statistics(simulated)


def named(suspicion: Suspicion) -> str:
    """The id of its finding, as short as a test needs it."""
    return (
        f"drift-{suspicion.candidates[0].points[0]}"
        if suspicion.named and suspicion.candidates[0].points
        else "balance-shift"
    )


def accept(store: SqliteStore, finding: Finding, at_ms: int) -> None:
    with store.transaction():
        store.set_fact(*with_acceptance(store, finding, at_ms, person="Ada", note="as it is"))


def site(*fitted: Instrument) -> Site:
    points = tuple(Point(name, "north", Role.FEEDER) for name in FEEDERS)
    return Site("mill", "UTC", boards=(Board("north"),), points=points, instruments=fitted)


def told(state: WatchState) -> list[str]:
    return [named(suspicion) for suspicion in state.suspicions]


def test_what_was_found_is_silent_from_the_acceptance_on(
    store: SqliteStore, simulated: Simulated, days: list[DayStatistics]
) -> None:
    at_ms = days[WARM + 8].start_ms + 3_600_000
    accept(store, replace(DRIFT, at_ms=days[WARM].start_ms), at_ms)
    happened = events(store, site(), simulated.net.points, named)
    assert [event.at_ms for event in happened] == [at_ms]
    before = followed_through(begin(simulated.net), days[: WARM + 8], happened[:0])
    assert told(before) == ["drift-feeder1"]
    after = followed_through(begin(simulated.net), days, happened)
    assert told(after) == []
    assert [ended_change.how for ended_change in after.ended] == ["accepted"]


def test_what_the_watch_has_not_found_yet_is_accepted_all_the_same(
    store: SqliteStore, simulated: Simulated, days: list[DayStatistics]
) -> None:
    """The search of one day saw it first: its meter begins anew since the day that the finding says."""
    accept(store, replace(DRIFT, at_ms=days[WARM].start_ms), days[WARM].end_ms)
    state = followed_through(begin(simulated.net), days, events(store, site(), simulated.net.points, named))
    assert told(state) == []
    (renewal,) = state.renewals
    assert state.tests[renewal.test].name == "ratio feeder1"
    assert renewal.at_ms == days[WARM].start_ms


def test_an_acceptance_of_others_changes_nothing(
    store: SqliteStore, simulated: Simulated, days: list[DayStatistics]
) -> None:
    """Of a meter of another part; and of a balance that nothing is said of, where nobody knows which meter is meant."""
    accept(store, replace(DRIFT, subject="elsewhere", points=("elsewhere",)), days[WARM + 8].start_ms)
    accept(store, replace(DRIFT, cause="balance-shift", subject="x", points=("feeder3", "feeder4")), days[5].start_ms)
    state = followed_through(begin(simulated.net), days, events(store, site(), simulated.net.points, named))
    assert told(state) == ["drift-feeder1"]
    assert all(state.tests[renewal.test].name == "ratio feeder1" for renewal in state.renewals)


# -- exchanges and corrections -----------------------------------------------------------------------------------------


def done_to(event: Event, state: WatchState) -> set[str]:
    """The hypotheses that begin anew by an event."""
    return {state.tests[r.test].name for r in event.work(state, state.recent[-1].end_ms).renewals}


def test_every_instrument_but_the_first_of_a_point_is_an_exchange(
    store: SqliteStore, simulated: Simulated, days: list[DayStatistics]
) -> None:
    fitted = site(
        Instrument("feeder2", 0), Instrument("feeder2", 7_000), Instrument("feeder1", 0), Instrument("gone", 3)
    )
    state = followed_through(begin(simulated.net), days[:30], [])
    (event,) = events(store, fitted, ("feeder1", "feeder2"), named)
    assert (event.at_ms, event.mixed) == (7_000, True)
    assert done_to(event, state) == {"ratio feeder2"}


def test_factors_of_energies_count_and_nothing_else(
    store: SqliteStore, simulated: Simulated, days: list[DayStatistics]
) -> None:
    """No reading that was corrected, no other register, nothing withdrawn, no point of another part."""
    correction = Correction(0, "feeder1", IMPORT, 1_000, None, "1.05", "plate", "Ada", 9_000)
    with store.transaction():
        for other in (
            replace(correction, register=EXPORT, from_ms=2_000),
            replace(correction, register=POWER),
            replace(correction, reads="5", factor=""),
            replace(correction, point="elsewhere"),
            correction,
        ):
            store.corrections.add(other)
        withdrawn = store.corrections.add(replace(correction, from_ms=500))
        store.corrections.withdraw(withdrawn, 9_500, person="Bo", reason="wrong")
    happened = events(store, site(), simulated.net.points, named)
    assert [(e.at_ms, e.mixed) for e in happened] == [(1_000, False), (2_000, False)]
    state = followed_through(begin(simulated.net), days[:30], [])
    assert done_to(happened[0], state) == {"ratio feeder1"}


# -- in between the days -----------------------------------------------------------------------------------------------


def noting(into: list[tuple[str, int, int]], name: str) -> Callable[[WatchState, int], WatchState]:
    def work(state: WatchState, at_ms: int) -> WatchState:
        into.append((name, at_ms, state.seen))
        return state

    return work


def test_events_happen_at_the_beginning_of_their_day_and_an_exchange_at_its_end(
    simulated: Simulated, days: list[DayStatistics]
) -> None:
    """A day of two instruments is not looked at; one that is exchanged at midnight has but one."""
    noted: list[tuple[str, int, int]] = []
    hour = 3_600_000
    happened = [
        Event(days[0].start_ms - hour, noting(noted, "before the history")),
        Event(days[2].start_ms + hour, noting(noted, "corrected")),
        Event(days[4].start_ms, noting(noted, "exchanged at midnight"), mixed=True),
        Event(days[6].start_ms + hour, noting(noted, "exchanged"), mixed=True),
        Event(days[9].end_ms + hour, noting(noted, "after the history")),
    ]
    state = followed_through(begin(simulated.net), days[:10], happened)
    assert noted == [
        ("before the history", days[0].start_ms, 0),
        ("corrected", days[2].start_ms, 2),
        ("exchanged at midnight", days[4].start_ms, 4),
        ("exchanged", days[6].end_ms, 6),
        ("after the history", days[9].end_ms + hour, 9),
    ]
    assert state.seen == 9, "the day of the exchange is left out"
