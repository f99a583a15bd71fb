"""A point that counts nothing any more while its balance misses what it used to carry.

Its flow is gone from the sums, so no factor of it can be fitted, and another instrument would be blamed by its shape. What
tells it is plain: nothing counted since the change, a usual power before it, and about that much missing now.
"""

from collections.abc import Sequence

import numpy as np

from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import places
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.drift.identification import Candidate

NOTHING = 0.01  # of the usual energy: the rest of a start-up current, or of another direction
NEAR = 0.3  # how near what is missing must come to the usual power: days differ by about so much
FEWEST_DAYS = 7  # a week before, to know what is usual
HOUR_MS = 3_600_000


def dead_meters(
    net: Network, before: Sequence[DayStatistics], since: Sequence[DayStatistics], mean: Floats
) -> tuple[Candidate, ...]:
    """Points that stand still since the change and whose usual power is about what is missing, best first.

    `mean` is the baseline. Empty with less than a week before the change: what is usual is not known then.
    """
    if len(before) < FEWEST_DAYS or not since:
        return ()
    since = since[1:] or since  # the day of the change itself is half a day like before
    results = []
    for k, (node, where) in enumerate(zip(net.nodes, places(net), strict=True)):
        missing = _missing(since, k, mean[where])
        for i, sign in zip(node.points, node.signs, strict=True):
            usual = usual_power(net, before, net.points[i])
            now = max(abs(_power(day, i)) for day in since)
            if missing is None or usual == 0.0 or now > NOTHING * abs(usual):
                continue
            share = -sign * missing / usual
            if abs(share - 1) <= NEAR:
                results.append((abs(share - 1), _candidate(net, i, node.name, usual=usual, share=share)))
    return tuple(candidate for _, candidate in sorted(results, key=lambda pair: (pair[0], pair[1].hypothesis)))


def usual_power(net: Network, days: Sequence[DayStatistics], point: str) -> float:
    """Median of the daily mean powers of a point, kW."""
    return float(np.median([_power(day, net.points.index(point)) for day in days]))


def counts_again(net: Network, day: DayStatistics, point: str, usual_kw: float) -> bool:
    """Whether a point that stood still counts something on a day."""
    return abs(_power(day, net.points.index(point))) > NOTHING * usual_kw


def _power(day: DayStatistics, i: int) -> float:
    """Mean power of a day, kW."""
    return day.energy_kwh[i] / ((day.end_ms - day.start_ms) / HOUR_MS)


def _missing(days: Sequence[DayStatistics], k: int, mean: Floats) -> float | None:
    """Mean of what the residual of node k is above its baseline, kW; None where no day holds an interval."""
    S: Floats = np.sum([day.nodes[k].S0 for day in days], axis=0)
    square = float(S[-3, -3])
    return float(S[-3] @ np.append(-mean, 1.0)) / square if square > 0 else None


def _candidate(net: Network, i: int, node: str, *, usual: float, share: float) -> Candidate:
    name = net.points[i]
    text = f"{share:.0%} of its usual {abs(usual):.2f} kW is missing at {node}"
    return Candidate(
        hypothesis=f"ratio {name}",
        kind="ratio",
        points=(name,),
        node=node,
        step=-1.0,
        step_error=abs(share - 1),
        unit="ratio",
        statistic=0.0,
        odds=1.0,
        correlation=1.0,
        measured=text,
    )
