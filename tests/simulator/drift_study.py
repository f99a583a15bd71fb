"""How well the watch does on fault-free and on faulty histories: the long form, `python -m tests.simulator.drift_study`.

Statistics of a fault-free history are made once; a fault is put into copies of the days from its date on. False alarms use seeds
from the first on, steps from 100 and ramps from 300 above it. Which seeds were used on the way is said in DEVELOPERS.md.
"""

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from meterd.drift import WatchState, begin, clear, watch
from meterd.drift_day import DayStatistics, daily_statistics
from meterd.drift_gross import gross
from tests.simulator.drift_sites import Simulated, Wander, grid, mill

Site = Callable[[int, int, Wander], Simulated]
QUIET, LOUD = Wander(), Wander(hours=0.004, days=0.001)
PATIENCE = 60  # days after a fault in which it is looked for


@dataclass(frozen=True)
class Outcome:
    """What came of one planted fault. Days count from the fault; None = never within `PATIENCE`."""

    fault: str
    found: int | None
    named: int | None
    right: bool | None
    listed: bool | None


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
    return follow(
        simulated,
        state,
        first,
        wanted,
        lambda d: {point: 1 + (factor - 1) * (min(1.0, (d + 1) / ramp) if ramp else 1.0)},
    )


def follow(
    simulated: Simulated,
    state: WatchState,
    first: int,
    wanted: str,
    factors: Callable[[int], dict[str, float]],
    extra: Callable[[int], dict[str, np.ndarray]] | None = None,
) -> Outcome:
    """Days from `first` on with the factors (and added energies) of each, until the change is named or patience ends."""
    found = named = None
    right = listed = None
    for d in range(first, min(first + PATIENCE, simulated.days)):
        table = simulated.day(d, factors(d - first), extra(d - first) if extra else None)
        day = daily_statistics(simulated.net, table)
        state, suspicions = watch(state, day)
        if suspicions and found is None:
            found, listed = d - first + 1, wanted in [c.hypothesis for c in suspicions[0].candidates]
        if suspicions and suspicions[0].named is not None:
            named, right = d - first + 1, suspicions[0].named == wanted
            break
    return Outcome(wanted, found, named, right, listed)


def creeping(seed: int, end: float, *, first: int = 80, lasts: int = 200, size: Wander = QUIET) -> Outcome:
    """What comes of a feed of the grid that creeps to 1 + `end`, followed to the end of the history or until it is named."""
    simulated = grid(seed, first + lasts + 40, size)
    state = begin(simulated.net)
    days, listed = None, None
    for d in range(simulated.days):
        part = end * min(max(d - first, 0) / lasts, 1.0)
        state, found = watch(state, daily_statistics(simulated.net, simulated.day(d, {"main": 1 + part})))
        if found and days is None:
            days, listed = d - first, "ratio main" in [c.hypothesis for c in found[0].candidates]
        if found and found[0].named is not None:
            return Outcome("main", days, d - first, found[0].named == "ratio main", listed)
    return Outcome("main", days, None, None, listed)


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


def reversed_transformer(simulated: Simulated, days: list[int], state: WatchState | None) -> list[Outcome]:
    """One current transformer of three reversed at each point with 5 % of the energy, judged on that day alone."""
    energy, outcomes = np.abs(simulated.energy).sum(axis=0), []
    for number, point in enumerate(simulated.net.points):
        if energy[number] >= 0.05 * energy.max():
            table = simulated.day(days[number % len(days)], {point: 1 / 3})
            fit = state.learner.fit if state is not None and state.learner is not None else None
            found = gross(simulated.net, table, fit)
            names = [] if found is None else [c.hypothesis for c in found.candidates]
            named = None if found is None or found.named is None else 1
            right = None if found is None or named is None else found.named == f"ratio {point}"
            outcomes.append(
                Outcome(point, None if found is None else 1, named, right, f"ratio {point}" in names if found else None)
            )
    return outcomes


SITES: dict[str, Site] = {"solved grid": grid, "mill": mill}


def main(arguments: list[str]) -> None:
    """Print the table; the first argument shortens it (a whole run is 1.0), the second is the first seed."""
    share = float(arguments[0]) if arguments else 1.0
    first = int(arguments[1]) if len(arguments) > 1 else 500
    for name, site in SITES.items():
        for level, size in (("quiet", QUIET), ("loud", LOUD)):
            begun, total, alarms = time.monotonic(), 0, 0
            runs, length = (4, 1826) if site is grid else (2, 1826)
            for seed in range(max(1, round(runs * share))):
                simulated = site(first + seed, round(length * min(1.0, 4 * share)), size)
                count, texts = false_alarms(simulated, statistics(simulated))
                total, alarms = total + simulated.days, alarms + count
                print("".join(f"    seed {first + seed} {text}\n" for text in texts), end="")
            print(
                f"{name} {level}: {alarms} false alarms in {total} days ({time.monotonic() - begun:.0f} s)", flush=True
            )
            every: dict[str, list[Outcome]] = {}
            for seed in range(max(1, round(3 * share))):
                simulated = site(first + 100 + seed, 470, size)
                days = statistics(simulated)
                for kind, outcomes in detection(simulated, days, [75, 150, 240, 330, 400]).items():
                    every[kind] = every.get(kind, []) + outcomes
                late = next(s for _, s in warmed(simulated, days, [400]))
                every["one CT reversed, first day"] = every.get(
                    "one CT reversed, first day", []
                ) + reversed_transformer(simulated, [3, 90, 180, 270], None)
                key = "one CT reversed, with baseline"
                every[key] = every.get(key, []) + reversed_transformer(simulated, [401, 405, 410], late)
            for kind, outcomes in every.items():
                print(f"{name} {level}: {report(kind, outcomes)}", flush=True)
            for kind in ("feed 1 %", "feeder 2 %"):
                slow = [
                    (o.fault, o.found, o.named, o.right)
                    for o in every[kind]
                    if o.found is None or o.found > 30 or o.right is False
                ]
                print(f"    late, missed or wrong: {slow}", flush=True)
    for level, size in (("quiet", QUIET), ("loud", LOUD)):
        ramps = [creeping(first + 300 + n, end, size=size) for n in range(round(12 * share)) for end in (0.03, -0.03)]
        found = sorted(o.found for o in ramps if o.found is not None)
        print(f"grid {level}: {report('3 % of the feed in 200 days', ramps)}; after {found} days")


if __name__ == "__main__":
    main(sys.argv[1:])
