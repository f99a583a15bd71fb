"""The life of a finding of drift: repaired, accepted, exchanged, a second fault, a meter that reads a third.

Each case goes on from a watch that knows the site, to the end of its days, and is judged by all that is said on the way. Part
of `python -m tests.simulator.drift_study`.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from meterd.core.drift.change_life import accepted, exchanged
from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import WatchState
from tests.simulator.drift_sites import Simulated

DAYS = 80
FAULT, REPAIR, SECOND, LATER = 0.95, 20, 10, 40  # what the first meter reads; days of what follows
THIRD = 1 / 3

Factors = Callable[[int], dict[str, float]]
Order = Callable[[int, WatchState], WatchState]


@dataclass
class Life:
    """What was said: by name, the first and the last day on which it was named; by hypothesis, when it was first listed."""

    named: dict[str, tuple[int, int]] = field(default_factory=dict)
    listed: dict[str, int] = field(default_factory=dict)
    open_days: list[int] = field(default_factory=list)
    step: float = 0.0

    def wrong(self, *right: str) -> list[str]:
        """Healthy meters that were named, with the day."""
        return [f"{name} on day {days[0]}" for name, days in self.named.items() if name not in right]


def lived(simulated: Simulated, state: WatchState, first: int, factors: Factors, order: Order | None = None) -> Life:
    """`DAYS` days with the factors of each; `order` may change the watch before a day."""
    life = Life()
    for d in range(DAYS):
        if order is not None:
            state = order(d, state)
        state, suspicions = monitor_day(state, daily_statistics(simulated.net, simulated.day(first + d, factors(d))))
        if suspicions:
            life.open_days.append(d)
        for suspicion in suspicions:
            for candidate in suspicion.candidates:
                life.listed.setdefault(candidate.hypothesis, d)
            if suspicion.named is not None:
                life.named[suspicion.named] = life.named.get(suspicion.named, (d, d))[0], d
                life.step = suspicion.candidates[0].step
    return life


def repaired(simulated: Simulated, state: WatchState, first: int, point: str, *, factor: float = FAULT) -> Life:
    """Wrong for `REPAIR` days, then right without a word."""
    return lived(simulated, state, first, lambda d: {point: factor} if d < REPAIR else {})


def second(simulated: Simulated, state: WatchState, first: int, points: tuple[str, str]) -> Life:
    """Another meter reads 10 % less from day `SECOND` on, while the first is wrong."""
    return lived(simulated, state, first, lambda d: {points[0]: FAULT} | ({points[1]: 0.9} if d >= SECOND else {}))


def accept(simulated: Simulated, state: WatchState, first: int, points: tuple[str, str]) -> Life:
    """On day `SECOND` the change is accepted; another meter reads 5 % less from day `LATER` on."""

    def order(d: int, state: WatchState) -> WatchState:
        return accepted(state, state.changes, state.recent[-1].end_ms) if d == SECOND else state

    return lived(
        simulated, state, first, lambda d: {points[0]: FAULT} | ({points[1]: 0.95} if d >= LATER else {}), order
    )


def exchange(simulated: Simulated, state: WatchState, first: int, points: tuple[str, str]) -> Life:
    """A new meter that reads 0.8 % more at once; three days later another one reads 5 % less."""

    def order(d: int, state: WatchState) -> WatchState:
        return exchanged(state, [points[0]], state.recent[-1].end_ms) if d == 0 else state

    return lived(simulated, state, first, lambda d: {points[0]: 1.008} | ({points[1]: 0.95} if d >= 3 else {}), order)


@dataclass
class Tally:
    """Of one case: days until what was to be seen, how often it was not, and healthy meters that were named."""

    days: list[int | None] = field(default_factory=list)
    ends: list[int | None] = field(default_factory=list)
    right: int = 0
    wrong: list[str] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        """The same case at another moment."""
        self.days, self.ends = self.days + other.days, self.ends + other.ends
        self.right, self.wrong = self.right + other.right, self.wrong + other.wrong

    @property
    def text(self) -> str:
        """One line of the table."""
        seen = [d for d in self.days if d is not None]
        message = f"n={len(self.days)} found {len(seen)}, median {np.median(seen) if seen else 0:.0f} d; named right {self.right}"
        if self.ends:
            over = [d for d in self.ends if d is not None]
            late = np.percentile(over, 95, method="higher") if over else 0
            message += f"; over {len(over)}, median {np.median(over) if over else 0:.0f} d, 95 % {late:.0f} d"
        return message + f"; healthy meters named {len(self.wrong)} {self.wrong[:6]}"


def pairs(points: list[str]) -> Iterator[tuple[str, str]]:
    """Each point with the next."""
    yield from zip(points, points[1:] + points[:1], strict=True)


def lives(simulated: Simulated, state: WatchState, first: int, points: list[str]) -> dict[str, Tally]:
    """All cases at one moment with each of the points."""
    tallies = {case: Tally() for case in ("repaired", "a third, repaired", "second fault", "accepted", "exchanged")}
    for item, other in pairs(points):
        for case, factor in (("repaired", FAULT), ("a third, repaired", THIRD)):
            _ended(tallies[case], repaired(simulated, state, first, item, factor=factor), item)
        for case, work, day in (
            ("second fault", second, SECOND),
            ("accepted", accept, LATER),
            ("exchanged", exchange, 3),
        ):
            _seen(tallies[case], work(simulated, state, first, (item, other)), item, other, day)
    return tallies


def _ended(tally: Tally, life: Life, point: str) -> None:
    name = f"ratio {point}"
    tally.days.append(life.listed.get(name))
    tally.right += name in life.named
    last = max(life.open_days, default=-1)
    tally.ends.append(last + 1 - REPAIR if last < DAYS - 1 else None)
    tally.wrong += life.wrong(name)


def _seen(tally: Tally, life: Life, item: str, other: str, day: int) -> None:
    name = f"ratio {other}"
    since = life.listed.get(name)
    tally.days.append(None if since is None else max(since - day, 0) + 1)
    tally.right += name in life.named and life.named[name][0] >= day
    tally.wrong += life.wrong(f"ratio {item}", name)
