"""What the watch over a site's instruments knows: its baseline, its charts, the changes that last and those that have ended.

The baseline is that of sums of days. Where an instrument begins anew, what the days before it say of all the others stays,
as information in which its old error stands for nothing any more (`CarriedInformation`).
"""

from dataclasses import dataclass, field

import numpy as np

from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import (
    Fit,
    Hypothesis,
    Indices,
    Noise,
    directions,
    groups,
    hypotheses,
    information,
    prior,
    update,
)
from meterd.core.drift.cusum import FALSE_ALARMS_PER_YEAR, Chart, Threshold, independent_threshold
from meterd.core.drift.daily_statistics import DayStatistics, NodeSums
from meterd.core.drift.identification import Candidate, Suspicion
from meterd.core.drift.within_hours import quieted, within_hours

KEEP = 0.5 ** (1 / 120)  # of the weight of learned days from one day to the next: half after four months, so that the
# learner goes with the seasons (transformers err more at the small currents of summer) where the frozen copy does not
WANDER_LEARNER, WANDER_FROZEN = (
    0.05,
    0.25,
)  # share of an instrument's standard uncertainty that changes with the seasons
SCALE_PRIOR = 1.5  # scatter of scores before it is known: wider than ideal
BEFORE_MS = 21 * 86_400_000  # days before one that tell what its hours have in common with theirs: three weeks
ANSWERED_MS = 14 * 86_400_000  # a list that nothing has decided for two weeks is another matter than what comes then
FREE = 10.0  # standard deviation of a ratio's step that may be anything: a meter that reads a tenth is 9 off

Part = tuple[Indices, Indices, Floats]  # unknowns of a group, its hypotheses, their directions


@dataclass(frozen=True, slots=True)
class Copy:
    """One of the two: its baseline, its charts, the raw scores of the day before [H], and the scatter it reckons with [H].

    `scale` is the standard deviation of a day's score, `phi` its correlation with that of the day before. For the frozen copy
    without what changes over months: a creeping change would be taken for scatter as fast as it grows.
    """

    fit: Fit
    chart: Chart
    last: Floats
    scale: Floats
    phi: Floats

    @property
    def spread(self) -> Floats:
        """Variance of a sum of scores over that of independent ideal ones [H]."""
        return np.asarray(self.scale**2 * (1 + self.phi) / (1 - self.phi))


@dataclass(frozen=True, slots=True)
class CarriedInformation:
    """Information [p, p] and [p] of the days before the last beginning anew; what began anew then has none in it."""

    M: Floats
    b: Floats


@dataclass(frozen=True, slots=True)
class Learned:
    """What a baseline is made of; the older fields of `WatchState` by the same names."""

    sums: tuple[NodeSums, ...]
    summed: int
    carried: CarriedInformation
    start: Fit
    frozen: Fit | None
    frozen_at: int
    renewals: int


@dataclass(frozen=True, slots=True)
class Change:
    """A change that lasts: found on the evening of which day and by which copy, in which part, and what is said of it.

    `from_ms` is the first day of its evidence, `low_ms` the earliest day that may belong to it, `until_ms` where the
    next change of its part begins, `begun_ms` where the first of several steps of one instrument began. `half_ms` is the
    day during which it began, where that is known: half right, and dropped. `base` is the
    baseline before it and `learned` what that was made of, `spread` [hypotheses of the part] the scatter of the copy
    that found it. `anew` are the hypotheses that began anew for it, `steps` and `errors` their steps. A `quiet` change
    is known and not reported: its figures are corrected, but the meter may still read wrong. `dead_kw` is the usual
    power of an instrument that counts nothing any more, so that its part cannot be judged meanwhile.
    """

    found_ms: int
    from_ms: int
    low_ms: int
    part: int
    base: Fit
    spread: Floats
    learned: Learned | None = None
    suspicion: Suspicion | None = None
    anew: tuple[int, ...] = ()
    steps: tuple[float, ...] = ()
    errors: tuple[float, ...] = ()
    frozen: bool = False
    until_ms: int | None = None
    begun_ms: int | None = None
    half_ms: int | None = None
    quiet: bool = False
    dead_kw: float = 0.0

    @property
    def load(self) -> Candidate | None:
        """The load without a meter that it is, or may be as well as an error of an instrument: nobody knows its hours then."""
        if self.suspicion is None or self.dead_kw:
            return None
        first = self.suspicion.candidates[0]
        return first if first.unit == "kW" else next((c for c in self.suspicion.candidates if c.kind == "shape"), None)


@dataclass(frozen=True, slots=True)
class UnmeteredLoad:
    """A load without a meter at a node: from one day until it is gone, the power of each hour there is free.

    `owner` is when its change was found; `power_kw` is what is missing in the hours of the local day `hours`, on the
    mean of all days. An `accepted` one is not spoken of any more. `node_sums` are the sums of its days at the node,
    worked out once.
    """

    node: int
    from_ms: int
    owner: int
    power_kw: float
    hours: tuple[int, int]
    until_ms: int | None = None
    accepted: bool = False
    node_sums: dict[int, NodeSums] = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class Renewal:
    """A hypothesis that began anew, on which day, after how many days seen; `owner` is when its change was found."""

    test: int
    at_ms: int
    seen: int
    owner: int = 0


