"""What estimated boundaries do to balances: where none may have a verdict, and how much wider the band of the others is.

A boundary inside a gap is interpolated, so the energies beside it are right together and each alone is a guess. The sum of
a quarter hour beside a gap says nothing about its meters. A day or a month says much: only its two ends are guesses, and
each can be wrong by no more than the energy that may have flowed in the part of the gap that lies inside.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterd.core.model.row_groups import reduced
from meterd.core.registers.register_line import Flag

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]

# 23 hours are the shortest local day: below it the part in the gap is a large part of the whole, and the highest mean of
# the rest says little about what may have flowed there
SHORTEST_MS = 23 * 3_600_000


@dataclass(frozen=True, slots=True)
class Estimate:
    """Of each balance: by how many mWh estimated ends may move the residual, and whether that cannot be bounded."""

    allowance: Ints
    open: Bools


def of_intervals(flags: Bytes) -> Estimate:
    """Single intervals from the flags [T, n] of their energies: none that is estimated is judged."""
    return Estimate(np.zeros(len(flags), dtype=np.int64), (flags != 0).any(axis=1))


def of_periods(energy: Ints, flags: Bytes, first: Ints, start_ms: Ints, end_ms: Ints) -> Estimate:
    """Periods whose intervals begin at the rows `first` of energies and flags [T, n].

    In the part of a gap that lies inside, a point moved at least nothing and at most its highest interval of the rest of the
    period, lasting as long; the allowance is the farther of the two from what was estimated, and those of all points add up,
    because in one hour all loads may rise together. A lower bound anywhere, or a gap over the whole period, leaves it open.
    """
    last = np.append(first[1:], len(energy)) - 1
    allowance = np.zeros(len(first), dtype=np.int64)
    short = end_ms[last] - start_ms[first] < SHORTEST_MS
    ends = (flags[first] & np.uint8(Flag.START)) | (flags[last] & np.uint8(Flag.END))
    bound = (reduced(np.bitwise_or, flags, first) & np.uint8(Flag.BOUND)) != 0
    open_ = bound.any(axis=1) | (short & (ends != 0).any(axis=1))
    for i, j in zip(*np.nonzero(ends), strict=True):
        if not open_[i]:
            rows = slice(int(first[i]), int(last[i]) + 1)
            moved = _at_ends(energy[rows, j], flags[rows, j])
            open_[i] |= moved is None
            allowance[i] += moved or 0
    return Estimate(allowance, open_)


def _at_ends(energy: Ints, flags: Bytes) -> int | None:
    """By how much the energy of one point may be wrong in one period; None where the gap leaves nothing to compare with."""
    head = _run(energy, flags, Flag.START, Flag.END)
    tail = _run(energy[::-1], flags[::-1], Flag.END, Flag.START)
    if head + tail >= len(energy):
        return None
    highest = int(np.abs(energy[head : len(energy) - tail]).max())
    moved = 0
    for part in (energy[:head], energy[len(energy) - tail :]):
        there = abs(int(part.sum()))
        moved += max(there, len(part) * highest - there)
    return moved


def _run(energy: Ints, flags: Bytes, near: Flag, far: Flag) -> int:
    """Number of intervals from the edge on that a gap across it reaches into.

    Within one gap the register is a straight line, so its intervals have one energy (a unit apart by rounding): meters that
    are read once an interval have estimated ends everywhere, which is many short gaps. A line that does not rise moved nothing.
    """
    if not flags[0] & near or energy[0] == 0:
        return 0
    whole = ((flags & far) != 0) & (np.abs(energy - energy[0]) <= 1)
    return len(flags) if bool(whole.all()) else int(np.argmin(whole)) + 1
