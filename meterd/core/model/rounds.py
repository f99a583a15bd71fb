"""Rounds of samples: which newest values of several meters belong together in time.

Meters send at once, one after the other, or each at its own period and phase: all of that is normal. A round has one moment,
which every meter has reached, and of each meter the sample nearest to it. So where all send together nothing of two
neighbouring samples is ever combined, and where they do not, no sample is further from the moment than its meter's period
makes necessary. A meter that has just sent waits for those that have not: until then the round before stands.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import sub

from meterd.core.model.plan import Limits

CLOSE_MS = 250  # samples closer than this are one: a meter that sends at ten a second needs no trace of that
FEWEST = 4  # samples kept at least: enough to tell the period
MOST = 512  # samples kept at most: at four a second as long as a power is valid with the usual limits
_GAPS = 8  # newest gaps that tell the period: one lost sample does not change their median
_NEAR = (
    0.75  # of a period: half of it is as far as the nearest sample of a regular meter can be, the rest is its jitter
)
_LEAST_NEAR_MS = 1000  # meters that send every second do not do so to the millisecond
_LATE = 1.5  # periods after which a meter that sends less often than the plan believes a power counts as silent

Trace = tuple[tuple[int, float], ...]  # (time in ms, value), oldest first


def follow(trace: Trace, at_ms: int, value: float, reach_ms: int) -> Trace:
    """A trace with one sample more, in any order of arrival; what lies further back than `reach_ms` is let go.

    >>> follow(((0, 5.0), (10_000, 7.0)), 5_000, 6.0, 60_000)
    ((0, 5.0), (5000, 6.0), (10000, 7.0))
    """
    sample = (at_ms, value)
    if trace and at_ms <= trace[-1][0]:
        place = bisect_left(trace, (at_ms,))
        if 0 < trace[place][0] - at_ms < CLOSE_MS and place:
            return trace
        after = place + 1 if trace[place][0] == at_ms else place  # the same moment said again: the newest counts
        return (*trace[:place], sample, *trace[after:])[-MOST:]
    if len(trace) > 1 and at_ms - trace[-2][0] < CLOSE_MS:
        trace = trace[:-1]
    first = min(bisect_left(trace, (at_ms - reach_ms,)), max(0, len(trace) + 1 - FEWEST))
    return (*trace[max(first, len(trace) + 1 - MOST) :], sample)


def period_ms(trace: Trace) -> int:
    """How often a meter sends, as its newest samples tell: the median of the gaps; 0 while there is one sample only.

    >>> period_ms(((0, 1.0), (10_000, 1.0), (30_000, 1.0), (40_000, 1.0)))
    10000
    """
    times = [at_ms for at_ms, _ in trace[-_GAPS - 1 :]]
    gaps = sorted(map(sub, times[1:], times))
    return gaps[len(gaps) // 2] if gaps else 0


@dataclass(frozen=True, slots=True)
class Belief:
    """What may be taken for now, by the limits of a plan; all in ms.

    `longest_ms` is how long a controller may use a published power (`ut`): no meter is believed longer.
    """

    now_ms: int
    believed_ms: int
    longest_ms: int
    near_ms: int
    future_ms: int

    def age_limit(self, every_ms: int) -> int:
        """How old a sample of a meter may be: as the plan says, or one and a half of its periods where it is slower.

        A meter that was heard only once (0) is believed as the plan says: nothing tells that it sends more seldom.
        """
        return max(self.believed_ms, min(round(_LATE * every_ms), self.longest_ms))

    def near(self, every_ms: int) -> int:
        """How far a sample may lie from the moment of its round."""
        return max(_LEAST_NEAR_MS, round(_NEAR * every_ms)) if every_ms else self.near_ms


def belief_of(limits: Limits, now_ms: int) -> Belief:
    """By the limits of a plan, at a moment."""
    believed_ms = limits.power_max_age_s * 1000
    longest_ms = believed_ms + 2000 * limits.publish_every_s
    return Belief(now_ms, believed_ms, longest_ms, limits.same_time_s * 1000, limits.future_s * 1000)


def reach_ms(limits: Limits) -> int:
    """How far back a trace must go, so that a round can be made of the moment that the slowest believed meter has reached."""
    belief = belief_of(limits, 0)
    return belief.longest_ms + belief.near_ms


@dataclass(frozen=True, slots=True)
class Round:
    """One value of each meter of one moment.

    `apart_ms` is the time between the earliest and the latest sample in it, `every_ms` the period of its slowest meter (0 =
    known of none). If it is not complete, `silent` are the meters without a present sample, or `out_of_step` the few that have
    none of the same moment as the others.
    """

    at_ms: int
    values: Mapping[str, float]
    apart_ms: int = 0
    every_ms: int = 0
    silent: tuple[str, ...] = ()
    out_of_step: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether every meter that was asked for is in it."""
        return not self.silent and not self.out_of_step