@dataclass(frozen=True, slots=True)
class EndedChange:
    """A change that is over: since when, and how (`as-before`, `exchanged`, `accepted`)."""

    change: Change
    at_ms: int
    how: str


@dataclass(frozen=True, slots=True)
class WatchState:
    """All the watch knows. `sums` are of the `summed` newest of the `learned` first of `seen` days; `recent` the last days.

    `first` is the prior at the beginning, `start` the same without limits for what has changed. `carried` is the information
    of days before the last of the `renewals`; the frozen copy knows what the first `settled` of them came to.

    `classes` [n] are the variances of the instruments' errors by their class, `parts` the groups of unknowns that have to do
    with each other. `scores` and `allowances` [days, H] are those of judged days, for scatter, day-to-day correlation and
    threshold. `changes` last; `ended` are those that are over. `loads` are those without a meter, also those that are gone
    as long as `recent` has days of them. `strange_ms` is the start of the first of the newest days that nothing known explains.
    """

    network: Network
    tests: tuple[Hypothesis, ...]
    sums: tuple[NodeSums, ...]
    summed: int
    seen: int
    learned: int
    recent: tuple[DayStatistics, ...]
    noise: Noise
    first: Fit
    start: Fit
    carried: CarriedInformation
    classes: Floats
    parts: tuple[Part, ...]
    learner: Copy | None
    frozen: Copy | None
    frozen_at: int
    scores: Floats
    allowances: Floats
    scale: Floats
    phi: Floats
    threshold: Threshold
    wanted: float
    renewals: tuple[Renewal, ...] = ()
    settled: int = 0
    changes: tuple[Change, ...] = ()
    ended: tuple[EndedChange, ...] = ()
    loads: tuple[UnmeteredLoad, ...] = ()
    strange_ms: int | None = None

    @property
    def reported(self) -> tuple[Change, ...]:
        """The changes that last and are spoken of, oldest first: no list of which a change soon after it has named one."""
        some = [change for change in self.changes if change.suspicion is not None and not change.quiet]
        return tuple(change for change in some if not any(_answers(other, change) for other in some))

    def strange_since(self, found_ms: int) -> int | None:
        """Since when days are strange of which one at least was not after a change had been found: they are not that change's."""
        return self.strange_ms if self.strange_ms is not None and self.strange_ms > found_ms else None

    @property
    def suspicions(self) -> tuple[Suspicion, ...]:
        """What is said of them."""
        return tuple(change.suspicion for change in self.reported if change.suspicion is not None)


def _answers(later: Change, earlier: Change) -> bool:
    """Whether a change names an instrument that an undecided list of the two weeks before it holds."""
    if later.suspicion is None or earlier.suspicion is None or earlier.suspicion.named is not None:
        return False
    listed = {candidate.hypothesis for candidate in earlier.suspicion.candidates if candidate.points}
    return later.suspicion.named in listed and 0 <= later.found_ms - earlier.found_ms <= ANSWERED_MS


def begin(network: Network, start: Fit | None = None, *, wanted: float = FALSE_ALARMS_PER_YEAR) -> WatchState:
    """A watch that has seen nothing. `start` is the prior; by default the class limits. `wanted` false alarms per year.

    Give each part of `network.separate` its own watch, and share `wanted` out among them.

    Raises ValueError where there is nothing to watch.
    """
    if not network.nodes:
        raise ValueError(
            "there is nothing to watch: the plan has no balance with a feed and an outgoing point that are live"
        )
    tests, m, plan = hypotheses(network), len(network.nodes), prior(network)
    count, p = len(tests), len(plan.mean)
    first = plan if start is None else start
    return WatchState(
        network=network,
        tests=tests,
        sums=(),
        summed=0,
        seen=0,
        learned=0,
        recent=(),
        noise=Noise(np.zeros(m), np.ones(m)),
        first=first,
        start=first,
        carried=CarriedInformation(np.zeros((p, p)), np.zeros(p)),
        classes=np.diagonal(plan.covariance)[: len(network.points)],
        parts=_parts(network, tests),
        learner=None,
        frozen=None,
        frozen_at=0,
        scores=np.empty((0, count)),
        allowances=np.empty((0, count)),
        scale=np.full(count, SCALE_PRIOR),
        phi=np.zeros(count),
        threshold=independent_threshold(count, wanted),
        wanted=wanted,
    )


def _parts(network: Network, tests: tuple[Hypothesis, ...]) -> tuple[Part, ...]:
    D, results = directions(network, tests), []
    for unknowns in groups(network):
        mine = np.flatnonzero(D[unknowns].any(axis=0))
        results.append((unknowns, mine, D[np.ix_(unknowns, mine)]))
    return tuple(results)


