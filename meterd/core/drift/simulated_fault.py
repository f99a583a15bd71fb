"""The fault drill: a site's own history with a fault that was not there, and when the watch would have found and named it."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.baseline import hypotheses
from meterd.core.drift.change_life import accepted
from meterd.core.drift.cusum import FALSE_ALARMS_PER_YEAR
from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.gross_errors import gross
from meterd.core.drift.identification import STEP_FOR_CAUSE, Suspicion
from meterd.core.drift.monitor import FIRST_ALARM_DAYS, monitor_day
from meterd.core.drift.monitor_state import WatchState, begin
from meterd.core.model.periods import day_of


@dataclass(frozen=True, slots=True)
class Drill:
    """What came of a planted fault. Days count from its first day (1 = that evening); None = not within the history.

    `day_ms` and `paths` are the highest of both CUSUM sides per day of the `shown` hypotheses, `threshold` per day, both for a
    plot, in days of `zone`. `false_alarms` were raised before the fault, on the history as it is.
    """

    point: str
    factor: float
    from_ms: int
    zone: str
    found_ms: int | None
    found_days: int | None
    found_by: str
    named_ms: int | None
    named_days: int | None
    named: str | None
    right: bool | None
    suspicion: Suspicion | None
    false_alarms: tuple[int, ...]
    day_ms: tuple[int, ...]
    shown: tuple[str, ...]
    paths: tuple[tuple[float, ...], ...]
    threshold: tuple[float, ...]
    text: str

    def as_dict(self) -> dict[str, object]:
        """For JSON."""
        return asdict(self)


SHOWN = 6  # paths in a plot: more cannot be distinguished


def drill(
    net: Network,
    days: Sequence[Intervals],
    point: str,
    factor: float,
    from_ms: int,
    *,
    wanted: float = FALSE_ALARMS_PER_YEAR,
) -> Drill:
    """Replay days of intervals with `point` reading `factor` times what it read from `from_ms` on.

    `wanted` false alarms per year are those of the watch that is rehearsed. Raises ValueError for a point no balance
    contains, for one that nothing passes, and for a moment that is not within the history.
    """
    column = _asked(net, days, point, from_ms)
    state = begin(net, wanted=wanted)
    trace = _Trace()
    for table in days:
        planted = _planted(table, column, factor, from_ms)
        faulty = int(table.end_ms[-1]) > from_ms
        state, results = monitor_day(state, daily_statistics(net, planted))
        trace.note(state, int(table.start_ms[0]))
        suspicions = list(results)
        if faulty and trace.found is None and not suspicions:
            fit = None if state.learner is None else state.learner.fit
            suspicions = [g for g in (gross(net, planted, fit),) if g is not None]
        if suspicions and not faulty:
            trace.false_alarms.append(suspicions[0].found_ms)
            state = accepted(state, state.changes, suspicions[0].found_ms)
        elif suspicions:
            trace.take(replace(suspicions[0], found_ms=int(table.end_ms[-1])))
        if trace.named is not None:
            break
    after = sum(int(table.end_ms[-1]) > from_ms for table in days)
    return _result(net, trace, point, factor=factor, when=(from_ms, len(days) - after, after))


def _asked(net: Network, days: Sequence[Intervals], point: str, from_ms: int) -> int:
    """The column of the point; ValueError where a drill makes no sense, with what would."""
    if point not in net.points:
        raise ValueError(f"no balance contains {point}; a drill needs one of {', '.join(net.points)}")
    if not days:
        raise ValueError("there is no closed day of history yet; a drill replays closed days")
    zone = ZoneInfo(net.zone)
    first, last = int(days[0].start_ms[0]), int(days[-1].end_ms[-1])
    if not first <= from_ms < last:
        which = "ends before the fault begins" if from_ms >= last else "begins after the fault"
        span = f"{day_of(first, zone)} to {day_of(last - 1, zone)}"
        raise ValueError(f"the history {which}: it goes from {span}; choose a day in it")
    column = net.points.index(point)
    if not any(table.energy[:, column].any() for table in days if int(table.end_ms[-1]) > from_ms):
        raise ValueError(f"no energy has passed {point} since then, so no error of its meter could show")
    return column


def _planted(table: Intervals, column: int, factor: float, from_ms: int) -> Intervals:
    rows = table.start_ms >= from_ms
    energy = table.energy.copy()
    energy[rows, column] = np.rint(energy[rows, column] * factor)
    return replace(table, energy=energy)


class _Trace:
    """What is gathered on the way."""

    def __init__(self) -> None:
        self.found: Suspicion | None = None
        self.named: Suspicion | None = None
        self.false_alarms: list[int] = []
        self.day_ms: list[int] = []
        self.charts: list[Floats] = []
        self.threshold: list[float] = []

    def note(self, state: WatchState, day_ms: int) -> None:
        """The charts on the evening of a day."""
        self.day_ms.append(day_ms)
        copies = [c for c in (state.learner, state.frozen) if c is not None]
        highest = [np.maximum(c.chart.high, c.chart.low) for c in copies] or [np.zeros(len(state.tests))]
        self.charts.append(np.max(highest, axis=0))
        self.threshold.append(state.threshold.h)

    def take(self, suspicion: Suspicion) -> None:
        """A suspicion after the fault began."""
        self.found = self.found or suspicion
        if suspicion.named is not None:
            self.named = suspicion


def _result(net: Network, trace: _Trace, point: str, *, factor: float, when: tuple[int, int, int]) -> Drill:
    """`when`: the moment of the fault, and the days of history before and after it."""
    from_ms = when[0]
    names = [test.name for test in hypotheses(net)]
    charts = np.array(trace.charts)
    own = names.index(f"ratio {point}")
    order = [own, *(int(j) for j in np.argsort(-charts[-1], kind="stable") if j != own)][:SHOWN]
    wanted = f"ratio {point}"
    suspicion, named = trace.found, trace.named
    days = [None if s is None else _days(trace.day_ms, from_ms, s.found_ms) for s in (suspicion, named)]
    return Drill(
        point=point,
        factor=factor,
        from_ms=from_ms,
        zone=net.zone,
        found_ms=None if suspicion is None else suspicion.found_ms,
        found_days=days[0],
        found_by="" if suspicion is None else suspicion.kind,
        named_ms=None if named is None else named.found_ms,
        named_days=days[1],
        named=None if named is None else named.named,
        right=None if named is None else named.named == wanted,
        suspicion=named or suspicion,
        false_alarms=tuple(trace.false_alarms),
        day_ms=tuple(trace.day_ms),
        shown=tuple(names[j] for j in order),
        paths=tuple(tuple(float(v) for v in charts[:, j]) for j in order),
        threshold=tuple(trace.threshold),
        text=_text(f"{point} reading {_error(factor)}", when, days, (suspicion, named), wanted),
    )


def _error(factor: float) -> str:
    """A small error in percent, a large one as a factor."""
    small = abs(factor - 1) < STEP_FOR_CAUSE
    return f"{100 * (factor - 1):+.2f} %" if small else f"{factor:.3g} of the true energy"


def _days(day_ms: list[int], from_ms: int, found_ms: int) -> int:
    return sum(1 for start in day_ms if start < found_ms and start + 86_400_000 > from_ms)


def _text(
    fault: str,
    when: tuple[int, int, int],
    days: list[int | None],
    suspicions: tuple[Suspicion | None, Suspicion | None],
    wanted: str,
) -> str:
    suspicion, named = suspicions
    if suspicion is None:
        text = f"{fault} would not have been found within the {_in_days(when[2])} of history after it"
    elif named is None:
        listed = ", ".join(c.about for c in suspicion.candidates)
        text = (
            f"{fault} would have been found after {_in_days(days[0])}, but not named; listed would have been {listed}"
        )
    else:
        verdict = "rightly" if named.named == wanted else f"wrongly, as {named.candidates[0].about},"
        text = f"{fault} would have been found after {_in_days(days[0])} and {verdict} named after {_in_days(days[1])}"
    if when[1] < FIRST_ALARM_DAYS:
        text += (
            f"; with only {_in_days(when[1])} of history before it: until {FIRST_ALARM_DAYS} days none but gross faults"
            " are looked for"
        )
    return text


def _in_days(count: int | None) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


def split_days(table: Intervals, bounds_ms: Sequence[int]) -> Iterator[Intervals]:
    """The rows between consecutive bounds (starts of local days, and the end), days without rows left out."""
    for low, high in pairwise(bounds_ms):
        rows = slice(*np.searchsorted(table.start_ms, [low, high]).tolist())
        if rows.start < rows.stop:
            yield Intervals(table.start_ms[rows], table.end_ms[rows], table.energy[rows], table.present[rows])
