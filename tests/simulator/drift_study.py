"""How well the watch does on fault-free and on faulty histories: the long form, `python -m tests.simulator.drift_study`.

Statistics of a fault-free history are made once; a fault is put into copies of the days from its date on. False alarms use seeds
from the first on, steps from 100 and ramps from 300 above it. Which seeds were used on the way is said in RESULTS.md.
"""

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from meterd.core.balance.topology import Network
from meterd.core.drift.change_life import accepted
from meterd.core.drift.daily_statistics import DayStatistics, daily_statistics
from meterd.core.drift.gross_errors import gross
from meterd.core.drift.identification import Suspicion
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import WatchState, begin
from tests.simulator.drift_lives import Tally, lives
from tests.simulator.drift_sites import Simulated, Wander, grid, mill

Site = Callable[[int, int, Wander], Simulated]
QUIET, LOUD = Wander(), Wander(hours=0.004, days=0.001)
MOMENTS = [75, 150, 240, 330, 400]  # days on which a fault begins
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


def replay(network: Network, days: Iterable[DayStatistics]) -> tuple[WatchState, tuple[Suspicion, ...]]:
    """The state after some days in their order, and what is suspected on the last of them."""
    state, suspicions = begin(network), tuple[Suspicion, ...]()
    for day in days:
        state, suspicions = monitor_day(state, day)
    return state, suspicions


def false_alarms(simulated: Simulated, days: list[DayStatistics]) -> tuple[int, list[str]]:
    """Alarms on a fault-free history, each accepted on the day."""
    state, results = begin(simulated.net), []
    for number, day in enumerate(days):
        state, suspicions = monitor_day(state, day)
        if suspicions:
            results.append(f"day {number}: {suspicions[0].text[:160]}")
            state = accepted(state, state.changes, day.end_ms)
    return len(results), results


def warmed(simulated: Simulated, days: list[DayStatistics], until: list[int]) -> Iterator[tuple[int, WatchState]]:
    """The watch as it stands before each of those days, false alarms cleared."""
    state = begin(simulated.net)
    for number, day in enumerate(days):
        if number in until:
            yield number, state
        state, _ = monitor_day(state, day)
        state = accepted(state, state.changes, day.end_ms)


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
    result = named = None
    right = listed = None
    for d in range(first, min(first + PATIENCE, simulated.days)):
        table = simulated.day(d, factors(d - first), extra(d - first) if extra else None)
        day = daily_statistics(simulated.net, table)
        state, suspicions = monitor_day(state, day)
        if suspicions and result is None:
            result, listed = d - first + 1, wanted in [c.hypothesis for c in suspicions[0].candidates]
        if suspicions and suspicions[0].named is not None:
            named, right = d - first + 1, suspicions[0].named == wanted
            break
    return Outcome(wanted, result, named, right, listed)


def creeping(seed: int, end: float, *, first: int = 80, lasts: int = 200, size: Wander = QUIET) -> Outcome:
    """What comes of a feed of the grid that creeps to 1 + `end`, followed to the end of the history or until it is named."""
    simulated = grid(seed, first + lasts + 40, size)
    state = begin(simulated.net)
    days, listed = None, None
    for d in range(simulated.days):
        part = end * min(max(d - first, 0) / lasts, 1.0)
        state, suspicions = monitor_day(state, daily_statistics(simulated.net, simulated.day(d, {"main": 1 + part})))
        if suspicions and days is None:
            days, listed = d - first, "ratio main" in [c.hypothesis for c in suspicions[0].candidates]
        if suspicions and suspicions[0].named is not None:
            return Outcome("main", days, d - first, suspicions[0].named == "ratio main", listed)
    return Outcome("main", days, None, None, listed)


