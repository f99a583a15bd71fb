"""What points took, by local day and clock hour, and which days are alike.

Missing is NaN inside this package only: arrays of floats say it without a second array. No NaN leaves the package.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import DAY_MS, HOUR_MS, offset_ms
from meterd.core.model.weekdays import NO_HOLIDAYS, Holidays, weekdays
from meterd.core.registers.register_line import Flag

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NIGHT_HOURS = 5  # 0 to 5 o'clock: what runs then runs always
WORKDAY, SATURDAY, SUNDAY = 0, 1, 2  # the classes of days
HEATING_BELOW_C, COOLING_ABOVE_C = 15.0, 18.0  # outdoors (common practice)


@dataclass(frozen=True, slots=True)
class Loads:
    """Points whose use is looked at. `below[i, j]`: load j is a part of load i.

    `base_only` marks the load of the whole site: nothing is beside it, so only its nights say something. `own_excess` is the
    excess from which a load is unusual, as a logarithm, where a person has set it; NaN = as its history says.
    """

    names: tuple[str, ...]
    below: Bools
    base_only: Bools
    own_excess: Floats | None = None

    @property
    def kin(self) -> Bools:
        """Whether j is i itself, a part of it or the other way round: then it is no comparison."""
        return np.asarray(self.below | self.below.T | np.eye(len(self.names), dtype=np.bool_))


@dataclass(frozen=True, slots=True)
class UseDays:
    """Mean powers in W of consecutive local days by load: whole days, nights and hours on local clocks; NaN = missing.

    `bounds_ms` are the starts of the days and the end of the last one; `classes` says which days are alike.
    """

    loads: Loads
    bounds_ms: Ints
    classes: Ints
    day_w: Floats  # [days, loads]
    night_w: Floats
    hour_w: Floats  # [days, 24, loads]
    degrees: Floats | None = (
        None  # [days, 2] degree days of heating and cooling; NaN = not known; None without temperatures
    )

    def ends_a_weekend(self, t: int) -> bool:
        """Whether day t is the Sunday behind a Saturday; a holiday of its own is none."""
        return t > 0 and bool(self.classes[t - 1] == SATURDAY and self.classes[t] == SUNDAY)

    @property
    def hours(self) -> Floats:
        """How long each day is."""
        return np.asarray(np.diff(self.bounds_ms) / HOUR_MS)


def use_days(
    loads: Loads, bounds_ms: Ints, hours: tuple[Ints, Columns], zone: ZoneInfo, *, holidays: Holidays = NO_HOLIDAYS,
    outdoor_c: Mapping[int, float] | None = None,
) -> UseDays:  # fmt: skip
    """Days between bounds from the energies of their local clock hours: their starts, and a column for each load.

    `outdoor_c` is the mean outdoor temperature of days by their start, as far as it is known.

    A day or night whose energy rests on an estimated reading at one of its ends is missing: an outage is no use. So is one
    with an hour of export: PV behind a feeder hides what its loads take.
    """
    starts, columns = hours
    ends = np.append(starts[1:], bounds_ms[-1])
    offsets = np.array([offset_ms(int(start), zone) for start in starts], dtype=np.int64)
    day = np.searchsorted(bounds_ms, starts, side="right") - 1
    clock = (starts + offsets) % DAY_MS // HOUR_MS
    known = columns.present & (columns.energy >= 0) & ((columns.flags & np.uint8(Flag.BOUND)) == 0)
    energy = np.where(known, columns.energy.astype(np.float64), np.nan)
    flags = columns.flags

    def mean_w(groups: Ints, count: int, used: Bools) -> Floats:
        """Mean power of the hours that are used, by group."""
        total, time_ms = np.zeros((count, len(loads.names))), np.zeros(count)
        np.add.at(total, groups[used], energy[used])
        np.add.at(time_ms, groups[used], (ends - starts)[used])
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(total / time_ms[:, None] * (HOUR_MS / 1000))

    days, night = len(bounds_ms) - 1, clock < NIGHT_HOURS
    every = np.ones(len(starts), dtype=np.bool_)
    hour_w = mean_w(day * 24 + clock, days * 24, every).reshape(days, 24, -1)
    day_w = np.where(_guessed(flags, day, days, every), np.nan, mean_w(day, days, every))
    night_w = np.where(_guessed(flags, day, days, night), np.nan, mean_w(day, days, night))
    air = np.array([(outdoor_c or {}).get(day, np.nan) for day in bounds_ms[:-1].tolist()])
    return UseDays(
        loads=loads,
        bounds_ms=bounds_ms,
        classes=classes_of(bounds_ms[:-1], zone, holidays),
        day_w=day_w,
        night_w=night_w,
        hour_w=hour_w,
        degrees=degree_days(air) if outdoor_c else None,
    )


def degree_days(outdoor_c: Floats) -> Floats:
    """Degree days of heating and of cooling [days, 2] from mean outdoor temperatures in degrees Celsius; NaN = not known.

    >>> degree_days(np.array([-2.0, 16.5, 25.0])).tolist()
    [[17.0, 0.0], [0.0, 0.0], [0.0, 7.0]]
    """
    below, above = HEATING_BELOW_C - outdoor_c, outdoor_c - COOLING_ABOVE_C
    return np.column_stack([np.maximum(0.0, below), np.maximum(0.0, above)])


def _guessed(flags: NDArray[np.uint8], day: Ints, days: int, used: Bools) -> Bools:
    """Whether the first hour of each day that is used starts with an estimated reading, or the last one ends with one."""
    result = np.zeros((days, flags.shape[1]), dtype=np.bool_)
    at = np.flatnonzero(used)
    first = at[np.append(True, np.diff(day[at]) > 0)] if len(at) else at
    last = at[np.append(np.diff(day[at]) > 0, True)] if len(at) else at
    result[day[first]] |= (flags[first] & np.uint8(Flag.START)) != 0
    result[day[last]] |= (flags[last] & np.uint8(Flag.END)) != 0
    return result


def classes_of(days_ms: Ints, zone: ZoneInfo, holidays: Holidays) -> Ints:
    """Monday to Friday are alike; Saturdays and Sundays are each of their own kind; a holiday is a Sunday."""
    local = np.array([(int(start) + offset_ms(int(start), zone)) // DAY_MS for start in days_ms], dtype=np.int64)
    return np.asarray(np.maximum(weekdays(local, holidays) - 4, WORKDAY))
