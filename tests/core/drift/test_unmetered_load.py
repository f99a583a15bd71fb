"""A load without a meter from its first day to its end: one change, whatever days it rests on, and the instruments beside it."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from meterd.core.drift.change_life import accepted
from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.gross_errors import gross
from meterd.core.drift.identification import Candidate, Suspicion
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import Change, WatchState, begin, sums_of
from meterd.core.drift.unmetered_load import begun, hidden
from tests.simulator.drift_block import block
from tests.simulator.drift_sites import Simulated, mill
from tests.simulator.drift_study import statistics

WARM, GONE, DAYS = 63, 103, 125
LOAD = "shape board house"
Factors = Callable[[int], dict[str, float]]


@dataclass
class Story:
    """What was said on each day since the load came: names (None where nobody), and the first of each list."""

    state: WatchState
    said: dict[int, list[tuple[str | None, str]]] = field(default_factory=dict)

    @property
    def meters(self) -> set[str]:
        """Instruments that were named."""
        return {name for day in self.said.values() for name, _ in day if name is not None and name.startswith("ratio")}


def told(
    simulated: Simulated,
    factors: Factors = lambda _: {},
    order: Callable[[int, WatchState], WatchState] = lambda _, state: state,
) -> Story:
    """All days through the watch; `order` may change it before a day."""
    story = Story(begin(simulated.net))
    for d in range(len(simulated.energy) // simulated.per_day):
        state = order(d, story.state)
        story.state, suspicions = monitor_day(state, daily_statistics(simulated.net, simulated.day(d, factors(d))))
        if d >= WARM:
            story.said[d] = [(suspicion.named, suspicion.candidates[0].hypothesis) for suspicion in suspicions]
    return story


def loaded(kind: str, seed: int, *, gone: int = GONE, days: int = DAYS, size_kw: float = 5.0) -> Simulated:
    return block(seed, days, kind=kind, size_kw=size_kw, from_day=WARM, until_day=gone, begin_day=30 * (seed % 12))


@pytest.mark.parametrize(
    ("kind", "seed"), [("work", 36), ("work", 52), ("evening", 32), ("night", 38), ("cycling", 35)]
)
def test_a_load_is_one_change_from_its_beginning_and_over_within_two_weeks_of_its_end(kind: str, seed: int) -> None:
    """Five days of seven, every evening, in and out within the hour: 10 kW had been up to five changes of which some never
    ended, with meters named; two of such years ended the watch with an exception."""
    simulated = loaded(kind, seed, size_kw=10.0)
    story = told(simulated)
    counts = [len(day) for day in story.said.values()]
    first = next(d for d, day in story.said.items() if day)
    assert first <= WARM + 6
    assert max(counts) == 1
    assert all(story.said[d] for d in range(first, GONE)), "it is there all the time"
    assert story.meters == set()
    last = max(d for d, day in story.said.items() if day)
    assert GONE - 1 <= last <= GONE + 13
    (end,) = story.state.ended
    t0 = int(simulated.start_ms[0])
    assert (end.how, GONE - 3 <= (end.at_ms - t0) / 86_400_000 <= GONE + 1) == ("as-before", True)
    assert story.state.renewals == (), "the instruments keep the baseline that they had"


@pytest.mark.parametrize(("point", "factor"), [("flats", 0.9), ("kitchen", 0.9), ("main", 0.97)])
def test_a_fault_of_a_meter_beside_it_is_found_and_named(point: str, factor: float) -> None:
    story = told(loaded("work", 31, gone=DAYS), lambda d: {point: factor} if WARM + 10 <= d < WARM + 45 else {})
    named = [d for d, day in story.said.items() if (f"ratio {point}", f"ratio {point}") in day]
    assert story.meters == {f"ratio {point}"}
    assert WARM + 10 <= named[0] <= WARM + 40
    assert named[-1] <= WARM + 53, "and its repair is seen"
    assert story.said[DAYS - 1] == [(LOAD, LOAD)]


def test_an_accepted_load_is_silent_and_so_is_its_end_and_then_whole_days_tell_again() -> None:
    """The daily shape of it had been reported anew again and again."""
    simulated = loaded("evening", 34)
    story = told(simulated, order=lambda d, s: accepted(s, s.changes, s.recent[-1].end_ms) if d == WARM + 10 else s)
    assert all(not day for d, day in story.said.items() if d >= WARM + 10)
    assert hidden(story.state) == frozenset()


def test_a_load_that_doubles_is_reported_anew() -> None:
    """Servers of 11 kW that read nothing look like more of it: nothing within the hour tells them from a load."""
    simulated = loaded("work", 31, gone=DAYS)
    story = told(simulated, lambda d: {"servers": 1 / 3} if d >= WARM + 30 else {})
    (suspicion,) = story.state.suspicions
    assert suspicion.candidates[0].hypothesis == LOAD
    assert suspicion.candidates[0].step > 7
    assert suspicion.change_ms < int(simulated.start_ms[(WARM + 2) * simulated.per_day])


def test_a_gross_fault_beside_it_is_found_on_its_day_and_the_load_is_none() -> None:
    simulated = loaded("work", 33, gone=DAYS, days=WARM + 25)
    state = told(simulated).state
    assert state.learner is not None
    fit, free, day = state.learner.fit, hidden(state), WARM + 24
    assert gross(simulated.net, simulated.day(day), fit, free=free) is None
    for point in ("main", "flats", "kitchen"):
        suspicion = gross(simulated.net, simulated.day(day, {point: 0.5}), fit, free=free)
        assert suspicion is not None
        assert suspicion.named == f"ratio {point}"
        assert suspicion.candidates[0].step == pytest.approx(-0.5, abs=0.1)


def test_days_say_the_same_whether_they_were_learned_before_or_after_the_load_was_seen() -> None:
    """The sums of the watch are those of its days as the loads let them tell, each with its weight."""
    state = told(loaded("work", 33, days=WARM + 40, gone=WARM + 40)).state
    load = state.loads[0]
    assert load.power_kw == pytest.approx(5.0 * 5 / 7, rel=0.25)
    assert load.until_ms is None
    i = state.network.points.index("flats")
    assert state.learner is not None
    assert np.sqrt(state.learner.fit.covariance[i, i]) < 0.01, "its baseline is not lost"


def test_a_load_whose_node_is_another_by_more_days_has_the_sums_of_that_node() -> None:
    """The list of a change was led by a load of one node, then by one of another: its sums are kept from day to day, and those
    of the first node, of another size, ended the watch with a ValueError."""
    simulated = mill(2100, 8)
    state = begin(simulated.net)
    for day in statistics(simulated):
        state, _ = monitor_day(state, day)
    assert state.summed, "there are days to sum again"
    first, second = (node.name for node in state.network.nodes[:2])
    for node in (first, second):
        state = begun(state, _load_at(state, node))
        assert hidden(state) == {node}
    sizes = [len(node.S0) for node in state.recent[-1].nodes]
    assert sizes[0] != sizes[1]
    assert [len(sums.S0) for sums in sums_of(state, state.recent[-1])] == sizes
    assert [len(sums.S0) for sums in state.sums] == sizes


def _load_at(state: WatchState, node: str) -> Change:
    """The change of the first day, a load at a node by what is known of it."""
    first = state.recent[0].start_ms
    load = Candidate(
        f"shape {node}",
        "shape",
        (),
        node,
        5.0,
        0.5,
        unit="kW",
        statistic=99.0,
        odds=1.0,
        correlation=0.0,
        hours=(8, 17),
    )
    text = Suspicion("drift", first + 1, first, 3, load.hypothesis, (load,), "", 1.0, "", "", 0.1)
    assert state.learner is not None
    return Change(first + 1, first, first, 0, state.learner.fit, np.ones(1), suspicion=text)
