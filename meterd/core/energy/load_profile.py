"""What a load looks like over time: base load, peak, duration curve, hours by days. Powers in W, energies in mWh."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.uncertainty import Floats
from meterd.core.model.distinct import distinct
from meterd.core.model.periods import HOUR_MS, Period, bounds, local, offset_ms
from meterd.core.registers.register_line import Bools, Ints

LEAST_FOR_BASE = 20  # steps: of fewer, 5 % is less than one step, and the base load would be the lowest of them
BASE_PART = 0.05  # the base load is exceeded in all but so much of the time (common practice)
HOURS = 24


@dataclass(frozen=True, slots=True)
class Profile:
    """Base load and peak of a range in W: the power that is exceeded in 95 % of the time, and the highest mean.

    The base load is None below LEAST_FOR_BASE known steps.
    """

    base_w: float | None
    mean_w: float
    peak_w: float
    peak_row: int
    known: int


def mean_powers(energy: Ints, edges: Sequence[int]) -> Floats:
    """Mean power in W of each step; `edges` are the starts with the end of the last behind them.

    >>> mean_powers(np.array([250_000]), [0, 900_000]).tolist()
    [1000.0]
    """
    ends = np.array(edges, dtype=np.int64)
    length = ends[1:] - ends[:-1]
    result: Floats = energy * (HOUR_MS / 1000) / length
    return result


def profile(watt: Floats, present: Bools) -> Profile | None:
    """Base load, mean and peak of the steps that are known; None if none is. The first of equal peaks counts.

    >>> profile(np.array([1.0, 5.0, 3.0]), np.array([True, True, False])).peak_row
    1
    """
    if not bool(present.any()):
        return None
    known = watt[present]
    return Profile(
        base_w=float(np.quantile(known, BASE_PART)) if len(known) >= LEAST_FOR_BASE else None,
        mean_w=float(known.mean()),
        peak_w=float(known.max()),
        peak_row=int(np.flatnonzero(present)[int(np.argmax(known))]),
        known=len(known),
    )


def duration_curve(watt: Floats, present: Bools, most: int) -> list[tuple[float, float]]:
    """Powers from the highest to the lowest with the part of the known time (0..1) in which each is reached or exceeded.

    At most so many places, the first and the last among them.

    >>> duration_curve(np.array([1.0, 3.0]), np.array([True, True]), 10)
    [(0.5, 3.0), (1.0, 1.0)]
    """
    ordered = np.sort(watt[present])[::-1]
    if not len(ordered):
        return []
    rows = distinct(np.linspace(0, len(ordered) - 1, min(most, len(ordered))).round().astype(np.int64))
    return [((i + 1) / len(ordered), float(ordered[i])) for i in rows.tolist()]


@dataclass(frozen=True, slots=True)
class HoursByDays:
    """Mean power in W of each local hour [24] of each local day [D], where it is `present`.

    The hour that comes twice in autumn is the mean of both. `missing` marks hours that were there and have no value: the one
    that is left out in spring is neither.
    """

    day_ms: tuple[int, ...]
    watt: Floats
    present: Bools
    missing: Bools


def hours_by_days(begins: Sequence[int], energy: Ints, present: Bools, zone: ZoneInfo) -> HoursByDays:
    """Energies of local hours arranged by the clock and the calendar."""
    days, rows, columns = _places(begins, zone)
    total, count = np.zeros((HOURS, len(days))), np.zeros((HOURS, len(days)), dtype=np.int64)
    there = present.astype(np.bool_)
    np.add.at(total, (rows[there], columns[there]), energy[there] / 1000)
    np.add.at(count, (rows[there], columns[there]), 1)
    missing = np.zeros((HOURS, len(days)), dtype=np.bool_)
    missing[rows[~there], columns[~there]] = True
    return HoursByDays(tuple(days), total / np.maximum(count, 1), (count > 0) & ~missing, missing)


def _places(begins: Sequence[int], zone: ZoneInfo) -> tuple[list[int], Ints, Ints]:
    """The days, and for each hour its row (hour of the clock) and its column (day); the zone is asked once for a day."""
    days: list[int] = []
    rows, columns = np.zeros(len(begins), dtype=np.int64), np.zeros(len(begins), dtype=np.int64)
    high, plain = 0, 0
    for i, at in enumerate(begins):
        if not days or at >= high:
            low, high = bounds(Period.DAY, at, zone, HOUR_MS)
            days.append(low)
            plain = offset_ms(low, zone) if offset_ms(low, zone) == offset_ms(high - 1, zone) else -1
        hour = local(at, zone).hour if plain == -1 else (at + plain) // HOUR_MS % HOURS
        rows[i], columns[i] = hour, len(days) - 1
    return days, rows, columns
