"""What a suspect instrument reads of the truth, load by load, and since which interval: for its cause and its correction.

Every balance that contains the point says what must have passed it: all the others, less what the baseline knows of them. The
factor is the sum of what it counted over the sum of what passed, not a slope: noise of the balance would flatten a slope. The
intervals are sorted by the power factor that the instrument itself shows, hour by hour from summed active and reactive energy.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from meterd.core.balance.network_reconciliation import KWH, Bools, Intervals
from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Floats, Ints
from meterd.core.drift.baseline import Fit, places
from meterd.core.drift.wiring_faults import Observed

Phasors = npt.NDArray[np.complex128]

APART = 0.1  # radians between two kinds of load: 6 degrees, some four times what register steps and clocks blur
LEAST_SHARE = 0.05  # of the energy; a kind of load with less has no factor worth comparing
FEWEST_HOURS = 4
MOST_KINDS = 4
HOUR_MS = 3_600_000
PHI_MOST = 0.98
ERROR_LEAST = 1e-4
FEWEST_BEFORE = 64  # intervals before a change that are worth comparing with: most of a day
LARGEST_ERROR_BEFORE = (
    0.2  # a factor further from 1 before the change is no base to compare with: something was wrong already
)
COMMON_ERROR_LEFT = (
    0.2  # of what else is wrong in the balance, when two stretches of the same balance are compared: their loads differ
)
ROUNDS = 3  # of factor and moment in turn; both settle in two


@dataclass(frozen=True, slots=True)
class Reactive:
    """Reactive energies of one point in the rows of an `Intervals` table: signed mvarh [T], and which are known [T].

    Positive is inductive along the arrow: what 3.8.0 counts less what 4.8.0 counts.
    """

    energy: Ints
    present: Bools


@dataclass(frozen=True, slots=True)
class ReferenceEnergy:
    """What one point counted (baseline error taken off) and what passed it by one balance, kWh [T], where both are known [T].

    `design` [T, p] is by how much what passed changes with each unknown of the node; `unknowns` are their places.
    """

    counted: Floats
    passed: Floats
    known: Bools
    design: Floats
    unknowns: tuple[int, ...]


def balances_of(net: Network, table: Intervals, point: int, fit: Fit) -> Iterator[ReferenceEnergy]:
    """What each balance says of a point (column `point`)."""
    hours = (table.end_ms - table.start_ms) / HOUR_MS
    y = table.energy / KWH
    for node, where in zip(net.nodes, places(net), strict=True):
        if point not in node.points:
            continue
        columns, signs = list(node.points), np.array(node.signs, dtype=np.float64)
        at = columns.index(point)
        gains, standing, loss = fit.mean[columns], fit.mean[where[-2]], fit.mean[where[-1]]
        others = y[:, columns] * signs
        others[:, at] = 0.0
        through = np.abs(y[:, [i for i in node.through if i != point]]).sum(axis=1)
        passed = y[:, point]
        for _ in range(2 if point in node.through else 1):  # a suspect feed must not make its own losses
            own = np.abs(passed) if point in node.through else 0.0
            loading = ((through + own) / hours / node.rating_kw) ** 2
            lost = (node.p0_kw + standing + (node.pk_kw + loss) * loading) * hours
            passed = signs[at] * (lost - others @ (1 - gains))
        design = signs[at] * np.column_stack([others, hours, loading * hours])
        design[:, at] = passed  # an error of its own moves the factor as one of all that passed does, the other way
        known = np.asarray(table.present[:, columns].all(axis=1))
        yield ReferenceEnergy(y[:, point] * (1 - gains[at]), passed, known, design, tuple(where))


def observe(
    net: Network, table: Intervals, point: str, fit: Fit, *, reactive: Reactive | None = None
) -> tuple[Observed, ...]:
    """Factor of a point at each kind of load that its own power factor tells apart, by the balance that knows it best.

    One factor without angle where no reactive energy is known. Empty where no balance has an interval, or nothing passed.
    """
    i = net.points.index(point)
    best: tuple[float, tuple[Observed, ...]] = (math.inf, ())
    for view in balances_of(net, table, i, fit):
        kinds = _kinds(table, i, view.known, reactive)
        observations = _factors(view, kinds, fit, table)
        if observations:
            best = min(
                best,
                (max(math.hypot(o.error, o.common or 0.0) for o in observations), observations),
                key=lambda pair: pair[0],
            )
    return best[1]


def _kinds(
    table: Intervals, point: int, known: Bools, reactive: Reactive | None
) -> tuple[tuple[Bools, float | None], ...]:
    """Rows of each kind of load and the angle shown there; all rows and no angle where reactive energy is not known."""
    whole: tuple[tuple[Bools, float | None], ...] = ((known, None),)
    if reactive is None:
        return whole
    rows = np.flatnonzero(known & reactive.present)
    if not len(rows):
        return whole
    hour, which = np.unique(table.start_ms[rows] // HOUR_MS, return_inverse=True)
    power = np.zeros(len(hour), dtype=np.complex128)
    np.add.at(power, which, table.energy[rows, point] + 1j * reactive.energy[rows])
    if abs(power.sum()) == 0.0:
        return whole
    angle = np.angle(power * np.conj(power.sum()))  # about the mean, so that no kind is torn at half a turn
    order = np.argsort(angle, kind="stable")
    results = []
    for part in _split(power[order], abs(power).sum(), MOST_KINDS):
        mask = np.zeros(len(known), dtype=np.bool_)
        mask[rows[np.isin(which, order[part])]] = True
        results.append((mask, float(np.angle(power[order[part]].sum()))))
    return tuple(results)


def _split(power: Phasors, total: float, most: int) -> list[slice]:
    """Hours, sorted by angle, cut where the kinds of load differ most, and each part again while `most` allows."""
    cut = _cut(power, total) if most >= 2 else None
    if cut is None:
        return [slice(0, len(power))]
    low = _split(power[:cut], total, most // 2)
    high = _split(power[cut:], total, most // 2)
    return low + [slice(part.start + cut, part.stop + cut) for part in high]


def _cut(power: Phasors, total: float) -> int | None:
    """The cut with the largest variance of the angle between both sides, if each has enough energy and they are apart."""
    size, sums = np.cumsum(abs(power)), np.cumsum(power)
    cuts = np.arange(FEWEST_HOURS, len(power) - FEWEST_HOURS + 1)
    if not len(cuts):
        return None
    low, high = size[cuts - 1], size[-1] - size[cuts - 1]
    with np.errstate(invalid="ignore"):
        gap = np.angle((sums[-1] - sums[cuts - 1]) * np.conj(sums[cuts - 1]))
    enough = (low >= LEAST_SHARE * total) & (high >= LEAST_SHARE * total) & (np.abs(gap) >= APART)
    score = np.where(enough, low * high * gap * gap, -1.0)
    best = int(score.argmax())
    return int(cuts[best]) if score[best] > 0 else None


def _factors(
    view: ReferenceEnergy, kinds: tuple[tuple[Bools, float | None], ...], fit: Fit, table: Intervals
) -> tuple[Observed, ...]:
    sums = [(float(view.counted[rows].sum()), float(view.passed[rows].sum())) for rows, _ in kinds]
    if any(passed == 0.0 for _, passed in sums):
        return ()
    factors = [counted / passed for counted, passed in sums]
    left = np.zeros(len(view.counted))
    for (rows, _), factor in zip(kinds, factors, strict=True):
        left[rows] = view.counted[rows] - factor * view.passed[rows]
    long_run = _long_run(left, np.any([rows for rows, _ in kinds], axis=0), table)
    square = np.ix_(view.unknowns, view.unknowns)
    observations = []
    for (rows, angle), factor, (_, passed) in zip(kinds, factors, sums, strict=True):
        moved = factor * view.design[rows].sum(axis=0) / passed
        common = math.sqrt(max(float(moved @ fit.covariance[square] @ moved), 0.0))
        error = math.sqrt(long_run * float(rows.sum())) / abs(passed)
        observations.append(Observed(factor, max(error, ERROR_LEAST), shown_angle=angle, common=common))
    return tuple(observations)


def _long_run(left: Floats, rows: Bools, table: Intervals) -> float:
    """Variance per interval of a sum of these residuals: of an AR(1), s^2 (1 + phi) / (1 - phi)."""
    pairs = rows[1:] & rows[:-1] & (table.start_ms[1:] == table.end_ms[:-1])
    power = float(np.square(left[rows]).mean())
    if power == 0.0 or pairs.sum() < 2:
        return power
    phi = min(max(float((left[1:] * left[:-1])[pairs].mean()) / power, 0.0), PHI_MOST)
    return power * (1 + phi) / (1 - phi)


@dataclass(frozen=True, slots=True)
class Onset:
    """Since when an instrument reads a factor of the truth: the start of the first interval, and the factor from there on.

    `error` and `common` as in `Observed`: kept apart, because the second mostly cancels when it is `compared`.
    """

    from_ms: int
    factor: float
    error: float
    common: float


def onset(net: Network, table: Intervals, point: str, fit: Fit, first_ms: int) -> Onset | None:
    """The interval in which a gross change began, from a table that reaches back to before it.

    `first_ms` is where it is looked for first. Least squares with one factor from a moment on and none before; factor and
    moment in turn. None where no factor can be computed.
    """
    i, best = net.points.index(point), Onset(first_ms, 1.0, math.inf, 0.0)
    for _ in range(ROUNDS):
        later = replace(table, present=table.present & (table.start_ms >= best.from_ms)[:, None])
        seen = observe(net, later, point, fit)
        if not seen:
            return None
        result = seen[0].factor
        views = list(balances_of(net, table, i, fit))
        gain = sum((_gained(view, result) for view in views), np.zeros(len(table.start_ms)))
        after = np.cumsum(gain[::-1])[::-1]
        best = Onset(int(table.start_ms[int(after.argmax())]), result, seen[0].error, seen[0].common or 0.0)
    return best


def compared(
    net: Network, table: Intervals, point: str, *, fit: Fit, seen: tuple[Observed, ...], from_ms: int
) -> tuple[Observed, ...]:
    """Factors since a change over the one before it, in the same table: what else is wrong in the balance mostly cancels.

    As they are where less than most of a day is known before it.
    """
    earlier = replace(table, present=table.present & (table.end_ms <= from_ms)[:, None])
    column = net.points.index(point)
    before = observe(net, earlier, point, fit) if earlier.present[:, column].sum() >= FEWEST_BEFORE else ()
    if not before or abs(before[0].factor - 1) > LARGEST_ERROR_BEFORE:
        return seen
    base = before[0].factor
    observations = []
    for o in seen:
        common = abs(o.factor) * math.hypot(before[0].error, COMMON_ERROR_LEFT * (before[0].common or 0.0))
        observations.append(replace(o, factor=o.factor / base, error=o.error / base, common=common))
    return tuple(observations)


def _gained(view: ReferenceEnergy, factor: float) -> Floats:
    """By how much less the squares of each interval are with the factor than without."""
    plain, changed = view.counted - view.passed, view.counted - factor * view.passed
    return np.where(view.known, plain * plain - changed * changed, 0.0)
