"""The smallest error of each instrument that the balances can show after a week, a month, a year; and from the plan alone.

A step of d standard deviations of a day is on average seen when its chart reaches h: after D days when D (d - k) = h,
so d = k + h / D. It is named only when it is also distinguished from its nearest rival, whose signature correlates with
it by rho: at odds of 20:1 from a step of sqrt(2 ln 20 / (1 - rho^2)) standard errors on.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from meterd.core.balance.topology import Network, Node, gain_parts
from meterd.core.balance.uncertainty import ASSUMED_LOAD, COVERAGE, Floats
from meterd.core.drift.baseline import directions, information
from meterd.core.drift.cusum import ALLOWANCE, threshold_of
from meterd.core.drift.identification import GAP, evidence
from meterd.core.drift.monitor_state import WatchState, sums_of

HORIZONS = (7, 30, 365)  # days
DAY_SCATTER = 0.002  # of a board's throughput: what losses and unmetered bits change from day to day (common practice)
ALIKE = 0.9  # correlation of two signatures from which on it takes far more to name than to see
PLAN_RUN_DAYS = 3652.5  # one false alarm in ten years per chart while no history calibrates it


@dataclass(frozen=True, slots=True)
class Visible:
    """Smallest visible error of one instrument as a ratio, per horizon; None = never.

    `named` is the smallest that is also distinguished from its nearest `rival` (in words). `without_baseline` is what
    class limits alone would show: the band of its balance over its own energy.
    """

    point: str
    seen: tuple[float | None, ...]
    named: tuple[float | None, ...]
    rival: str
    correlation: float
    without_baseline: float | None
    note: str = ""

    @property
    def text(self) -> str:
        """One sentence for the plan check."""
        texts = [
            f"{_percent(s)} after {days} days" for days, s in zip(HORIZONS, self.seen, strict=True) if s is not None
        ]
        if not texts:
            return f"{self.point}: no error is visible; {self.note}"
        return f"{self.point}: visible from {', '.join(texts)}" + (f"; {self.note}" if self.note else "")


def _percent(ratio: float) -> str:
    return f"{100 * ratio:.2f} %" if ratio < 0.1 else f"{100 * ratio:.0f} %"


def from_history(state: WatchState) -> tuple[Visible, ...]:
    """From the recent days of a watch that has a baseline. ValueError before the first week is over."""
    if state.learner is None or not state.recent:
        raise ValueError("there is no baseline yet: the smallest visible error needs a week of days, or the plan alone")
    net = state.network
    D = directions(net, state.tests)
    days = [information(net, sums_of(state, day), state.noise)[0] for day in state.recent]
    M = np.sum(days, axis=0) / len(days)
    MD = M @ D
    own = (D * MD).sum(axis=0)
    predicted = (MD * (state.learner.fit.covariance @ MD)).sum(axis=0)
    daily = np.sqrt(own + predicted) / np.where(own > 0, own, np.inf)  # sd of a day's own estimate of a step
    daily *= state.scale * np.sqrt((1 + state.phi) / (1 - state.phi))
    floor = 0.5 * np.array([t.min_relevant_step for t in state.tests])
    h = state.threshold.h
    limits = []
    horizon_R = [
        evidence(state.learner.fit, M * days_, np.zeros(len(M)), D, float(np.mean(state.scale**2)))
        for days_ in HORIZONS
    ]
    for j, test in enumerate(state.tests):
        if test.kind != "ratio":
            continue
        seen, named, rival, rho = [], [], "", 0.0
        for days_, looked in zip(HORIZONS, horizon_R, strict=True):
            size = float(daily[j])
            visible = max(float(floor[j]) + h * size / days_, (ALLOWANCE + h / days_) * size) if size > 0 else math.inf
            rival, rho = _rival(state, looked.correlation, j)
            apart = float(looked.error[j]) * math.sqrt(GAP / max(1 - rho * rho, 1e-12))
            seen.append(visible if visible < 10 else None)
            named.append(max(visible, apart) if max(visible, apart) < 10 else None)
        note = ""
        if seen[-1] is None:
            note, rival, rho = "no energy has passed it in these days", "", 0.0
        elif abs(rho) > ALIKE:
            note = f"hard to distinguish from {rival}"
        limits.append(Visible(test.points[0], tuple(seen), tuple(named), rival, rho, None, note))
    return tuple(limits)


def _rival(state: WatchState, correlation: Floats, j: int) -> tuple[str, float]:
    row = np.abs(correlation[j]).copy()
    row[j] = -1.0
    k = int(row.argmax())
    return state.tests[k].words, float(correlation[j, k])


def from_plan(net: Network, *, load: float = ASSUMED_LOAD, scatter: float = DAY_SCATTER) -> tuple[Visible, ...]:
    """From ratings and classes alone, before anything is bought; each point at the same fraction of its rating.

    `scatter` is the share of a node's throughput by which its residual changes from day to day. A point in several nodes is
    seen best where it is largest. Which rival looks alike cannot be known without shapes, so nothing is promised of names.
    """
    parts = gain_parts(net, load)
    power = np.array([_power(net, i, load) for i in range(len(net.points))])
    h = threshold_of(PLAN_RUN_DAYS)
    best = [(math.inf, math.inf)] * len(net.points)
    for node in net.nodes:
        for i, seen in zip(
            node.points, _in_node(node, power, variance=_variance(net, node, parts), scatter=scatter), strict=True
        ):
            best[i] = min(best[i], seen)
    limits = []
    for name, (noise, band) in zip(net.points, best, strict=True):
        visible = tuple(float((ALLOWANCE + h / days) * noise) for days in HORIZONS)
        limits.append(Visible(name, visible, tuple(None for _ in HORIZONS), "", 0.0, band))
    return tuple(limits)


def _power(net: Network, i: int, load: float) -> float:
    accuracy = net.accuracies[i]
    return math.sqrt(3) * accuracy.nominal_v * (accuracy.rated_a or 100.0) * load / 1000


def _variance(net: Network, node: Node, parts: tuple[Floats, Floats]) -> Callable[[Floats], float]:
    """The variance of a sum of signed powers of a node by its class limits; instruments on one CT set share its part."""
    columns = list(node.points)
    meter, ct = (part[columns] for part in parts)
    place = {column: k for k, column in enumerate(columns)}
    shared = [[place[i] for i in members if i in place] for _, members in net.sets]
    alone = np.ones(len(columns), dtype=np.bool_)
    alone[[k for some in shared for k in some]] = False

    def of(signed: Floats) -> float:
        own = float(np.square(signed * meter).sum() + np.square(signed * ct)[alone].sum())
        return own + sum(float((signed * ct)[some].sum()) ** 2 for some in shared)

    return of


def _in_node(
    node: Node, power: Floats, *, variance: Callable[[Floats], float], scatter: float
) -> list[tuple[float, float]]:
    """(sd of a day's residual, class band of the residual), both over the power of each point of the node."""
    columns = list(node.points)
    sides = [sum(power[c] for c, s in zip(columns, node.signs, strict=True) if s == sign) for sign in (1, -1)]
    through = min(sides)  # feeders never all run at once: their sum is bound by what the feed side can deliver
    signed = (
        power[columns]
        * np.array(node.signs)
        * np.where(np.array(node.signs) > 0, through / sides[0], through / sides[1])
    )
    band = COVERAGE * math.sqrt(variance(signed))
    return [(float(scatter * through / own), float(band / own)) for own in np.abs(signed).tolist()]
