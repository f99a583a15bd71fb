"""Gross faults on the first day, without a baseline: a transformer reversed, a wrong ratio, a double count, rotated phases.

For one day of intervals every pair (instrument, plausible factor) is tried: the reading is divided by the factor and the
balances are asked how likely the day is then, with class limits, standing load and losses as the only freedom. One balance of
one interval could never name; the shape of a day can. A fault is named where it is 20 times likelier than any at
another point. A free factor is tried too, so that a cause nobody listed is still found; and where reactive energy is read,
currents rotated by a phase, whose factor goes with the power factor and would pass for noise. Work is done by day: the last
hours of a day are tried as well, for a fault that is not as old as the day.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.network_reconciliation import Bools, Intervals
from meterd.core.balance.topology import NOT_OBSERVABLE, Network, Node
from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import Fit, hypotheses, places, prior
from meterd.core.drift.daily_course import coarse, course_of, signature_flows
from meterd.core.drift.gross_screen import DEGREES, DaySums, gains_of_all
from meterd.core.drift.identification import (
    CAUSES,
    GAP,
    Candidate,
    Suspicion,
    first_of,
    look_for_load,
    with_load_shape,
)
from meterd.core.drift.load_dependent_error import HOUR_MS, Reactive
from meterd.core.drift.load_shape import ShapeEvidence, shape_evidence
from meterd.core.drift.wiring_faults import (
    CAUTION,
    UPRIGHT,
    WIRINGS,
    Cause,
    Observed,
    match,
    plausible_factors,
    wiring_phasor,
)
from meterd.core.drift.within_hours import less_means
from meterd.core.model.periods import day_of

FEWEST = 24  # intervals: six hours of quarter hours; less has no shape
NEEDED = (
    30.0  # 2 ln of the likelihood ratio against "no fault": about 3e6:1, since some thousand pairs are tried every day
)
PHI = 0.8  # correlation of a node's noise from one quarter hour to the next, before any is known
NOISE_SHARE = 0.002  # of a node's mean throughput: scatter that is always granted (losses, clocks, steps)
SMALL_LOAD, LARGE_LOAD = 0.25, 0.05  # of the prior of the watch; of the node's rating
PRIOR_WIDENING = 0.1  # of the prior is added to a learned baseline for one day
SEARCH_RANGE, REFINEMENTS = (
    0.06,
    4,
)  # how far around the best listed factor a free one is looked for, and how often closer
COST_OF_FREE = 4.0  # 2 ln: a free factor fits a little better than any listed one
LARGE = 0.05  # a factor nearer to 1 is not gross
LATER_H = (12, 6)  # last hours of a day that are tried by themselves; six are the fewest with a shape
NEEDED_LATER = (
    60.0  # there: hours have less shape than a day, and more of them are tried (30 gave 1 false name in 220 looks)
)
SCREENED = 1.0  # 2 ln: nothing is passed over that is nearer to a trial; the screen errs by less than a millionth of it
NOTHING_READ: Mapping[str, Reactive] = {}


@dataclass(frozen=True, slots=True)
class Trial:
    """One explanation: `factor` at column `point` (or a load of node `node`), and 2 ln of its likelihood ratio.

    `cause` is its physical cause where the explanation is more than a factor.
    """

    name: str
    factor: float
    error: float
    gain: float
    point: int = -1
    node: int = -1
    load: str = ""  # "standing" or "loss"
    cause: str = ""


def gross(
    net: Network,
    table: Intervals,
    before: Fit | None = None,
    *,
    reactive: Mapping[str, Reactive] = NOTHING_READ,
    free: frozenset[str] = frozenset(),
) -> Suspicion | None:
    """The gross fault of a day, or None. `table` holds the intervals of one day (or a few); `before` a learned baseline.

    `reactive` are the reactive energies of points in the same rows, `free` the nodes with a load of which nobody knows what it
    draws in each hour: there only what happens within the hour tells. Nothing is said where less than six hours can be computed,
    or where nothing explains the day much better than no fault. The last hours alone say something only if they name somebody.
    """
    if not net.nodes or not len(table.start_ms):
        return None
    table, reactive = _coarse(table, reactive)
    suspicions = [_searched(net, table, before, reactive=reactive, free=free)]
    for hours in LATER_H:
        first = int(np.searchsorted(table.start_ms, int(table.end_ms[-1]) - hours * HOUR_MS))
        if first:
            rows = slice(first, None)
            some = {
                name: Reactive(reactive.energy[rows], reactive.present[rows]) for name, reactive in reactive.items()
            }
            suspicions.append(_named(_searched(net, _rows(table, rows), before, reactive=some, free=free)))
    return max((suspicion for suspicion in suspicions if suspicion is not None), key=_rank, default=None)


def _rank(suspicion: Suspicion) -> tuple[bool, float]:
    """A fault of a meter that began during the day looks like a load of that shape when the whole day is asked."""
    return suspicion.candidates[0].kind != "shape", suspicion.candidates[0].statistic


def _coarse(table: Intervals, reactive: Mapping[str, Reactive]) -> tuple[Intervals, Mapping[str, Reactive]]:
    """Both in quarter hours, with the rows that both have."""
    n = table.energy.shape[1]
    energy = np.column_stack([table.energy, *(reactive.energy for reactive in reactive.values())])
    present = np.column_stack([table.present, *(reactive.present for reactive in reactive.values())])
    whole = coarse(replace(table, energy=energy, present=present))
    some = {name: Reactive(whole.energy[:, n + i], whole.present[:, n + i]) for i, name in enumerate(reactive)}
    return replace(whole, energy=whole.energy[:, :n], present=whole.present[:, :n]), some


def _rows(table: Intervals, rows: slice) -> Intervals:
    return Intervals(table.start_ms[rows], table.end_ms[rows], table.energy[rows], table.present[rows])


def _named(suspicion: Suspicion | None) -> Suspicion | None:
    if suspicion is None or suspicion.named is None or not suspicion.candidates[0].points:
        return None
    return suspicion if suspicion.candidates[0].statistic >= NEEDED_LATER else None


def _searched(
    net: Network, table: Intervals, before: Fit | None, *, reactive: Mapping[str, Reactive], free: frozenset[str]
) -> Suspicion | None:
    """What explains these intervals much better than no fault."""
    if len(table.start_ms) < FEWEST:
        return None
    days = [_columns(node, table, free=node.name in free) for node in net.nodes]
    first = tightened(net) if before is None else _widened(net, before)
    factors = np.array(plausible_factors())
    promising = _promising(net, days, first=first, factors=factors)
    trials: list[Trial] = []
    for i in range(len(net.points)):
        if promising[i]:
            trials += _trials(net, i, days, first=first, factors=factors)
        if (seen := reactive.get(net.points[i])) is not None:
            trials += _turned(net, i, (table, seen), first=first, free=free)
    for k, day in enumerate(days):
        if day is not None and net.nodes[k].name not in free:
            trials += _loads(net, k, day, first)
    trials.sort(key=lambda t: (-t.gain, t.name, abs(t.factor - 1)))
    if not trials or trials[0].gain < NEEDED:
        return None
    return _verdict(net, trials, table, first=first, free=free)


def tightened(net: Network) -> Fit:
    """Class limits, and loads and losses that are small: a large one is an explanation of its own."""
    plan, n = prior(net), len(net.points)
    C = plan.covariance.copy()
    C[n:, n:] *= SMALL_LOAD**2
    return Fit(plan.mean, C)


def _widened(net: Network, before: Fit) -> Fit:
    """A learned baseline for a single day: it was learned as a mean over months, and one day wanders around it."""
    return Fit(before.mean, before.covariance + PRIOR_WIDENING**2 * prior(net).covariance)


def _columns(node: Node, table: Intervals, *, free: bool = False) -> DaySums | None:
    """One node's day; where the power of every hour is `free`, the mean of each hour's whitened rows is taken off."""
    columns = list(node.points)
    whole: Bools = np.asarray(table.present[:, columns].all(axis=1))
    pairs: Bools = np.asarray(whole[1:] & whole[:-1] & (table.start_ms[1:] == table.end_ms[:-1]))
    if pairs.sum() < FEWEST - 1:
        return None
    hours = (table.end_ms - table.start_ms) / 3_600_000.0
    y = table.energy[:, columns] / 1e6 * np.array(node.signs, dtype=np.float64)
    through = np.abs(y[:, [columns.index(i) for i in node.through]]).sum(axis=1)
    loading = np.square(through / hours / node.rating_kw) * hours
    z = np.column_stack([y, hours, loading, node.p0_kw * hours + node.pk_kw * loading])
    if free:
        block = table.start_ms // HOUR_MS
        pairs &= block[1:] == block[:-1]
    z = ((z[1:] - PHI * z[:-1]) / math.sqrt(1 - PHI * PHI))[pairs]
    if free:
        z = less_means(block[1:][pairs], z)
    floor = (NOISE_SHARE * max(float(np.abs(y).sum(axis=1).mean()) / 2, 1e-6)) ** 2
    return DaySums(z.T @ z, len(z), floor)


def _likelihood(day: DaySums, C: Floats, mean: Floats, *, column: int, divisors: Floats) -> Floats:
    """2 ln of the marginal likelihood of one node's day [F], one column's readings divided by each of the divisors [F].

    Gains, standing load and loss are integrated over their normal prior; the noise variance over an inverse gamma around
    its floor, so that the result is that of a Student distribution.
    """
    q = len(day.gram) - 1
    S = np.ones((len(divisors), q))
    if column >= 0:
        S[:, column] = 1.0 / divisors
    a = np.zeros((len(divisors), q + 1))
    a[:, : q - 2], a[:, q] = S[:, : q - 2], -1.0
    a[:, :q] -= S * mean
    ga = a @ day.gram
    ZZ = S[:, :, None] * day.gram[:q, :q] * S[:, None, :]
    Zr = S * ga[:, :q]
    scaled = C / day.floor
    inner = np.eye(q) + scaled @ ZZ
    solved = np.linalg.solve(inner, (Zr @ scaled)[..., None])[..., 0]
    rest = np.maximum((ga * a).sum(axis=1) - (Zr * solved).sum(axis=1), 0.0) / day.floor
    _, logdet = np.linalg.slogdet(inner)
    return np.asarray(-logdet - (day.count + DEGREES) * np.log(DEGREES + rest))


def _gains(net: Network, i: int, days: list[DaySums | None], *, first: Fit, factors: Floats) -> Floats:
    """2 ln of the likelihood ratio of each factor at one point against none, over all its nodes."""
    total = np.zeros(len(factors))
    for k, (node, where, day) in enumerate(zip(net.nodes, places(net), days, strict=True)):
        if day is not None and i in node.points:
            C, mean = first.covariance[np.ix_(where, where)], first.mean[where]
            result = _likelihood(day, C, mean, column=net.nodes[k].points.index(i), divisors=np.append(factors, 1.0))
            total += result[:-1] - result[-1]
    return total


def _promising(net: Network, days: list[DaySums | None], *, first: Fit, factors: Floats) -> Bools:
    """The points [n] at which a factor may gain enough to be a trial."""
    total = np.zeros((len(net.points), len(factors)))
    for node, where, day in zip(net.nodes, places(net), days, strict=True):
        if day is not None:
            gains = gains_of_all(day, first.covariance[np.ix_(where, where)], first.mean[where], factors)
            total[list(node.points)] += gains
    return np.asarray(~(total.max(axis=1) < NEEDED / 2 - SCREENED))


def _trials(net: Network, i: int, days: list[DaySums | None], *, first: Fit, factors: Floats) -> list[Trial]:
    """All factors at one point, the best refined to a free one."""
    gains = _gains(net, i, days, first=first, factors=factors)
    j = int(gains.argmax())
    if gains[j] < NEEDED / 2:
        return []
    factor, width, name = float(factors[j]), SEARCH_RANGE, net.points[i]
    for _ in range(REFINEMENTS):
        grid = factor + max(abs(factor), 0.1) * np.linspace(-width, width, 17)
        result = _gains(net, i, days, first=first, factors=np.where(np.abs(grid) < 1e-3, 1e-3, grid))
        at = int(result.argmax())
        factor, free, width = float(grid[at]), float(result[at]), width / 6
    d = 5e-3 * max(abs(factor), 0.1)
    near = _gains(net, i, days, first=first, factors=factor + np.array([-d, 0.0, d]))
    bend = float(2 * near[1] - near[0] - near[2])
    error = math.sqrt(2 * d * d / bend) if bend > 0 else abs(factor)
    return [
        Trial(name, float(factors[j]), error, float(gains[j]), i),
        Trial(name, factor, error, free - COST_OF_FREE, i),
    ]


def _turned(net: Network, i: int, what: tuple[Intervals, Reactive], *, first: Fit, free: frozenset[str]) -> list[Trial]:
    """Currents rotated by a phase at one point, either way: the complex energy that it shows is turned back.

    Of the wiring faults these alone have a factor that changes with the load: it may be none at noon and a gross one at night.
    """
    table, seen = what
    present = table.present.copy()
    present[:, i] &= seen.present
    intervals, shown = replace(table, present=present), table.energy[:, i] + 1j * seen.energy
    trials = []
    for wiring in WIRINGS:
        turn = wiring_phasor(wiring)
        if abs(turn.imag) < UPRIGHT:
            continue
        energy = table.energy.copy()
        energy[:, i] = np.rint((shown / turn).real)
        gain = _better(net, i, (intervals, replace(intervals, energy=energy)), first=first, free=free)
        passed = int(energy[present[:, i], i].sum())
        if gain >= NEEDED / 2 and passed:
            factor = int(table.energy[present[:, i], i].sum()) / passed
            error = abs(factor) * math.sqrt(first.covariance[i, i])
            cause = Cause(wiring.name, factor, 0.0, wiring.check).text
            trials.append(Trial(net.points[i], factor, error, gain, i, cause=cause))
    return trials


def _better(net: Network, i: int, tables: tuple[Intervals, Intervals], *, first: Fit, free: frozenset[str]) -> float:
    """2 ln of the likelihood ratio of the second table against the first, over the nodes of one point."""
    total = 0.0
    for node, where in zip(net.nodes, places(net), strict=True):
        if i not in node.points:
            continue
        was, would = (_columns(node, table, free=node.name in free) for table in tables)
        if was is not None and would is not None:
            C, mean = first.covariance[np.ix_(where, where)], first.mean[where]
            days = (was, replace(would, floor=was.floor))  # the same scatter is granted to both
            plain, turned = (float(_likelihood(day, C, mean, column=-1, divisors=np.ones(1))[0]) for day in days)
            total += turned - plain
    return total


def _loads(net: Network, k: int, day: DaySums, first: Fit) -> list[Trial]:
    """A large standing load, or a large loss, at one node: the same columns with a wide prior."""
    node, where = net.nodes[k], places(net)[k]
    C, mean = first.covariance[np.ix_(where, where)], first.mean[where]
    plain = float(_likelihood(day, C, mean, column=-1, divisors=np.ones(1))[0])
    trials = []
    for load, row in (("standing", -2), ("loss", -1)):
        wide = C.copy()
        wide[row, row] = (LARGE_LOAD * node.rating_kw) ** 2
        gain = float(_likelihood(day, wide, mean, column=-1, divisors=np.ones(1))[0]) - plain
        estimate, error = _estimate(day, wide, mean, row)
        trials.append(Trial(f"{load} {node.name}", estimate, error, gain, node=k, load=load))
    return trials


def _estimate(day: DaySums, C: Floats, mean: Floats, row: int) -> tuple[float, float]:
    """Size of one unknown and its standard error, with the noise that is left."""
    q = len(day.gram) - 1
    a = np.concatenate([np.ones(q - 2), [0.0, 0.0, -1.0]])
    a[:q] -= mean
    inner = np.eye(q) + C @ day.gram[:q, :q] / day.floor
    posterior = np.linalg.solve(inner, C)
    step = posterior @ (day.gram @ a)[:q] / day.floor
    return float(mean[row] + step[row]), float(math.sqrt(max(posterior[row, row], 0.0)))


def _verdict(
    net: Network, trials: list[Trial], table: Intervals, *, first: Fit, free: frozenset[str]
) -> Suspicion | None:
    best: dict[str, Trial] = {}
    for trial in trials:
        best.setdefault(trial.name, trial)
    order = sorted(best.values(), key=lambda t: (-t.gain, t.name))
    top = order[0]
    if top.point >= 0 and abs(top.factor - 1) < LARGE and not top.cause:
        return None
    stored = [t for t in order if top.gain - t.gain < GAP or (t.load and t.node == top.node and top.load)]
    listed = tuple(_candidate(net, t, top) for t in stored)
    if listed[0].unit == "ratio" and not top.cause and listed[0].node not in free:
        looked = _follows(net, listed, table, first)
        profile = looked.profiles.get(listed[0].node)
        if profile is None or profile.peak[0] >= 0:  # where power is over and none is missing, no load is the reason
            listed = with_load_shape(listed, looked)
    named = listed[0].hypothesis if len(listed) == 1 else None
    start, end = int(table.start_ms[0]), int(table.end_ms[-1])
    head = listed[0].text if listed[0].unit == "kW" else listed[0].of_truth
    if named is None:
        head = f"{first_of(len(listed))} {head}"
    who = ", ".join(c.points[0] if c.points else f"{c.node} (a load without a meter)" for c in listed[:4])
    return Suspicion(
        kind="gross",
        found_ms=end,
        change_ms=start,
        days=1,
        named=named,
        candidates=listed,
        if_feed_right="",
        explained=1.0,
        text=f"{head}, seen on {day_of(start, ZoneInfo(net.zone))} without waiting for a baseline",
        remedy=look_for_load(listed[0].node) if named and listed[0].unit == "kW" else f"check {who}; {CAUTION}",
        false_alarms_per_year=0.0,
        notes=(NOT_OBSERVABLE,),
    )


def _follows(net: Network, listed: tuple[Candidate, ...], table: Intervals, first: Fit) -> ShapeEvidence:
    """Whether the day's residual follows those instruments within the hour, as an error of that factor f would.

    Its slope is 1 - 1/f on the flow that is read, f - 1 on that which passes; which of them a flow that closes the balance is
    nearer to depends on the point.
    """
    course = course_of(table, signature_flows(net, table))
    by_name = {test.name: test for test in hypotheses(net)}
    tests = [by_name[c.hypothesis] for c in listed]
    f = np.array([1 + c.step if c.unit == "ratio" and abs(1 + c.step) > 1e-3 else 1.0 for c in listed])
    read, passed = (shape_evidence(net, tests, steps, ((), (course,)), first) for steps in (1 - 1 / f, f - 1))
    odds = np.maximum(read.odds, passed.odds)
    # a day has few hours, and thousands of pairs were tried: less than what is needed against "no fault" is undecided here too
    return replace(read, odds=np.where((odds >= GAP) & (odds < NEEDED), 0.0, odds))


def _candidate(net: Network, trial: Trial, top: Trial) -> Candidate:
    odds, same = math.exp(min((top.gain - trial.gain) / 2, 700.0)), 1.0 if trial is top else 0.0
    if trial.load:
        node = net.nodes[trial.node].name
        return Candidate(
            trial.name,
            trial.load,
            (),
            node=node,
            step=trial.factor,
            step_error=trial.error,
            unit="kW",
            statistic=trial.gain,
            odds=odds,
            correlation=same,
        )
    fitting = match(
        (Observed(trial.factor, max(trial.error, 1e-3)),),
        ct_ratio=net.ct_ratio(trial.point),
        direct=net.direct(trial.point),
    )
    causes = (trial.cause,) if trial.cause else tuple(c.text for c in fitting[:CAUSES])
    node = next(node.name for node in net.nodes if trial.point in node.points)
    return Candidate(
        hypothesis=f"ratio {trial.name}",
        kind="ratio",
        points=(trial.name,),
        node=node,
        step=trial.factor - 1,
        step_error=trial.error,
        unit="ratio",
        statistic=trial.gain,
        odds=odds,
        correlation=same,
        causes=causes,
    )
