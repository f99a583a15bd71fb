"""How well the watch does on fault-free and on faulty histories: the long form, `python -m tests.simulator.drift_study`.

Statistics of a fault-free history are made once; a fault is put into copies of the days from its date on.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from meterd.drift import WatchState, begin, clear, watch
from meterd.drift_day import DayStatistics, daily_statistics
from tests.simulator.drift_sites import Simulated, Wander

Site = Callable[[int, int, Wander], Simulated]
PATIENCE = 60  # days after a fault in which it is looked for


@dataclass(frozen=True)
class Outcome:
    """What came of one planted fault. Days count from the fault; None = never within `PATIENCE`."""

    fault: str
    found: int | None
    named: int | None
    right: bool | None
    listed: bool | None
    before: bool  # an alarm had been raised before the fault


def statistics(simulated: Simulated) -> list[DayStatistics]:
    """Of every day."""
    return [daily_statistics(simulated.net, simulated.day(d)) for d in range(simulated.days)]


def false_alarms(simulated: Simulated, days: list[DayStatistics]) -> tuple[int, list[str]]:
    """Alarms on a fault-free history, each cleared the day after."""
    state, found = begin(simulated.net), []
    for number, day in enumerate(days):
        state, suspicions = watch(state, day)
        if suspicions:
            found.append(f"day {number}: {suspicions[0].text[:160]}")
            state = clear(state)
    return len(found), found


def warmed(simulated: Simulated, days: list[DayStatistics], until: list[int]) -> Iterator[tuple[int, WatchState]]:
    """The watch as it stands before each of those days, false alarms cleared."""
    state = begin(simulated.net)
    for number, day in enumerate(days):
        if number in until:
            yield number, state
        state, suspicions = watch(state, day)
        if suspicions:
            state = clear(state)


def planted(
    simulated: Simulated, state: WatchState, first: int, point: str, factor: float, *, ramp: int = 0
) -> Outcome:
    """One instrument reads `factor` of what it read, from day `first` on (or growing over `ramp` days)."""
    wanted = f"ratio {point}"
    found = named = None
    right = listed = None
    for d in range(first, min(first + PATIENCE, simulated.days)):
        part = min(1.0, (d - first + 1) / ramp) if ramp else 1.0
        day = daily_statistics(simulated.net, simulated.day(d, {point: 1 + (factor - 1) * part}))
        state, suspicions = watch(state, day)
        if suspicions and found is None:
            found, listed = d - first + 1, wanted in [c.hypothesis for c in suspicions[0].candidates]
        if suspicions and suspicions[0].named is not None:
            named, right = d - first + 1, suspicions[0].named == wanted
            break
    return Outcome(f"{point} {factor:g}", found, named, right, listed, before=False)


def report(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    found = [o.found for o in outcomes]
    days = sorted(d if d is not None else 10**6 for d in found)
    named = [o for o in outcomes if o.named is not None]
    listed = [o for o in outcomes if o.listed]
    median, late = np.percentile(days, [50, 95], method="higher")
    right = sum(bool(o.right) for o in named)
    return (
        f"{name:<34} n={len(outcomes):<4} found {sum(d is not None for d in found)}, median {median:.0f} d, 95 % {late:.0f} d; "
        f"named {len(named)}, right {right}; in the list when found {len(listed)}"
    )


def weighty(simulated: Simulated) -> list[str]:
    """Feeders with at least a tenth of the energy of their board's feed."""
    net, energy = simulated.net, np.abs(simulated.energy).sum(axis=0)
    found = []
    for node in net.nodes:
        if node.name.startswith("board"):
            feed = energy[list(node.through)].sum()
            found += [
                net.points[i] for i, s in zip(node.points, node.signs, strict=True) if s < 0 and energy[i] >= 0.1 * feed
            ]
    return found


def detection(simulated: Simulated, days: list[DayStatistics], moments: list[int]) -> dict[str, list[Outcome]]:
    """Steps of feeds by 1 % and of weighty feeders by 2 %, up and down, at each of the moments."""
    outcomes: dict[str, list[Outcome]] = {"feed 1 %": [], "feeder 2 %": []}
    feeds = [n for n, r in zip(simulated.net.points, simulated.net.roles, strict=True) if r.value == "feed"]
    for first, state in warmed(simulated, days, moments):
        for number, point in enumerate([*feeds, *weighty(simulated)]):
            sign = 1 if (first + number) % 2 else -1
            kind, size = ("feed 1 %", 0.01) if point in feeds else ("feeder 2 %", 0.02)
            outcomes[kind].append(planted(simulated, state, first, point, 1 + sign * size))
    return outcomes