def newest_round(
    traces: Mapping[str, Trace], belief: Belief, *, wait_for: Mapping[str, Trace] | None = None, late_ms: int = 0
) -> Round:
    """The newest complete round of all these meters, or why there is none.

    Its moment is the newest that all have reached, also those of `wait_for` that are at most `late_ms` behind the others.
    A meter without a sample near it (one was lost) moves it back to the sample before: the round before stands.
    """
    present = {name: _until(trace, belief.now_ms + belief.future_ms) for name, trace in traces.items()}
    every = {name: period_ms(trace) for name, trace in present.items()}
    silent = [name for name, trace in present.items() if not trace or _silent(trace, every[name], belief)]
    if silent or not present:
        return Round(belief.now_ms, {}, silent=tuple(sorted(silent)))
    limit_ms = max(belief.age_limit(period) for period in every.values())
    slowest = max(every.values(), key=lambda period: (belief.age_limit(period), period))
    at_ms = reached = min(trace[-1][0] for trace in present.values())
    for trace in (wait_for or {}).values():
        if trace and 0 < reached - trace[-1][0] <= late_ms and belief.now_ms - trace[-1][0] <= limit_ms:
            at_ms = min(at_ms, trace[-1][0])
    apart: list[str] = []  # those that make the newest moment none of all
    while belief.now_ms - at_ms <= limit_ms:
        results = {name: trace[nearest(trace, at_ms)] for name, trace in present.items()}
        out_of_step = [name for name, item in results.items() if abs(item[0] - at_ms) > belief.near(every[name])]
        if not out_of_step:
            times = [item[0] for item in results.values()]
            values = {name: item[1] for name, item in results.items()}
            return Round(at_ms, values, max(times) - min(times), slowest)
        apart = apart or _fewer(list(present), out_of_step)
        before = [bisect_left(present[name], (at_ms,)) for name in out_of_step]
        if not all(before):
            break
        at_ms = min(present[name][place - 1][0] for name, place in zip(out_of_step, before, strict=True))
    return Round(belief.now_ms, {}, every_ms=slowest, out_of_step=tuple(sorted(apart)))


def nearest(trace: Sequence[tuple[int, float]], at_ms: int) -> int:
    """The place of the sample nearest to a moment; of two equally near the earlier.

    >>> nearest(((0, 5.0), (10_000, 7.0)), 9_000)
    1
    """
    place = bisect_left(trace, (at_ms,))
    if place == 0 or (place < len(trace) and trace[place][0] - at_ms < at_ms - trace[place - 1][0]):
        return place
    return place - 1


def _until(trace: Trace, last_ms: int) -> Trace:
    """Without samples from further ahead than clocks may be: they come from a clock that was wrong."""
    if not trace or trace[-1][0] <= last_ms:
        return trace
    return trace[: bisect_left(trace, (last_ms + 1,))]


def _fewer(names: list[str], out_of_step: list[str]) -> list[str]:
    """Whom to name when samples do not meet: the fewer of those beside the moment and those at it; somebody always."""
    others = [name for name in names if name not in out_of_step]
    return out_of_step if len(out_of_step) < len(others) or not others else others


def _silent(trace: Trace, every_ms: int, belief: Belief) -> bool:
    return belief.now_ms - trace[-1][0] > belief.age_limit(every_ms)
