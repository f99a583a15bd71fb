"""The drift watch over a store: every closed local day through the watch, from the figures as they are now.

What is stored is the statistics of each day, with a mark of the figures it was made of: a day whose figures changed is
made anew. The state of the watch is recalculated from the days, so a restart, a late reading or a correction can
never leave it behind what the stored figures say.
"""

import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

from meterd.adapters.store.drift_statistics import DriftDay
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.daily_examination import DailyExamination
from meterd.app.operations.drift_diagnosis import diagnosed, intervals_of, reactive_of
from meterd.app.operations.drift_events import Entered, events, followed_through
from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.balance.topology import Network, network, separate
from meterd.core.checks.proposed_correction import SAYS
from meterd.core.drift.baseline import Fit
from meterd.core.drift.cusum import FALSE_ALARMS_PER_YEAR
from meterd.core.drift.daily_statistics import FORMAT, DayStatistics, daily_statistics
from meterd.core.drift.detection_limits import Visible, from_history, from_plan
from meterd.core.drift.gross_errors import gross, tightened
from meterd.core.drift.identification import Candidate, Suspicion, odds_text
from meterd.core.drift.monitor_state import Change, EndedChange, WatchState, begin
from meterd.core.drift.simulated_fault import Drill, drill, split_days
from meterd.core.drift.unmetered_load import hidden
from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.errors import ConfigError
from meterd.core.model.drift_look import DriftLook
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, Period, day_of, starts
from meterd.core.model.plan import Site

LONGEST_DAYS = (
    730  # two years: a baseline older than that says little of an instrument, and a look stays below a minute
)
DAYS_AT_ONCE = 31  # of figures in memory
EVEN = 1.5  # odds below it favour nobody
WHOLE_DAYS = 2  # a list of fewer holds a day that is half right


class WatchedStore(StoredFigures, Entered, Protocol):
    """What the watch asks a store, or an archive, for."""


@dataclass(frozen=True, slots=True)
class MonitoredPart:
    """One part of the site's network after all its days: what the watch knows and what it says."""

    network: Network
    state: WatchState
    days: int
    suspicions: tuple[Suspicion, ...]
    fresh: tuple[DriftDay, ...] = ()  # days that were made anew and are to be stored


def parts(site: Site, at_ms: int) -> tuple[Network, ...]:
    """The parts of the site's network that can be watched, with the instruments in force at a moment."""
    return tuple(part for part in separate(network(site, at_ms)) if part.nodes)


def days_of(store: StoredFigures, site: Site, part: Network, bounds: Sequence[int]) -> Iterator[Intervals]:
    """Days of a part's points between consecutive bounds, from the newest figures."""
    for first in range(0, len(bounds) - 1, DAYS_AT_ONCE):
        some = bounds[first : first + DAYS_AT_ONCE + 1]
        yield from split_days(intervals_of(store, site, part, (some[0], some[-1])), some)


def bounds_of(store: StoredFigures, site: Site, part: Network) -> list[int]:
    """Starts of the closed local days, at most `LONGEST_DAYS`, and the end of the last. Instruments may change in between."""
    stored = store.span(Period.INTERVAL)
    if stored is None:
        return []
    until = stored[1] + site.interval_s * 1000
    fitted = [min(i.from_ms for i in site.instruments_of(name)) for name in part.points if site.instruments_of(name)]
    first = max([stored[0], until - LONGEST_DAYS * DAY_MS, *fitted])
    return starts(Period.DAY, first, until + 1, ZoneInfo(site.zone), site.interval_s * 1000)


Made = Iterator[tuple[DayStatistics, DriftDay | None]]  # statistics of days, with what is to be stored


def examine(store: ReadStore, site: Site) -> tuple[MonitoredPart, ...]:
    """Every part of the site through the watch, and its last day through the search for gross faults."""
    return _examined(store, site, lambda part, bounds: _statistics(store, site, part, _days(store, site, part, bounds)))


def examine_anew(store: WatchedStore, site: Site) -> tuple[MonitoredPart, ...]:
    """The same from figures that are kept anywhere: the statistics of every day are made of its figures."""

    def made(part: Network, bounds: Sequence[int]) -> Made:
        return ((daily_statistics(part, table), None) for table in days_of(store, site, part, bounds))

    return _examined(store, site, made)


def _examined(
    store: WatchedStore, site: Site, made: Callable[[Network, Sequence[int]], Made]
) -> tuple[MonitoredPart, ...]:
    stored = store.span(Period.INTERVAL)
    if stored is None:
        return ()
    networks = parts(site, stored[1])
    return tuple(
        _examined_part(store, site, part, wanted=FALSE_ALARMS_PER_YEAR / len(networks), made=made) for part in networks
    )


