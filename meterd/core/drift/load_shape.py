"""Whether the residual follows the fluctuations of an instrument, or is a load without a meter that has a shape of its own.

A ratio error goes with all that passes its instrument, also from one quarter hour to the next. A load that nobody measures may
have the daily shape of a feeder - offices and what is plugged in beside them - but not its fluctuations. So a change is looked
at where no shape of a day can reach: within the hour, and against what the same quarter hour of other days of its kind was.
Each hour of the day gives a slope of the residual on the flow. For a ratio error they agree, and are the step that the whole
days show; for anything else they are none, or only in those hours in which both rise.

Source: DerSimonian and Laird 1986 for the mean of estimates that differ by more than their own errors.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.topology import Network, NodeKind
from meterd.core.balance.uncertainty import Floats, Ints
from meterd.core.drift.baseline import Fit, Hypothesis, places
from meterd.core.drift.daily_course import HOUR_MS, Course
from meterd.core.drift.daily_statistics import DayStatistics
from meterd.core.model.distinct import distinct

DAY_MS = 86_400_000
BLOCK = 4  # intervals of which the mean is taken off: an hour of quarter hours
KINDS = 4  # of days: working day or weekend, winter or summer time
DAYS_OF_A_KIND = 3  # from which on their mean is taken off too; with fewer a straight line is, in each hour
FEW = 2.0  # times the error with fewer: two loads that rise in one hour bend a line alike
FREE_LEAST = 5  # hours of the day with a slope of their own that must be left
ALIKE = (
    0.15  # of a step: by so much what an hour shows and what days show may differ (errors that change with the current)
)
APART = 3.0  # standard errors beyond which both are not the same step
MOST = 200.0  # 2 ln of a likelihood ratio that is never said to be larger: figures are not as good as that


@dataclass(frozen=True, slots=True)
class Slope:
    """What a residual shows of one hypothesis within the hour, with its standard error; nothing is an infinite error."""

    size: float
    error: float


UNKNOWN = Slope(0.0, float("inf"))


@dataclass(frozen=True, slots=True)
class Profile:
    """The power that is missing at a node since a change, hour by hour of the local day [24], kW."""

    node: str
    power_kw: tuple[float, ...]
    error_kw: float = 0.0

    @property
    def peak(self) -> tuple[float, int, int]:
        """Mean power of the hours around the largest that have at least half of it, with the first and the one after."""
        size = np.abs(np.array(self.power_kw))
        top = int(size.argmax())
        sign = self.power_kw[top]
        strong = [p * sign > 0 and abs(p) >= size[top] / 2 for p in self.power_kw]
        if all(strong):
            return float(np.mean(self.power_kw)), 0, 24
        first = last = top
        while strong[(first - 1) % 24]:
            first -= 1
        while strong[(last + 1) % 24]:
            last += 1
        hours = [h % 24 for h in range(first, last + 1)]
        return float(np.mean([self.power_kw[h] for h in hours])), first % 24, last % 24 + 1


@dataclass(frozen=True, slots=True)
class ShapeEvidence:
    """For each hypothesis 2 ln of the likelihood ratio of a ratio error against a load of any daily shape [H], and the
    `profiles` of all nodes by name. Where nothing is known the ratio is 0."""

    odds: Floats
    profiles: dict[str, Profile]


Judge = Callable[[tuple[Hypothesis, ...], Floats], ShapeEvidence]


def judge(
    net: Network,
    before: Sequence[DayStatistics],
    since: Sequence[DayStatistics],
    fit: Fit,
    known: frozenset[str] = frozenset(),
) -> Judge:
    """What will be asked of some hypotheses and their steps: only of those that come into question.

    At a node where a load is `known` the steps are already of what happens within the hour: no other load stands beside them.
    """
    was, now = ([day.course for day in some if day.course is not None] for some in (before, since))

    def asked(tests: tuple[Hypothesis, ...], steps: Floats) -> ShapeEvidence:
        result = shape_evidence(net, tests, steps, (was, now), fit)
        return ShapeEvidence(
            result.odds, {name: profile for name, profile in result.profiles.items() if name not in known}
        )

    return asked


def shape_evidence(
    net: Network, tests: Sequence[Hypothesis], steps: Floats, days: tuple[Sequence[Course], Sequence[Course]], fit: Fit
) -> ShapeEvidence:
    """What the courses of days before and since a change say of each hypothesis, whose `steps` [H] whole days show."""
    before, since = ([rows_of(net, day) for day in some] for some in days)
    profiles = {}
    odds = np.zeros(len(tests))
    for k, (node, where) in enumerate(zip(net.nodes, places(net), strict=True)):
        mean = fit.mean[where]
        columns = list(node.points)
        inside = [
            (j, members)
            for j, test in enumerate(tests)
            if test.unit == "ratio" and (members := [columns.index(i) for i in test.members if i in columns])
        ]
        if node.kind is NodeKind.CHECK:  # two instruments on one current: nothing can be between them
            odds[[j for j, _ in inside]] = np.inf
        elif inside:
            was, now = (_joined(net, some, k, mean) for some in (before, since))
            if now is None:
                continue
            profiles[node.name] = Profile(node.name, *_profile(now))
            for j, members in inside:
                signs = np.array([node.signs[c] for c in members], dtype=np.float64)
                old = UNKNOWN if was is None else _slope(was, was.flows[:, members] @ signs)
                new = _slope(now, now.flows[:, members] @ signs)
                odds[j] += _odds(old, new, float(steps[j]))
    return ShapeEvidence(np.clip(odds, -MOST, MOST), profiles)


def _odds(old: Slope, new: Slope, step: float) -> float:
    """2 ln of the likelihood ratio of the step against none; none is as likely too where the change is another one."""
    if not np.isfinite(new.error):
        return 0.0
    change = new.size - (old.size if np.isfinite(old.error) else 0.0)
    error = float(np.hypot(new.error, old.error if np.isfinite(old.error) else 0.0))
    size = (change**2 - (change - step) ** 2) / error**2
    if abs(change - step) > APART * float(np.hypot(error, ALIKE * step)):
        return min(size, 0.0)
    return size


@dataclass(frozen=True, slots=True)
class DayRows:
    """Rows of one day with their places: local `hour` of the day [T], which `quarter` of the day, which block, kind of day."""

    course: Course
    hour: Ints
    slot: Ints
    block: Ints
    kind: int


def rows_of(net: Network, day: Course) -> DayRows:
    """The rows of a day by the clock of the site."""
    zone = ZoneInfo(net.zone)
    begin = datetime.fromtimestamp(int(day.start_ms[0]) / 1000, UTC).astimezone(zone)
    middle = datetime.fromtimestamp(int(day.start_ms[len(day.start_ms) // 2]) / 1000, UTC).astimezone(zone)
    offset = begin.utcoffset()
    local = day.start_ms + (0 if offset is None else round(offset.total_seconds() * 1000))
    step = int(day.end_ms[0] - day.start_ms[0])
    of_day = local % DAY_MS
    block = local // (BLOCK * step)
    kind = int(middle.weekday() >= 5) + 2 * int(bool(middle.dst()))  # the sun and some loads do not change their clocks
    return DayRows(day, of_day // HOUR_MS, of_day // step, block - int(block[0]), kind)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows of one node over some days: signed flows are made of `flows` [T, p], `rest` is the residual less its baseline [T]."""

    flows: Floats
    rest: Floats
    hours: Floats
    hour: Ints
    slot: Ints
    block: Ints
    kind: Ints
    day: Ints
    days: tuple[int, ...]  # of each kind


