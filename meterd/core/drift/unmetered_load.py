"""The life of a load without a meter, which stands in the balance and in no instrument.

Nobody knows what it will draw next, so while it lasts the power of every hour at its node is free (`sums_of`): only what
happens within the hour tells of the instruments there, their baseline stays as it was, and a day on which the load rests is no
other change. Its end shows in its own hours: for a week next to nothing is missing in them.
"""

from dataclasses import replace

import numpy as np

from meterd.core.drift.baseline import places
from meterd.core.drift.baseline_renewal import with_fresh_charts
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.drift.load_shape import missing_kw
from meterd.core.drift.monitor_state import (
    KEEP,
    Change,
    UnmeteredLoad,
    WatchState,
    lasting_loads,
    sums_of,
    unlearned,
)

WEEK = 7  # days for an end: a load that rests on some days of the week is not gone
MORE = 0.5  # of its power: when a week has so much more or less, another load has come or half of it is gone
STEADY = 0.15  # of the mean of a week: its newest days are not further from it
LEFT = 0.25  # of its power on the mean of a week: less is nothing
SHORTEST = 3  # days that show how a week goes on
RUNS = 0.5  # of its power: more on a day, and it has run


def begun(state: WatchState, change: Change, power_from_ms: int | None = None) -> WatchState:
    """A change is a load without a meter: the hours of its node are free since it began.

    `power_from_ms`: since when it has the power that it has now; by default since it began.
    """
    head = change.load
    assert head is not None, "it is one"
    node = next(k for k, node in enumerate(state.network.nodes) if node.name == head.node)
    days = [d for d in state.recent if (power_from_ms or change.from_ms) <= d.start_ms]
    power = _mean(state, days, UnmeteredLoad(node, change.from_ms, change.found_ms, 0.0, head.hours)) or head.step
    same = (
        unmetered_load.node_sums
        for unmetered_load in state.loads
        if (unmetered_load.owner, unmetered_load.from_ms, unmetered_load.node)
        == (change.found_ms, change.from_ms, node)
    )
    load = UnmeteredLoad(node, change.from_ms, change.found_ms, power, head.hours, node_sums=next(same, {}))
    unmetered_loads = tuple(unmetered_load for unmetered_load in state.loads if unmetered_load.owner != change.found_ms)
    return _resummed(replace(state, loads=(*unmetered_loads, load)), state)


def hidden(state: WatchState, owner: int | None = None) -> frozenset[str]:
    """The nodes whose hours are free, but for the load of one owner."""
    return frozenset(
        state.network.nodes[unmetered_load.node].name
        for unmetered_load in lasting_loads(state)
        if unmetered_load.owner != owner
    )


def gone(state: WatchState, load: UnmeteredLoad) -> int | None:
    """The day since which nothing of a load is seen; None while it lasts."""
    days = [d for d in state.recent[-WEEK:] if d.start_ms >= load.owner]
    power = _mean(state, days, load)
    if len(days) < WEEK or power is None or power / load.power_kw >= LEFT:
        return None
    ran = [d.end_ms for d in state.recent if d.start_ms >= load.from_ms and _ran(state, d, load)]
    return max(ran, default=days[0].start_ms)


def otherwise(state: WatchState, load: UnmeteredLoad) -> int | None:
    """The start of the last week if a load has drawn much more or less in it than is known of it, and so have its last days.

    A week that has only begun to differ would give a part of the power.
    """
    days = [d for d in state.recent[-WEEK:] if d.start_ms >= load.owner]
    power, newest = _mean(state, days, load), _mean(state, days[-SHORTEST:], load)
    if len(days) < WEEK or power is None or newest is None or abs(power / load.power_kw - 1) < MORE:
        return None
    return days[0].start_ms if abs(newest / power - 1) < STEADY else None


def _ran(state: WatchState, day: DayStatistics, load: UnmeteredLoad) -> bool:
    power = _missing(state, day, load)
    return power is not None and power / load.power_kw > RUNS


def _mean(state: WatchState, days: list[DayStatistics], load: UnmeteredLoad) -> float | None:
    seen = [power for day in days if (power := _missing(state, day, load)) is not None]
    return float(np.mean(seen)) if seen else None


def _missing(state: WatchState, day: DayStatistics, load: UnmeteredLoad) -> float | None:
    if day.course is None or state.learner is None:
        return None
    mean = state.learner.fit.mean[places(state.network)[load.node]]
    return missing_kw(state.network, day.course, load.node, mean, load.hours)


def over(state: WatchState, owner: int, at_ms: int) -> WatchState:
    """The load of a change is gone since a day: from then on whole days tell again."""
    loads = tuple(
        replace(unmetered_load, until_ms=at_ms) if unmetered_load.owner == owner else unmetered_load
        for unmetered_load in state.loads
    )
    first = state.recent[0].start_ms if state.recent else at_ms
    unmetered_loads = tuple(
        unmetered_load
        for unmetered_load in loads
        if unmetered_load.until_ms is None or max(unmetered_load.until_ms, unmetered_load.from_ms + 1) > first
    )
    return with_fresh_charts(_resummed(replace(state, loads=unmetered_loads), state))


def never(state: WatchState, owner: int) -> WatchState:
    """It is no load after all, or one that is as steady as a baseline can hold: its days tell as all others do."""
    return _resummed(
        replace(state, loads=tuple(unmetered_load for unmetered_load in state.loads if unmetered_load.owner != owner)),
        state,
    )


def taken_as_normal(state: WatchState, owner: int) -> WatchState:
    """Nothing more is said of the load of a change. What it draws stays unknown until it is gone."""
    loads = tuple(
        replace(unmetered_load, accepted=True) if unmetered_load.owner == owner else unmetered_load
        for unmetered_load in state.loads
    )
    return replace(state, loads=loads)


def _resummed(state: WatchState, before: WatchState) -> WatchState:
    """The sums of learned days as the loads of now let them tell, each with the weight that it has by now."""
    taken = state.recent[: len(state.recent) - unlearned(state)]
    sums, weight = state.sums, 1.0
    for day in reversed(taken[max(len(taken) - state.summed, 0) :]):
        was, now = sums_of(before, day), sums_of(state, day)
        if was is not now:
            pairs = zip(sums, was, now, strict=True)
            sums = tuple(a.plus(b.times(-weight)).plus(c.times(weight)) for a, b, c in pairs)
        weight *= KEEP
    return replace(state, sums=sums)