def _examined_part(
    store: WatchedStore, site: Site, part: Network, *, wanted: float, made: Callable[[Network, Sequence[int]], Made]
) -> MonitoredPart:
    bounds = bounds_of(store, site, part)
    fresh: list[DriftDay] = []

    def statistics() -> Iterator[DayStatistics]:
        for day, to_store in made(part, bounds):
            if to_store is not None:
                fresh.append(to_store)
            yield day

    happened = events(store, site, part.points, lambda suspicion: finding_id(suspicion, site))
    state = followed_through(begin(part, wanted=wanted), statistics(), happened)
    faults: list[tuple[Suspicion, Fit]] = []
    if len(bounds) > 1:
        (last,) = days_of(store, site, part, bounds[-2:])
        faults = _gross(store, site, state, last)
    results = [*_lasting(state, bounds, named=any(fault.candidates[0].points for fault, _ in faults)), *faults]
    span = (bounds[0], bounds[-1])
    suspicions = _diagnosed(store, site, state, results, span) if results else ()
    return MonitoredPart(part, state, max(len(bounds) - 1, 0), suspicions, tuple(fresh))


def _diagnosed(
    store: StoredFigures, site: Site, state: WatchState, results: Sequence[tuple[Suspicion, Fit]], span: tuple[int, int]
) -> tuple[Suspicion, ...]:
    """Each with what the store shows, the latest change first: from where a later one is named, balances speak of both.

    So they do from the first of the newest days that nothing known explains.
    """
    latest = sorted(range(len(results)), key=lambda number: -results[number][0].change_ms)
    done: dict[int, Suspicion] = {}
    for number in latest:
        suspicion, fit = results[number]
        alone_ms = suspicion.change_ms + DAY_MS
        who = suspicion.candidates[0].points
        later = [other.change_ms for other in done.values() if other.named and other.candidates[0].points != who]
        if (strange_ms := state.strange_since(suspicion.found_ms)) is not None:
            later.append(strange_ms)
        seen_to = min((since_ms for since_ms in later if since_ms >= alone_ms), default=span[1])
        done[number] = diagnosed(store, site, state.network, suspicion=suspicion, fit=fit, bounds=span, seen_to=seen_to)
    return tuple(done[number] for number in range(len(results)))


def _lasting(state: WatchState, bounds: Sequence[int], *, named: bool) -> list[tuple[Suspicion, Fit]]:
    """What the watch says of changes that last, with the baseline before each.

    `named`: the last day by itself names an instrument. Then a list of that day and the one before waits: a change begins during
    a day, and such a day fits many things.
    """
    young_ms = bounds[-3] if named and len(bounds) > WHOLE_DAYS else None
    return [
        (change.suspicion, change.base)
        for change in state.reported
        if change.suspicion is not None
        and (young_ms is None or change.from_ms < young_ms or _names_an_instrument(change))
    ]


def _names_an_instrument(change: Change) -> bool:
    return (
        change.suspicion is not None
        and change.suspicion.named is not None
        and bool(change.suspicion.candidates[0].points)
    )


def _gross(store: StoredFigures, site: Site, state: WatchState, last: Intervals) -> list[tuple[Suspicion, Fit]]:
    """A gross fault of the last day, with the baseline it stands out from.

    Beside a change that lasts it is a second one only if it names what that does not list, and if the day is not explained by
    the end of that change either, nor by what the change lists against the baseline before it.
    """
    part = state.network
    turning = {name: reactive_of(store, site, name, last.start_ms) for name in part.points}
    reactive = {name: reactive for name, reactive in turning.items() if reactive is not None}
    fit = _widened(tightened(part), state) if state.learner is None else state.learner.fit
    untouched = state.learner is None and state.start is state.first
    fault = gross(part, last, None if untouched else fit, reactive=reactive, free=hidden(state))
    if fault is None:
        return []
    known = {c.hypothesis for suspicion in state.suspicions for c in suspicion.candidates}
    if state.suspicions and (fault.named in known or (fault.named is None and not _is_new(state, fault, known, last))):
        return []
    changes = [change for change in state.changes if change.suspicion is not None and change.load is None]
    ends = [gross(part, last, change.base, reactive=reactive, free=hidden(state)) for change in changes]
    return [] if any(suspicion is None or suspicion.named in known for suspicion in ends) else [(fault, fit)]


def _is_new(state: WatchState, fault: Suspicion, known: Collection[str], last: Intervals) -> bool:
    """Whether a list of causes is of something new: of the second strange day at least, without a cause that is known."""
    since_ms = state.strange_since(max(suspicion.found_ms for suspicion in state.suspicions))
    listed = {candidate.hypothesis for candidate in fault.candidates}
    return since_ms is not None and since_ms < int(last.start_ms[0]) and not listed & set(known)


