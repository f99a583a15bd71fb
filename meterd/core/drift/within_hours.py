"""The sums of a day at a node with a load of which nobody knows what it draws: only what happens within the hour is left.

The power of each hour is free. And since a load comes and goes at about the same minute of every day, as many metered ones do,
what a quarter hour has in common with the same one of earlier days is taken off as well, of residual and flows alike. What
remains of a ratio error are the fluctuations that its own instrument shows.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Floats, Ints
from meterd.core.drift.daily_course import HOUR_MS, Course
from meterd.core.drift.daily_statistics import NodeSums, sums_of_pairs
from meterd.core.drift.load_shape import DAY_MS, rows_of

PHIS = (-0.9, -0.75, -0.6, -0.45, -0.3, -0.15, 0.0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9)
LEFT = 2 / 3  # of the pairs within an hour, after their mean is taken off


def quieted(sums: NodeSums, sigma: float) -> NodeSums:
    """The sums whitened as the day itself wants it, with as much less weight as it scatters more than `sigma`.

    A load that switches within the hour is the noise of its node: the day's own phi is that which leaves least, whatever the
    ratios are. The result is the same for any phi that is asked of it.
    """
    left, phi = min((_left(sums.whitened(phi)), phi) for phi in PHIS)
    W = sums.whitened(phi)
    free = max(sums.pairs - len(W), sums.pairs / 2)
    more = max(left / (free * sigma**2), 1.0) if free > 0 else 1.0
    return NodeSums(W / more, np.zeros_like(W), np.zeros_like(W), sums.pairs / more)


def _left(W: Floats) -> float:
    """The residual's square that no combination of the columns explains."""
    xr = W[:-1, -1]
    return float(W[-1, -1] - xr @ np.linalg.pinv(W[:-1, :-1], rcond=1e-9, hermitian=True) @ xr)


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Rows [T, q] and those before them, both less the mean of their hour, and which interval of the local day they are."""

    now: Floats
    before: Floats
    slot: Ints
    kind: int


def within_hours(net: Network, day: Course, earlier: Sequence[Course], k: int) -> NodeSums:
    """The sums of node k; nothing of intervals that no earlier day of the kind has.

    An unknown power of each hour adds (1 - phi) times itself to the whitened rows of that hour: their mean takes it off, for
    any phi. The n-th day less the mean of those before it counts (n - 1) / n, so all days together say what they would if the
    mean of all were taken off.
    """
    mine = _pairs(net, day, k)
    others = [pairs for pairs in (_pairs(net, course, k) for course in earlier) if pairs.kind == mine.kind]
    slots = 1 + max((int(pairs.slot.max(initial=0)) for pairs in (mine, *others)), default=0)
    count, sums = np.zeros(slots), np.zeros((slots, 2 * mine.now.shape[1]))
    for pairs in others:
        np.add.at(count, pairs.slot, 1.0)
        np.add.at(sums, pairs.slot, np.column_stack([pairs.now, pairs.before]))
    known = count[mine.slot] > 0
    n = count[mine.slot][known][:, None]
    mean = sums[mine.slot][known] / n
    rest = (np.column_stack([mine.now, mine.before])[known] - mean) * np.sqrt(n / (n + 1))
    q = mine.now.shape[1]
    shape = mean[:, [q - 1, 2 * q - 1]]  # a day with more of the load has more of all its edges
    rest -= shape @ np.linalg.lstsq(shape, rest, rcond=1e-9)[0]
    return replace(sums_of_pairs(rest[:, q:], rest[:, :q]), pairs=LEFT * float(known.sum()))


def _pairs(net: Network, course: Course, k: int) -> _Pairs:
    node, rows = net.nodes[k], rows_of(net, course)
    flows = course.flows[:, list(node.points)].astype(np.float64)
    hours = (course.end_ms - course.start_ms) / HOUR_MS
    signs = np.array(node.signs, dtype=np.float64)
    z = np.column_stack([flows * signs, hours, course.loading[:, k], course.residuals[:, k]]).astype(np.float64)
    valid, block = course.valid[:, k], rows.block
    follows = (course.start_ms[1:] == course.end_ms[:-1]) & (block[1:] == block[:-1])
    pairs = valid[1:] & valid[:-1] & follows
    now, before = (less_means(block[1:][pairs], some[pairs]) for some in (z[1:], z[:-1]))
    return _Pairs(now, before, rows.slot[1:][pairs] % (DAY_MS // int(hours[0] * HOUR_MS)), rows.kind)


def less_means(block: Ints, values: Floats) -> Floats:
    """Values [T, q] less the mean of their block."""
    _, group = np.unique(block, return_inverse=True)
    count = np.maximum(np.bincount(group), 1)
    sums = np.zeros((len(count), values.shape[1]))
    np.add.at(sums, group, values)
    return np.asarray(values - (sums / count[:, None])[group])
