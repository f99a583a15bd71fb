"""Gross faults on the first day, without a baseline: a transformer reversed, a wrong ratio, a double count, rotated phases.

For one day of intervals every pair (instrument, plausible factor) is tried: the reading is divided by the factor and the
balances are asked how likely the day is then, with class limits, standing load and losses as the only freedom. One balance of
one interval could never name; the shape of a day can. A fault is named where it is 20 times likelier than any at
another point. A free factor is tried too, so that a cause nobody listed is still found.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from meterd.causes import CAUTION, Observed, match, plausible_factors
from meterd.drift_fit import Fit, places, prior
from meterd.drift_name import GAP, Candidate, Suspicion
from meterd.interval import text as moment
from meterd.network import NOT_OBSERVABLE, Network, Node
from meterd.network_flows import Intervals
from meterd.uncertainty import Floats

FEWEST = 24  # intervals: six hours of quarter hours; less has no shape
NEEDED = 30.0  # 2 ln of the likelihood ratio against "no fault": about 3e6:1, since some thousand pairs are tried every day
PHI = 0.8  # correlation of a node's noise from one quarter hour to the next, before any is known
NOISE_SHARE = 0.002  # of a node's mean throughput: scatter that is always granted (losses, clocks, steps)
DEGREES = 8.0  # weight of that grant, in intervals: the day's own scatter rules beyond it
COST_OF_FREE = 4.0  # 2 ln: a free factor fits a little better than any listed one
LARGE = 0.05  # a factor nearer to 1 is not gross


@dataclass(frozen=True, slots=True)
class Trial:
    """One explanation: `factor` at column `point`, and 2 ln of its likelihood ratio against no fault."""

    point: int
    factor: float
    error: float
    gain: float


@dataclass(frozen=True, slots=True)
class _Day:
    """Columns of one node over the intervals that count, whitened by PHI: y signed [T, p], hours, loading, modelled loss."""

    y: Floats
    rest: Floats  # [T, 2]: hours, loading * hours
    known: Floats  # [T]: known loss
    floor: float  # variance always granted


def gross(net: Network, table: Intervals) -> Suspicion | None:
    """The gross fault of a day, or None. `table` holds the intervals of one day (or a few).

    Nothing is said where less than six hours can be computed, or where no instrument explains the day.
    """
    if len(table.start_ms) < FEWEST or not net.nodes:
        return None
    days = [_columns(net, k, node, table) for k, node in enumerate(net.nodes)]
    first = prior(net)
    plain = [_likelihood(net, k, day, first, {}) for k, day in enumerate(days)]
    trials: list[Trial] = []
    for i in range(len(net.points)):
        nodes = [k for k, node in enumerate(net.nodes) if i in node.points and days[k] is not None]
        if nodes:
            trials += _trials(net, i, nodes, days, first, sum(plain[k] for k in nodes))
    trials.sort(key=lambda t: (-t.gain, t.point, abs(t.factor - 1)))
    if not trials or trials[0].gain < NEEDED:
        return None
    return _verdict(net, trials, table)


def _columns(net: Network, k: int, node: Node, table: Intervals) -> "_Day | None":
    columns = list(node.points)
    whole = table.present[:, columns].all(axis=1)
    pairs = whole[1:] & whole[:-1] & (table.start_ms[1:] == table.end_ms[:-1])
    if pairs.sum() < FEWEST - 1:
        return None
    hours = (table.end_ms - table.start_ms) / 3_600_000.0
    y = table.energy[:, columns] / 1e6 * np.array(node.signs, dtype=np.float64)
    through = np.abs(y[:, [columns.index(i) for i in node.through]]).sum(axis=1)
    loading = np.square(through / hours / node.rating_kw)
    rest = np.stack([hours, loading * hours], axis=1)
    known = (node.p0_kw + node.pk_kw * loading) * hours
    floor = (NOISE_SHARE * max(float(np.abs(y).sum(axis=1).mean()) / 2, 1e-6)) ** 2
    return _Day(_white(y)[pairs], _white(rest)[pairs], _white(known)[pairs], floor)


def _white(series: Floats) -> Floats:
    return np.asarray((series[1:] - PHI * series[:-1]) / math.sqrt(1 - PHI * PHI))


def _likelihood(net: Network, k: int, day: "_Day | None", first: Fit, divided: dict[int, float]) -> float:
    """2 ln of the marginal likelihood of one node's day, with the readings of some points divided by factors.

    Gains, standing load and loss are integrated over their priors; the noise variance over an inverse gamma around its floor
    (so the result is that of a Student distribution).
    """
    if day is None:
        return 0.0
    node = net.nodes[k]
    scale = np.array([1.0 / divided.get(i, 1.0) for i in node.points])
    y = day.y * scale
    Z = np.column_stack([y, day.rest])
    r = y.sum(axis=1) - day.known
    where = places(net)[k]
    C = first.covariance[np.ix_(where, where)] / day.floor
    # noise in units of the floor: V = I + Z C Z', by the small side
    ZZ, Zr = Z.T @ Z, Z.T @ r
    inner = np.eye(len(where)) + C @ ZZ
    rest = float(r @ r - Zr @ np.linalg.solve(inner, C @ Zr)) / day.floor
    _, logdet = np.linalg.slogdet(inner)
    return -float(logdet) - (len(r) + DEGREES) * math.log(DEGREES + max(rest, 0.0))


def _trials(
    net: Network, i: int, nodes: list[int], days: "list[_Day | None]", first: Fit, plain: float
) -> list[Trial]:
    """All factors at one point, the best free one refined by halving."""

    def gain(factor: float) -> float:
        return sum(_likelihood(net, k, days[k], first, {i: factor}) for k in nodes) - plain

    listed = [Trial(i, f, 0.0, gain(f)) for f in plausible_factors()]
    best = max(listed, key=lambda t: t.gain)
    if best.gain < NEEDED / 2:
        return []
    free, width = best, 0.04 * max(abs(best.factor), 0.1)
    while width > 1e-3 * max(abs(best.factor), 0.1):
        near = [Trial(i, free.factor + s * width, 0.0, gain(free.factor + s * width)) for s in (-1, 1)]
        step = max((free, *near), key=lambda t: t.gain)
        width, free = (width / 2, free) if step is free else (width, step)
    error = _error(gain, free)
    return [replace(best, error=error), Trial(i, free.factor, error, free.gain - COST_OF_FREE)]


def _error(gain: "object", free: Trial) -> float:
    """Standard error of a free factor: from the curvature of the log likelihood around it."""
    assert callable(gain), "the likelihood of a factor"
    d = 5e-3 * max(abs(free.factor), 0.1)
    bend = 2 * free.gain - gain(free.factor + d) - gain(free.factor - d)
    return float(math.sqrt(2 * d * d / bend)) if bend > 0 else abs(free.factor)


def _verdict(net: Network, trials: list[Trial], table: Intervals) -> Suspicion | None:
    best: dict[int, Trial] = {}
    for trial in trials:
        best.setdefault(trial.point, trial)
    order = sorted(best.values(), key=lambda t: (-t.gain, t.point))
    top = order[0]
    if abs(top.factor - 1) < LARGE:
        return None
    kept = [t for t in order if top.gain - t.gain < GAP]
    listed = tuple(_candidate(net, t, top) for t in kept)
    named = listed[0].hypothesis if len(listed) == 1 else None
    start, end = int(table.start_ms[0]), int(table.end_ms[-1])
    head = "; ".join(f"{c.points[0]} reads {1 + c.step:.3f} of the truth" for c in listed[:6])
    if named is None:
        head = f"one of these would explain the day: {head}"
    causes = [f"possible cause: {c}" for c in listed[0].causes]
    text = "; ".join([f"{head}, seen on {moment(start)[:10]} without any baseline", *causes, NOT_OBSERVABLE])
    return Suspicion(
        kind="gross",
        found_ms=end,
        change_ms=start,
        days=1,
        named=named,
        candidates=listed,
        if_feed_right="",
        explained=1.0,
        text=text,
        remedy=f"check {', '.join(c.points[0] for c in listed[:4])}: {listed[0].causes[0] if listed[0].causes else 'wiring and ratio'}; {CAUTION}",
        false_alarms_per_year=0.0,
    )


def _candidate(net: Network, trial: Trial, top: Trial) -> Candidate:
    name = net.points[trial.point]
    causes = match((Observed(trial.factor, max(trial.error, 1e-3)),))
    return Candidate(
        hypothesis=f"ratio {name}",
        kind="ratio",
        points=(name,),
        node=next(node.name for node in net.nodes if trial.point in node.points),
        step=trial.factor - 1,
        step_error=trial.error,
        unit="ratio",
        statistic=trial.gain,
        odds=math.exp(min((top.gain - trial.gain) / 2, 700.0)),
        correlation=0.0 if trial is not top else 1.0,
        causes=tuple(c.text for c in causes[:4]),
    )