def _widened(fit: Fit, state: WatchState) -> Fit:
    """Class limits, without limits for what was accepted before there was a baseline."""
    return Fit(fit.mean, fit.covariance + state.start.covariance - state.first.covariance)


@dataclass(frozen=True, slots=True)
class _Days:
    """The days of a part: bounds, and by day what its figures are marked with and whether statistics of them are stored."""

    key: str
    bounds: Sequence[int]
    marks: Sequence[int | None]
    stored: Sequence[bool]


def _days(store: ReadStore, site: Site, part: Network, bounds: Sequence[int]) -> _Days:
    # days kept by another version are not read: their sums mean something else, and they are made anew
    key = hashlib.sha256(f"{part.fingerprint} format {FORMAT}".encode()).hexdigest()
    plan, known = net_plan(site, part.points), store.drift_days.marks(key)
    marks = store.drift_days.made_of([*plan.imports, *plan.exports], bounds)
    stored = [mark is not None and known.get(low) == mark for low, mark in zip(bounds, marks, strict=False)]
    return _Days(key, bounds, marks, stored)


def _statistics(store: ReadStore, site: Site, part: Network, days: _Days) -> Made:
    """Statistics of all days: stored ones where their figures are the same, the others made anew, with what is to be stored."""
    for stored, group in groupby(range(len(days.stored)), days.stored.__getitem__):
        places = list(group)
        if stored:
            for i in places:
                yield DayStatistics.from_bytes(store.drift_days.data(days.key, days.bounds[i])), None
        else:
            yield from _made(store, site, part, days=days, places=places)


def _made(store: ReadStore, site: Site, part: Network, *, days: _Days, places: Sequence[int]) -> Made:
    """Statistics of consecutive days, made of their figures."""
    tables = days_of(store, site, part, days.bounds[places[0] : places[-1] + 2])
    for i, table in zip(places, tables, strict=True):
        statistics, mark = daily_statistics(part, table), days.marks[i]
        yield statistics, None if mark is None else DriftDay(days.key, days.bounds[i], mark, statistics.to_bytes())


def keep_days(store: WriteStore, site: Site) -> None:
    """Statistics of all closed days into the store, so that the first look reads them."""
    stored = store.span(Period.INTERVAL)
    for part in () if stored is None else parts(site, stored[1]):
        days = _days(store, site, part, bounds_of(store, site, part))
        for remaining, group in groupby(range(len(days.stored)), days.stored.__getitem__):
            places = list(group)
            for low in range(0, 0 if remaining else len(places), DAYS_AT_ONCE):
                made = _made(store, site, part, days=days, places=places[low : low + DAYS_AT_ONCE])
                with store.transaction():
                    store.drift_days.keep(day for _, day in made if day is not None)


def finding_of(suspicion: Suspicion, site: Site) -> Finding:
    """A suspicion as a finding: named where the evidence is 20:1, else on the list of all that fit."""
    points = tuple(dict.fromkeys(p for candidate in suspicion.candidates for p in candidate.points))
    evidence = tuple(_line(candidate) for candidate in suspicion.candidates)
    if suspicion.if_feed_right:
        evidence = (*evidence, suspicion.if_feed_right)
    evidence = (*evidence, *suspicion.notes)
    if suspicion.correction:
        evidence = (*evidence, SAYS + suspicion.correction)
    return Finding(*_place(suspicion, site), suspicion.change_ms, suspicion.text, suspicion.remedy, points, evidence)


def finding_id(suspicion: Suspicion, site: Site) -> str:
    """The id of the finding that a suspicion makes."""
    return "-".join(_place(suspicion, site))


def _place(suspicion: Suspicion, site: Site) -> tuple[str, str]:
    """Cause and subject: the instrument that is named, else the balance."""
    named = suspicion.candidates[0].points if suspicion.named and suspicion.candidates else ()
    if len(named) == 1:
        return "drift", named[0]
    subject = suspicion.candidates[0].node if suspicion.candidates and suspicion.candidates[0].node else site.name
    return "balance-shift", _slug(subject)


def ends_of(watched: Sequence[MonitoredPart], site: Site) -> dict[str, str]:
    """By the id of each finding that is over: since when, and how. Under "" what is said of any other."""
    results: dict[str, str] = {}
    for part in watched:
        for ended_change in part.state.ended:
            if ended_change.change.suspicion is not None and not ended_change.change.quiet:
                results[finding_id(ended_change.change.suspicion, site)] = _how(ended_change, site)
        if part.state.recent:
            last = day_of(part.state.recent[-1].start_ms, ZoneInfo(site.zone))
            results.setdefault("", f"no longer seen in the figures of {last}")
    return results


