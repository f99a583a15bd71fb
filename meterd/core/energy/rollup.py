"""Sums of intervals: hour, local day, week, month, year, and maximum demand. Whole mWh: any parent is exactly its parts.

The figures of T periods by n registers are columns (`Columns`); a live daemon passes a few rows, a replay a whole year.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterd.core.model.periods import DAY_MS, HOUR_MS, Period
from meterd.core.model.row_groups import reduced
from meterd.core.registers.register_line import Bools, Flag, Ints

Bytes = NDArray[np.uint8]

# What lies in a hole is not read: the same moment of 30 days is 1 % of their figures, and the hours at both ends of five
# years are 50 of 43,800.
HOLES_MS = {Period.INTERVAL: 6 * HOUR_MS, Period.HOUR: 6 * HOUR_MS, Period.DAY: 30 * DAY_MS}


@dataclass(frozen=True, slots=True)
class Columns:
    """Energies of T periods by n registers: `energy` int64[T, n] mWh (0 where missing), `present`, `flags`."""

    energy: Ints
    present: Bools
    flags: Bytes


def runs(starts: Ints, hole_ms: int) -> list[tuple[int, int]]:
    """First and last of each run of rising starts that has no hole of so much or more.

    >>> runs(np.array([0, 1, 2, 10, 11]), 5)
    [(0, 2), (10, 11)]
    """
    if not len(starts):
        return []
    ends = np.append(np.flatnonzero(np.diff(starts) >= hole_ms), len(starts) - 1)
    first = np.append(0, ends[:-1] + 1)
    return list(zip(starts[first].tolist(), starts[ends].tolist(), strict=True))


def runs_read(period: Period, starts: Ints) -> list[tuple[int, int]]:
    """The runs of starts of one kind of period that are read from a store, each with its first and last."""
    return runs(starts, HOLES_MS.get(period, 2**62))


def roll_up(parts: Columns, first: Ints, expected: Ints) -> Columns:
    """Sums of consecutive rows: parent i is made of rows first[i] up to first[i+1] (the last one up to the end).

    `expected[i]` is how many parts the parent has by the calendar; with fewer rows it is missing, as with any missing part.
    A parent's start is estimated if its first part's start is, its end if its last part's end is: what lies between
    was only a matter of shape.
    """
    count = np.diff(np.append(first, len(parts.energy)))
    energy = reduced(np.add, parts.energy, first)
    present = reduced(np.logical_and, parts.present, first) & (count == expected)[:, None]
    last = first + count - 1
    flags = (
        (parts.flags[first] & np.uint8(Flag.START))
        | (parts.flags[last] & np.uint8(Flag.END))
        | (reduced(np.bitwise_or, parts.flags, first) & np.uint8(Flag.BOUND))
    )
    return Columns(np.where(present, energy, 0), present, np.where(present, flags, 0).astype(np.uint8))


def maximum_demand(energy: Ints, present: Bools, interval_ms: int) -> tuple[int, float] | None:
    """Row and mean power (W) of the largest interval energy, the first of equals; None if no interval is known.

    >>> maximum_demand(np.array([250_000, 500_000, 500_000]), np.array([True, True, True]), 900_000)
    (1, 2000.0)
    """
    if not bool(present.any()):
        return None
    row = int(np.argmax(np.where(present, energy, np.iinfo(np.int64).min)))
    return row, mean_power_w(int(energy[row]), interval_ms)


def mean_power_w(energy_mwh: int, duration_ms: int) -> float:
    """Mean power in W of an energy in mWh over a time."""
    return energy_mwh * HOUR_MS / duration_ms / 1000
