"""Breakpoints: the accepted readings of one register as a rising line, and the energies of intervals read off it.

A breakpoint is (time, running total in mWh). Between two breakpoints lies an edge. The value at an interval boundary is
interpolated on the edge that holds it, in whole mWh rounded down, so that neighbouring intervals share it and every sum
telescopes exactly.
"""

from array import array
from bisect import bisect_right
from dataclasses import dataclass
from enum import IntEnum, IntFlag

import numpy as np
from numpy.typing import NDArray

from meterd.core.model.results import Anchor

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Longest edge whose interpolation fits 64 bits as quotient and remainder: its square stays below 2^63 ms^2 (35 days).
_LONGEST_EDGE_MS = 3_037_000_499


class Edge(IntEnum):
    """What is known about the energy between a breakpoint and the one before it."""

    KNOWN = 0
    ESTIMATED = 1  # the sum is known, its shape is not (frozen register that caught up)
    BOUND = 2  # at least this much (reset inside, or more than one turn possible)
    BREAK = 3  # unknown


_SHAPELESS = (Edge.ESTIMATED, Edge.BOUND)


class Flag(IntFlag):
    """Quality of one figure. A figure without energy is missing and carries no flags."""

    GOOD = 0
    START = 1  # the boundary value at its start is estimated
    END = 2  # the boundary value at its end is estimated
    BOUND = 4  # the energy is a lower bound
    NO_IMPORT = 8  # of a point that is missing: its 1.8.0 is
    NO_EXPORT = 16  # its 2.8.0 is


@dataclass(frozen=True, slots=True)
class Figures:
    """Energies of T consecutive intervals of one register: `energy` mWh (0 where missing), `present`, `flags`.

    `anchor` is the index into the breakpoints of the anchor at or before each start, -1 where there is none.
    """

    start_ms: Ints
    energy: Ints
    present: Bools
    flags: NDArray[np.uint8]
    anchor: Ints


class Breakpoints:
    """Growing columns of breakpoints. Owned by one tracker; columns are copied out, never shared."""

    __slots__ = ("anchorable", "edge", "plateau", "raw", "t", "total")

    def __init__(self) -> None:
        self.t = array("q")
        self.total = array("q")
        self.raw = array("q")
        self.plateau = array("q")
        self.edge = bytearray()
        self.anchorable = bytearray()

    def __len__(self) -> int:
        return len(self.t)

    def add(self, t: int, total: int, raw: int, *, plateau: int, edge: Edge, anchorable: int) -> None:
        """One more breakpoint."""
        self.t.append(t)
        self.total.append(total)
        self.raw.append(raw)
        self.plateau.append(plateau)
        self.edge.append(edge)
        self.anchorable.append(anchorable)

    def extend(self, t: Ints, total: Ints, raw: Ints, risen: Bools, plateau: int) -> int:
        """Many breakpoints with known edges, each an anchor; at least one. `plateau` is the one before, the last is returned."""
        since = np.maximum.accumulate(np.where(risen, t, plateau))
        for column, values in ((self.t, t), (self.total, total), (self.raw, raw), (self.plateau, since)):
            _append(column, values)
        self.edge.extend(bytes(len(t)))
        self.anchorable.extend(b"\x01" * len(t))
        return int(since[-1])

    def drop_after(self, t: int) -> None:
        """Forget breakpoints later than t."""
        self._keep(0, bisect_right(self.t, t))

    def trim(self, t: int) -> None:
        """Forget breakpoints that no interval from t on needs: all before the last anchor at or before t."""
        index = bisect_right(self.t, t) - 1
        while index > 0 and not self.anchorable[index]:
            index -= 1
        if index > 0:
            self._keep(index, len(self.t))

    def _keep(self, low: int, high: int) -> None:
        for column in (self.t, self.total, self.raw, self.plateau):
            del column[high:]
            del column[:low]
        for flags in (self.edge, self.anchorable):
            del flags[high:]
            del flags[:low]

    def anchor(self, index: int) -> Anchor:
        """The anchor at a breakpoint."""
        return Anchor(self.t[index], self.raw[index], self.plateau[index])

    def total_at(self, t: int) -> int | None:
        """Total at a moment inside the breakpoints, interpolated; None before the first, after the last or across a break."""
        index = bisect_right(self.t, t) - 1
        if index < 0:
            return None
        if self.t[index] == t:
            return self.total[index]
        if index + 1 == len(self.t) or self.edge[index + 1] == Edge.BREAK:
            return None
        rise, run = self.total[index + 1] - self.total[index], self.t[index + 1] - self.t[index]
        return self.total[index] + rise * (t - self.t[index]) // run

    def estimated_at(self, t: int, gap_exact_ms: int) -> bool:
        """Whether `total_at` lies in a gap or on an edge of unknown shape."""
        index = bisect_right(self.t, t) - 1
        if index < 0 or index + 1 == len(self.t) or self.t[index] == t:
            return False
        return self.edge[index + 1] in _SHAPELESS or self.t[index + 1] - self.t[index] > gap_exact_ms

    def broken_since(self, t: int) -> bool:
        """Whether an edge that ends after t is a break."""
        return self.edge.find(Edge.BREAK, bisect_right(self.t, t)) >= 0

    def bound_since(self, t: int) -> bool:
        """Whether the energy of an edge that ends after t is only a lower bound."""
        return self.edge.find(Edge.BOUND, bisect_right(self.t, t)) >= 0


