"""Registers of a history that only count up: their figures need the values at the boundaries of the intervals, no line.

What depends on the times of the readings alone - where boundaries lie among them, gaps, flags - is the same for all
registers of a file and is found once. A register with one step that is not plain goes through the tracker instead.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterd.core.model.periods import floor
from meterd.core.registers.register_line import Figures, Ints, RegisterLine, figures, interpolate
from meterd.core.registers.tracker import Rule

_BLOCK = 16_384  # readings looked at together: they stay in the cache of the processor


@dataclass(frozen=True, slots=True)
class Moments:
    """What the times of readings give for every register that has a reading at each of them.

    `figures` are those of a register that stands still; `left` are the places of the readings at or before each boundary,
    `between` the boundaries that lie between two readings. `elapsed_ms` is the shortest and the longest time between them.
    """

    times: Ints
    elapsed_ms: tuple[int, int]
    figures: Figures
    boundaries: Ints
    left: Ints
    between: Ints


def moments_of(times: Ints, *, interval_ms: int, gap_exact_ms: int, gap_estimate_ms: int) -> Moments | None:
    """The moments of readings; None unless there are two and all are later than the one before."""
    if len(times) < 2 or not bool(np.all(times[1:] > times[:-1])):
        return None
    elapsed = np.diff(times)
    line = RegisterLine()
    line.extend(times, np.zeros_like(times), times, np.zeros(len(times), dtype=np.bool_), 0)
    first, until = floor(int(times[0]), interval_ms), floor(int(times[-1]), interval_ms)
    still = figures(
        line,
        first,
        until,
        interval_ms=interval_ms,
        gap_exact_ms=gap_exact_ms,
        gap_estimate_ms=gap_estimate_ms,
    )
    boundaries = np.arange(first, until + 1, interval_ms, dtype=np.int64)
    left = np.searchsorted(times, boundaries, side="right") - 1
    inside = left >= 0
    left = np.clip(left, 0, None)
    between = np.flatnonzero(inside & (times[left] != boundaries))
    return Moments(times, (int(elapsed.min()), int(elapsed.max())), still, boundaries, left, between)


def plain_figures(moments: Moments, rules: Sequence[Rule], raws: Ints) -> Figures | None:
    """Figures of a register from its readings at these moments; None if a step is not plain or the meter was exchanged."""
    rule, times = rules[0], moments.times
    if times[0] < rule.from_ms or times[-1] >= rule.until_ms:
        return None
    if not rule.counts_up(moments.elapsed_ms, _rise(raws), int(raws[-1])):
        return None
    base = rule.mwh(int(raws[0]))
    value = rule.mwh_column(raws[moments.left]) - base
    between, low = moments.between, moments.left[moments.between]
    after = rule.mwh_column(raws[low + 1]) - base
    value[between] = interpolate(times[low], value[between], times[low + 1], v1=after, at=moments.boundaries[between])
    still = moments.figures
    energy = np.where(still.present, value[1:] - value[:-1], 0)
    return Figures(still.start_ms, energy, still.present, still.flags, still.anchor)


def _rise(raws: Ints) -> tuple[int, int]:
    """The least and the most that a register rose from one reading to the next; at least two readings."""
    step = np.empty(min(_BLOCK, len(raws) - 1), dtype=np.int64)
    least, most = [], []
    for low in range(0, len(raws) - 1, _BLOCK):
        high = min(low + _BLOCK, len(raws) - 1)
        part = np.subtract(raws[low + 1 : high + 1], raws[low:high], out=step[: high - low])
        least.append(int(part.min()))
        most.append(int(part.max()))
    return min(least), max(most)