def _joined(net: Network, days: Sequence[DayRows], k: int, mean: Floats) -> _Rows | None:
    node, columns = net.nodes[k], list(net.nodes[k].points)
    parts = []
    for number, day in enumerate(days):
        course, good = day.course, day.course.valid[:, k]
        if not good.any():
            continue
        hours = (course.end_ms - course.start_ms) / HOUR_MS
        flows = course.flows[:, columns].astype(np.float64)
        known = flows @ (np.array(node.signs) * mean[:-2]) + hours * mean[-2] + course.loading[:, k] * mean[-1]
        rest = course.residuals[:, k].astype(np.float64) - known
        block = number * 10_000 + day.block
        kind, which = np.full(len(rest), day.kind), np.full(len(rest), number)
        parts.append([a[good] for a in (flows, rest, hours, day.hour, day.slot, block, kind, which)])
    if not parts:
        return None
    flow, left, length, hour, slot, blocks, kinds, each = (np.concatenate(some) for some in zip(*parts, strict=True))
    of_kind = tuple(sum(day.kind == kind for day in days) for kind in range(KINDS))
    return _Rows(flow, left, length, hour=hour, slot=slot, block=blocks, kind=kinds, day=each, days=of_kind)


def missing_kw(net: Network, course: Course, k: int, mean: Floats, hours: tuple[int, int]) -> float | None:
    """Mean power that is missing at a node in some hours of the local day, kW; None where none of them can be computed."""
    rows = _joined(net, [rows_of(net, course)], k, mean) if len(course.start_ms) else None
    if rows is None:
        return None
    first, last = hours
    inside = (rows.hour - first) % 24 < ((last - first) % 24 or 24)
    return float(rows.rest[inside].sum() / rows.hours[inside].sum()) if inside.any() else None


def _profile(now: _Rows) -> tuple[tuple[float, ...], float]:
    """Power missing in each hour of the day, kW (0 in hours never read), and the standard error of one of them."""
    seen, hours, square = (np.bincount(now.hour, w, 24)[:24] for w in (now.rest, now.hours, now.rest**2 / now.hours))
    known = np.where(hours > 0, hours, 1.0)
    power = seen / known
    scatter = np.maximum(square / known - power**2, 0.0)
    return tuple(float(p) for p in power), float(np.sqrt(scatter.mean() / max(float(hours.mean()), 1.0)))