class RegisterLine(Breakpoints):
    """Breakpoints without anchors, for a history that is gone through once: half the columns, half the time."""

    __slots__ = ()

    def add(self, t: int, total: int, raw: int, *, plateau: int, edge: Edge, anchorable: int) -> None:
        """One more breakpoint."""
        self.t.append(t)
        self.total.append(total)
        self.edge.append(edge)

    def extend(self, t: Ints, total: Ints, raw: Ints, risen: Bools, plateau: int) -> int:
        """Many breakpoints with known edges; at least one."""
        _append(self.t, t)
        _append(self.total, total)
        self.edge.extend(bytes(len(t)))
        back = int(np.argmax(risen[::-1]))  # False throughout gives 0
        return int(t[len(t) - 1 - back]) if risen[len(t) - 1 - back] else plateau


def _append(column: "array[int]", values: Ints) -> None:
    column.frombytes(np.ascontiguousarray(values, dtype=np.int64).view(np.uint8).data)


def interpolate(t0: Ints, v0: Ints, t1: Ints, *, v1: Ints, at: Ints) -> Ints:
    """Whole mWh at `at` on the line from (t0, v0) to (t1, v1), rounded down, without overflow."""
    run, rise, part = t1 - t0, v1 - v0, at - t0
    quotient, rest = rise // run, rise % run
    value: Ints = v0 + quotient * part + rest * part // run
    for i in np.flatnonzero(run > _LONGEST_EDGE_MS):
        value[i] = int(v0[i]) + int(rise[i]) * int(part[i]) // int(run[i])
    return value


def _boundary_values(t: Ints, total: Ints, forced: Bools, *, at: Ints, gap_exact_ms: int) -> tuple[Ints, Bools, Bools]:
    """Total at each boundary, whether it is known, and whether it is estimated."""
    index = np.searchsorted(t, at, side="right") - 1
    inside = (index >= 0) & ((index + 1 < len(t)) | (t[index] == at))
    left = np.clip(index, 0, len(t) - 1)
    exact = inside & (t[left] == at)
    between = np.flatnonzero(inside & ~exact)
    low = left[between]
    value = np.where(inside, total[left], 0)
    value[between] = interpolate(t[low], total[low], t[low + 1], v1=total[low + 1], at=at[between])
    estimated = np.zeros(len(at), dtype=np.bool_)
    estimated[between] = (t[low + 1] - t[low] > gap_exact_ms) | forced[low + 1]
    return value, inside, estimated


def _overlap(t: Ints, kind: Bools, boundaries: Ints) -> Bools:
    """For each interval whether an edge of that kind reaches into it."""
    ends = np.flatnonzero(kind[1:]) + 1 if len(kind) > 1 else np.empty(0, dtype=np.int64)
    if not len(ends):
        return np.zeros(len(boundaries) - 1, dtype=np.bool_)
    begun = np.searchsorted(t[ends - 1], boundaries[1:], side="left")
    over = np.searchsorted(t[ends], boundaries[:-1], side="right")
    return begun > over


def figures(
    breakpoints: Breakpoints, first_ms: int, until_ms: int, *, interval_ms: int, gap_exact_ms: int, gap_estimate_ms: int
) -> Figures:
    """Energies of the intervals from `first_ms` up to `until_ms` (both boundaries), T = (until - first) / interval.

    A boundary between readings further apart than `gap_exact_ms` is estimated; an interval that reaches into a break or
    into a gap longer than `gap_estimate_ms` is missing.
    """
    boundaries = np.arange(first_ms, until_ms + 1, interval_ms, dtype=np.int64)
    count = max(len(boundaries) - 1, 0)
    if not len(breakpoints) or not count:
        none = np.zeros(count, dtype=np.int64)
        return Figures(boundaries[:count], none, none.astype(bool), none.astype(np.uint8), none - 1)
    # copies, not views: a view forbids the breakpoints to grow as long as anything holds the frame of this call, and the
    # supervisor holds the frames of all threads for a moment when it looks where they stand
    t = np.array(breakpoints.t, dtype=np.int64)
    total = np.array(breakpoints.total, dtype=np.int64)
    edge = np.array(breakpoints.edge, dtype=np.uint8)
    forced = (edge == Edge.ESTIMATED) | (edge == Edge.BOUND)
    value, known, estimated = _boundary_values(t, total, forced, at=boundaries, gap_exact_ms=gap_exact_ms)
    broken = edge == Edge.BREAK
    if t[-1] - t[0] > gap_estimate_ms:
        broken[1:] |= np.diff(t) > gap_estimate_ms
    present = known[:-1] & known[1:] & ~_overlap(t, broken, boundaries)
    bound = _overlap(t, edge == Edge.BOUND, boundaries)
    flags = estimated[:-1] * np.uint8(Flag.START) | estimated[1:] * np.uint8(Flag.END) | bound * np.uint8(Flag.BOUND)
    return Figures(
        boundaries[:-1],
        np.where(present, value[1:] - value[:-1], 0),
        present,
        np.where(present, flags, 0).astype(np.uint8),
        _anchors(t, breakpoints.anchorable, boundaries[:-1]),
    )


def _anchors(t: Ints, anchorable: bytearray, starts: Ints) -> Ints:
    if not anchorable:
        return np.full(len(starts), -1, dtype=np.int64)
    usable = np.array(anchorable, dtype=np.bool_)
    latest = np.maximum.accumulate(np.where(usable, np.arange(len(t)), -1))
    index = np.searchsorted(t, starts, side="right") - 1
    result: Ints = np.where(index >= 0, latest[np.clip(index, 0, None)], -1)
    return result
