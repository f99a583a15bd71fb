"""Nights in which a load takes more than the plan allows it, whatever it usually takes: from the first night on, without history.

A night that is not known neither begins nor ends anything.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from meterd.core.unusual.days import UseDays
from meterd.core.unusual.watch import Accepted, Ended, Kind, Unusual, Watched


@dataclass(frozen=True, slots=True)
class _Run:
    """Nights beyond the limit, one after the other: first and last, and the first one after them that is not, if any."""

    first: int
    last: int
    over: int | None


def with_night_limits(
    watched: Watched, days: UseDays, limits_w: Mapping[str, float], accepted: Mapping[str, Sequence[Accepted]]
) -> Watched:
    """What was found, and the loads beyond their own limit in its place. What a person has accepted is told no more."""
    unusual, ended = {item.load: item for item in watched.unusual}, list(watched.ended)
    for load, limit_w in limits_w.items():
        column = days.loads.names.index(load)
        runs = list(_runs(days.night_w[:, column].tolist(), limit_w))
        if not runs:
            continue
        run = runs[-1]
        first_ms = int(days.bounds_ms[run.first])
        if run.over is not None:
            ended.append(Ended(load, Kind.LIMIT, first_ms, int(days.bounds_ms[run.over]), "as before"))
        elif all(entry.since_ms != first_ms for entry in accepted.get(load, ())):
            unusual[load] = _unusual(days, column, run, limit_w)
    return replace(watched, unusual=tuple(unusual.values()), ended=tuple(ended))


def _runs(night_w: Sequence[float], limit_w: float) -> Iterator[_Run]:
    run: _Run | None = None
    for t, power in enumerate(night_w):
        if power > limit_w:
            run = _Run(t if run is None else run.first, t, None)
        elif run is not None and np.isfinite(power):
            yield replace(run, over=t)
            run = None
    if run is not None:
        yield run


def _unusual(days: UseDays, column: int, run: _Run, limit_w: float) -> Unusual:
    return Unusual(
        load=days.loads.names[column],
        kind=Kind.LIMIT,
        first_ms=int(days.bounds_ms[run.first]),
        until_ms=int(days.bounds_ms[run.last + 1]),
        taken=float(np.nanmean(days.night_w[run.first : run.last + 1, column])),
        usual=limit_w,
        weeks=0,
        others=1.0,
        workdays=0.0,
    )