def _slope(rows: _Rows, flow: Floats) -> Slope:
    """Of the residual on the flow within the hour, hour of the day by hour of the day, and the mean of these."""
    pair = _deviations(rows, np.column_stack([flow, rows.rest]))
    hour = rows.hour
    K, S = np.bincount(hour, pair[:, 0] ** 2, 24), np.bincount(hour, pair[:, 0] * pair[:, 1], 24)
    used = 1e-3 * K.max() < K if K.max() > 0 else np.zeros(24, dtype=np.bool_)
    if used.sum() < FREE_LEAST:
        return UNKNOWN
    whole = S.sum() / K.sum()
    left = pair[:, 1] - whole * pair[:, 0]
    count = np.bincount(hour, minlength=24)
    noise = np.bincount(hour, left**2, 24) / np.maximum(count * _share_left(rows), 1.0)
    noise = np.maximum(noise, 1e-12)
    slope, weight = _pooled(S[used] / K[used], K[used] / noise[used])
    by_row = np.zeros(24)
    by_row[used] = weight / K[used]
    parts = np.bincount(rows.day, by_row[hour] * pair[:, 0] * (pair[:, 1] - slope.size * pair[:, 0]))
    days = len(distinct(rows.day))
    # what one day has in common in all its hours: its size, its weather, the minute at which all begin
    by_day = float(np.sqrt((parts**2).sum() * days / (days - 1)) / weight.sum()) if days > 1 else 0.0
    few = max(rows.days) < DAYS_OF_A_KIND
    return Slope(slope.size, max(slope.error, by_day) * (FEW if few else 1.0))


def _pooled(size: Floats, weight: Floats) -> tuple[Slope, Floats]:
    """Mean of estimates with weights 1 / variance, which may differ by more than that, and the weights they then have."""
    mean = float((weight * size).sum() / weight.sum())
    Q = float((weight * (size - mean) ** 2).sum())
    free = len(size) - 1
    between = max(0.0, (Q - free) / float(weight.sum() - (weight**2).sum() / weight.sum()))
    weight = 1 / (1 / weight + between)
    total = float(weight.sum())
    mean = float((weight * size).sum() / total)
    seen = float(np.sqrt((weight**2 * (size - mean) ** 2).sum() * len(size) / free)) / total
    return Slope(mean, max(seen, total**-0.5)), weight


def _share_left(rows: _Rows) -> float:
    """Of the rows' degrees of freedom, after means of blocks and shapes of days (or lines) are taken off."""
    most = max(rows.days)
    return (1 - 1 / BLOCK) * (1 - 1 / most) if most >= DAYS_OF_A_KIND else 1 - 2 / BLOCK


def _deviations(rows: _Rows, values: Floats) -> Floats:
    """Values [T, 2] less the mean of their block and less what days of their kind have in common, whatever the size of a day.

    With few days of every kind, less a line in each block. Days of a kind of which there are few stand beside (zero) where
    another kind has enough.
    """
    _, block = np.unique(rows.block, return_inverse=True)
    result = values - _means(block, values)[block]
    if max(rows.days) < DAYS_OF_A_KIND:
        return _without_line(block, rows.slot, result)
    for kind, days in enumerate(rows.days):
        mine = rows.kind == kind
        if days >= DAYS_OF_A_KIND:
            result[mine] = _without_shape(rows.slot[mine], rows.day[mine], result[mine])
        elif days:
            result[mine] = 0.0
    return result


def _without_shape(slot: Ints, day: Ints, values: Floats) -> Floats:
    """Values [T, 2] less, on each day, as much of both mean shapes as fits: a busy day has more of the same shape."""
    _, place = np.unique(slot, return_inverse=True)
    shape, result = _means(place, values)[place], values.copy()
    for number in distinct(day):
        mine = day == number
        result[mine] -= shape[mine] @ np.linalg.lstsq(shape[mine], values[mine], rcond=1e-9)[0]
    return result


def _means(group: Ints, values: Floats) -> Floats:
    count = np.bincount(group)
    sums = np.column_stack([np.bincount(group, column) for column in values.T])
    return np.asarray(sums / np.maximum(count, 1)[:, None])


def _without_line(block: Ints, slot: Ints, values: Floats) -> Floats:
    """Values, already without the mean of their block, less a straight line in each block."""
    _, group = np.unique(block, return_inverse=True)
    at = slot.astype(np.float64)[:, None]
    at = (at - _means(group, at)[group])[:, 0]
    square = np.maximum(np.bincount(group, at * at), 1e-9)
    slope = np.column_stack([np.bincount(group, column * at) / square for column in values.T])
    return np.asarray(values - slope[group] * at[:, None])