def part_of(state: WatchState, test: int) -> int:
    """The group of a hypothesis."""
    return next(k for k, (_, mine, _) in enumerate(state.parts) if test in mine)


def sums_of(state: WatchState, day: DayStatistics, *, but: int | None = None) -> tuple[NodeSums, ...]:
    """The sums of a day: where a load without a meter lasts only what happens within the hour, except that of owner `but`."""
    at_ms, nodes = day.start_ms, list(day.nodes)
    for unmetered_load in state.loads:
        if (
            unmetered_load.owner == but
            or day.course is None
            or not unmetered_load.from_ms <= at_ms < (unmetered_load.until_ms or at_ms + 1)
        ):
            continue
        if at_ms not in unmetered_load.node_sums:
            first_ms = max(unmetered_load.from_ms, at_ms - BEFORE_MS)
            earlier = [d.course for d in state.recent if first_ms <= d.start_ms < at_ms and d.course is not None]
            seen = within_hours(state.network, day.course, earlier, unmetered_load.node)
            for old in [ms for ms in unmetered_load.node_sums if ms < state.recent[0].start_ms]:
                del unmetered_load.node_sums[old]
            unmetered_load.node_sums[at_ms] = quieted(seen, float(state.noise.sigma[unmetered_load.node]))
        nodes[unmetered_load.node] = unmetered_load.node_sums[at_ms]
    return day.nodes if all(a is b for a, b in zip(nodes, day.nodes, strict=True)) else tuple(nodes)


def lasting_loads(state: WatchState) -> tuple[UnmeteredLoad, ...]:
    """The loads without a meter that are not gone."""
    return tuple(unmetered_load for unmetered_load in state.loads if unmetered_load.until_ms is None)


# -- the baseline ------------------------------------------------------------------------------------------------------


def started(state: WatchState) -> Fit:
    """What is known without the sums: the prior, and what days before the last beginning anew say."""
    if not state.carried.M.any():
        return state.start
    return update(state.start, state.carried.M, state.carried.b, unknowns(state))


def posterior(state: WatchState, sums: tuple[NodeSums, ...]) -> Fit:
    """The baseline of these sums, and of what was carried over."""
    M, b = information(state.network, sums, state.noise) if sums else (np.zeros_like(state.carried.M), 0.0)
    return update(state.start, M + state.carried.M, b + state.carried.b, unknowns(state))


def unknowns(state: WatchState) -> tuple[Indices, ...]:
    """The groups of unknowns."""
    return tuple(part[0] for part in state.parts)


def with_wander(state: WatchState, fit: Fit, share: float) -> Fit:
    """A baseline that allows for what changes with load and temperature: part of each instrument's class."""
    n = len(state.network.points)
    wide = np.zeros(len(fit.mean))
    wide[:n] = share**2 * state.classes
    return Fit(fit.mean, fit.covariance + np.diag(wide))


def base_before(state: WatchState, before_ms: int) -> Fit:
    """The baseline without days from that moment on that were taken in already."""
    return with_wander(state, posterior(state, sums_before(state, before_ms)[0]), WANDER_LEARNER)


def sums_before(state: WatchState, before_ms: int) -> tuple[tuple[NodeSums, ...], int]:
    """The sums less the days from that moment on, each with the weight it has by now; and how many days are left."""
    taken = state.recent[: len(state.recent) - unlearned(state)]
    sums, weight, left = state.sums, 1.0, state.summed
    for day in reversed(taken[max(len(taken) - state.summed, 0) :]):
        if day.start_ms >= before_ms:
            sums = tuple(a.plus(b.times(-weight)) for a, b in zip(sums, sums_of(state, day), strict=True))
            left -= 1
        weight *= KEEP
    return (sums, left) if left > 0 else ((), 0)


def unlearned(state: WatchState) -> int:
    """How many of the recent days are not in the sums."""
    return min(state.seen - state.learned, len(state.recent))


def only(whole: Fit, some: Indices) -> Fit:
    """A baseline of some unknowns."""
    return Fit(whole.mean[some], whole.covariance[np.ix_(some, some)])


def log_evidence(base: Fit, M: Floats, b: Floats) -> float:
    """ln of how likely days with this information are under a baseline, up to a term that all baselines share.

    For unknowns x ~ N(m, C) and days of likelihood exp(b'x - x'Mx / 2), integrated over x, with s = b - M m:
    b'm - m'Mm / 2 + s'(I + CM)^-1 C s / 2 - ln det(I + CM) / 2.
    """
    s = b - M @ base.mean
    inner = np.eye(len(M)) + base.covariance @ M
    gained = float(s @ np.linalg.solve(inner, base.covariance @ s))
    return float(base.mean @ b - base.mean @ M @ base.mean / 2) + gained / 2 - float(np.linalg.slogdet(inner)[1]) / 2