def _how(ended_change: EndedChange, site: Site) -> str:
    suspicion, day = ended_change.change.suspicion, day_of(ended_change.at_ms, ZoneInfo(site.zone))
    assert suspicion is not None, "only what was told has an end to be told"
    named = suspicion.candidates[0].points if suspicion.named else ()
    who = named[0] if len(named) == 1 else ""
    if ended_change.how == "exchanged":
        return f"the instrument of {who or ', '.join(suspicion.candidates[0].points)} was exchanged on {day}"
    if ended_change.how == "accepted":
        return f"taken as the new normal on {day}"
    return f"{who} reads as before since {day}" if who else f"{suspicion.candidates[0].node} is as before since {day}"


def _slug(text: str) -> str:
    return "-".join("".join(c if c.isalnum() else " " for c in text.lower()).split())


def _line(candidate: Candidate) -> str:
    less = f" ({odds_text(candidate.odds)} times less likely than the first, correlation {candidate.correlation:+.2f})"
    measured = f"; {candidate.measured}" if candidate.measured else ""
    fits = f"; fits: {', '.join(candidate.causes)}" if candidate.causes else ""
    return candidate.text + (less if candidate.odds > EVEN else "") + measured + fits


def run_drill(store: StoredFigures, site: Site, point: str, factor: float, from_ms: int) -> Drill:
    """The fault drill on the site's own history; ConfigError for a point or a date that cannot be."""
    stored = store.span(Period.INTERVAL)
    if stored is None:
        raise ConfigError("there is no history yet: a drill replays closed days of the store")
    networks = parts(site, stored[1])
    for part in networks:
        if point in part.points:
            days = list(days_of(store, site, part, bounds_of(store, site, part)))
            try:
                return drill(part, days, point, factor, from_ms, wanted=FALSE_ALARMS_PER_YEAR / len(networks))
            except ValueError as exc:
                raise ConfigError(str(exc)) from exc
    raise ConfigError(f"no balance contains {point}; `meterd visible-error` lists the points that can be watched")


def visible_errors(watched: Sequence[MonitoredPart]) -> tuple[tuple[Visible, ...], str]:
    """The smallest visible errors of all parts, and whether they are from the `history` or from the `plan` alone."""
    ready = all(part.state.learner is not None and part.state.recent for part in watched)
    results = [from_history(part.state) if ready else from_plan(part.network) for part in watched]
    return tuple(line for lines in results for line in lines), "history" if ready and watched else "plan"


class DriftJob(DailyExamination):
    """The drift watch after each local day."""

    def __init__(self, path: Path, site: Site, *, clock: Callable[[], float] | None = None) -> None:
        super().__init__("drift", "drift watch", "drift-watch-failed", path, site, clock=clock)
        self._fresh: tuple[DriftDay, ...] = ()
        self.visible: tuple[tuple[Visible, ...], str] = ((), "")  # smallest visible errors, and from what
        self._without_day = False  # a site that can be watched, of which no whole day is closed

    @property
    def look(self) -> DriftLook:
        """Whether it has looked since the start, and since a closed day got other figures."""
        outcome = self.outcome
        if outcome is None or self._findings is not None:  # made, but its findings are not open yet
            return DriftLook.TO_COME
        if not outcome.done:
            return DriftLook.FAILED
        return DriftLook.NO_DAY if self._without_day else DriftLook.DONE

    def new_days(self) -> tuple[DriftDay, ...]:
        """Some days to be stored by the one that writes the store, each once: two years at a time would hold up the loop."""
        days, self._fresh = self._fresh[:DAYS_AT_ONCE], self._fresh[DAYS_AT_ONCE:]
        return days

    def examine(self, store: ReadStore) -> tuple[tuple[Finding, ...], str]:
        """Every part of the site through the watch."""
        watched = examine(store, self._site)
        self.visible = visible_errors(watched)
        suspicions = [suspicion for part in watched for suspicion in part.suspicions]
        self._fresh = tuple(day for part in watched for day in part.fresh)
        self.ends = ends_of(watched, self._site)
        days = max((part.days for part in watched), default=0)
        stored = store.span(Period.INTERVAL)
        self._without_day = not days and bool(parts(self._site, self._done_to if stored is None else stored[1]))
        text = f"{days} days of {len(watched)} parts examined, {len(suspicions)} changes found"
        return tuple(finding_of(suspicion, self._site) for suspicion in suspicions), text
