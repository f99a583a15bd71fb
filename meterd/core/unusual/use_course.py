"""What a point took day by day beside what is usual, for people to see. Not what the watch decides by (`usual`, `watch`):
the median of the days alike as it is, not moved by what the other loads did. Energies in mWh, None = missing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import DAY_MS, Period, starts
from meterd.core.model.plan import Site
from meterd.core.unusual.days import Ints, classes_of
from meterd.core.unusual.usual import LEAST_ALIKE, USUAL_DAYS

SHOWN_DAYS = 42  # before it began


@dataclass(frozen=True, slots=True)
class UseCourse:
    """Daily energies of a point around the day on which its use became unusual."""

    point: str
    began_ms: int
    days_ms: list[int]
    taken: list[int | None]
    usual: list[int | None]


def use_course(stored: StoredFigures, site: Site, point: str, began_ms: int, until_ms: int) -> UseCourse | None:
    """The days of a point from six weeks before a day until a moment; None where no energy is known."""
    zone, first = ZoneInfo(site.zone), began_ms - (SHOWN_DAYS + USUAL_DAYS) * DAY_MS
    bounds = starts(Period.DAY, first, until_ms, zone, site.interval_s * 1000)
    days = np.array(bounds, dtype=np.int64)
    plan = net_plan(site, [point])
    net = plan.net(stored.columns(plan.imports, Period.DAY, days), stored.columns(plan.exports, Period.DAY, days))
    taken = [int(e) if known else None for e, known in zip(net.energy[:, 0], net.present[:, 0], strict=True)]
    while taken and taken[-1] is None:  # days that are not over
        taken.pop()
    bounds, classes = bounds[: len(taken)], classes_of(days[: len(taken)], zone, site.holidays)
    usual = [_usual(taken, classes, row, bounds, began_ms) for row in range(len(taken))]
    shown = [row for row, day in enumerate(bounds) if day >= began_ms - SHOWN_DAYS * DAY_MS]
    if not any(taken[row] is not None for row in shown):
        return None
    return UseCourse(
        point=point,
        began_ms=began_ms,
        days_ms=[bounds[row] for row in shown],
        taken=[taken[row] for row in shown],
        usual=[usual[row] for row in shown],
    )


def _usual(taken: Sequence[int | None], classes: Ints, row: int, bounds: Sequence[int], began_ms: int) -> int | None:
    """The median of the days alike in the six weeks before the day, or before it began."""
    end = min(bounds[row], began_ms)
    alike = [
        value
        for value, kind, day in zip(taken[:row], classes[:row], bounds[:row], strict=True)
        if value is not None and kind == classes[row] and end - USUAL_DAYS * DAY_MS <= day < end
    ]
    return round(median(alike)) if len(alike) >= LEAST_ALIKE else None