def report(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    results = [o.found for o in outcomes]
    days = sorted(d if d is not None else 10**6 for d in results)
    named = [o for o in outcomes if o.named is not None]
    listed = [o for o in outcomes if o.listed]
    median, late = np.percentile(days, [50, 95], method="higher")
    right = sum(bool(o.right) for o in named)
    return (
        f"{name:<34} n={len(outcomes):<4} found {sum(d is not None for d in results)}, median {median:.0f} d, 95 % {late:.0f} d; "
        f"named {len(named)}, right {right}; in the list when found {len(listed)}"
    )


def weighty(simulated: Simulated) -> list[str]:
    """Feeders with at least a tenth of the energy of their board's feed."""
    net, energy = simulated.net, np.abs(simulated.energy).sum(axis=0)
    results = []
    for node in net.nodes:
        if node.name.startswith("board"):
            feed = energy[list(node.through)].sum()
            results += [
                net.points[i] for i, s in zip(node.points, node.signs, strict=True) if s < 0 and energy[i] >= 0.1 * feed
            ]
    return results


def detection(simulated: Simulated, states: Iterable[tuple[int, WatchState]]) -> dict[str, list[Outcome]]:
    """Steps of feeds by 1 % and of weighty feeders by 2 %, up and down, at each moment that the watch has reached."""
    outcomes: dict[str, list[Outcome]] = {"feed 1 %": [], "feeder 2 %": []}
    feeds = [n for n, r in zip(simulated.net.points, simulated.net.roles, strict=True) if r.value == "feed"]
    for first, state in states:
        for number, point in enumerate([*feeds, *weighty(simulated)]):
            sign = 1 if (first + number) % 2 else -1
            kind, size = ("feed 1 %", 0.01) if point in feeds else ("feeder 2 %", 0.02)
            outcomes[kind].append(planted(simulated, state, first, point, 1 + sign * size))
    return outcomes


def low_feeders(simulated: Simulated, days: list[DayStatistics], moments: list[int]) -> list[Outcome]:
    """Weighty feeders that read 5 % less, at each of the moments."""
    return [
        planted(simulated, state, first, point, 0.95)
        for first, state in warmed(simulated, days, moments)
        for point in weighty(simulated)
    ]


def reversed_transformer(simulated: Simulated, days: list[int], state: WatchState | None) -> list[Outcome]:
    """One current transformer of three reversed at each point with 5 % of the energy, judged on that day alone."""
    energy, outcomes = np.abs(simulated.energy).sum(axis=0), []
    for number, point in enumerate(simulated.net.points):
        if energy[number] >= 0.05 * energy.max():
            table = simulated.day(days[number % len(days)], {point: 1 / 3})
            fit = state.learner.fit if state is not None and state.learner is not None else None
            suspicion = gross(simulated.net, table, fit)
            names = [] if suspicion is None else [c.hypothesis for c in suspicion.candidates]
            named = None if suspicion is None or suspicion.named is None else 1
            right = None if suspicion is None or named is None else suspicion.named == f"ratio {point}"
            outcomes.append(
                Outcome(
                    point,
                    None if suspicion is None else 1,
                    named,
                    right,
                    f"ratio {point}" in names if suspicion else None,
                )
            )
    return outcomes


SITES: dict[str, Site] = {"grid": grid, "mill": mill}


def main(arguments: list[str]) -> None:
    """Print the table; the first argument shortens it (a whole run is 1.0), the second is the first seed, the third a site."""
    share = float(arguments[0]) if arguments else 1.0
    first = int(arguments[1]) if len(arguments) > 1 else 500
    sites = {name: site for name, site in SITES.items() if name in (arguments[2:] or SITES)}
    for name, site in sites.items():
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
                for kind, outcomes in detection(simulated, warmed(simulated, days, MOMENTS)).items():
                    every[kind] = every.get(kind, []) + outcomes
                every["feeder -5 %"] = every.get("feeder -5 %", []) + low_feeders(simulated, days, MOMENTS)
                late = next(s for _, s in warmed(simulated, days, [400]))
                every["one CT reversed, first day"] = every.get(
                    "one CT reversed, first day", []
                ) + reversed_transformer(simulated, [3, 90, 180, 270], None)
                key = "one CT reversed, with baseline"
                every[key] = every.get(key, []) + reversed_transformer(simulated, [401, 405, 410], late)
            for kind, outcomes in every.items():
                print(f"{name} {level}: {report(kind, outcomes)}", flush=True)
            for kind in ("feed 1 %", "feeder 2 %", "feeder -5 %"):
                slow = [
                    (o.fault, o.found, o.named, o.right)
                    for o in every[kind]
                    if o.found is None or o.found > 30 or o.right is False
                ]
                print(f"    late, missed or wrong: {slow}", flush=True)
    for name, site in sites.items():
        for level, size in (("quiet", QUIET), ("loud", LOUD)):
            every_life: dict[str, Tally] = {}
            for seed in range(max(1, round(3 * share))):
                simulated = site(first + 200 + seed, 320, size)
                days = statistics(simulated)
                points = weighty(simulated)
                for moment, state in warmed(simulated, days, [75, 150, 235]):
                    for case, tally in lives(simulated, state, moment, points).items():
                        every_life.setdefault(case, Tally()).add(tally)
            for case, tally in every_life.items():
                print(f"{name} {level}: {case:<20} {tally.text}", flush=True)
    for level, size in (("quiet", QUIET), ("loud", LOUD)) if "grid" in sites else ():
        ramps = [creeping(first + 300 + n, end, size=size) for n in range(round(12 * share)) for end in (0.03, -0.03)]
        results = sorted(o.found for o in ramps if o.found is not None)
        print(f"grid {level}: {report('3 % of the feed in 200 days', ramps)}; after {results} days")


if __name__ == "__main__":
    main(sys.argv[1:])
