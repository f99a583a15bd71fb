"""The drift watch over a store: every closed local day through the watch, from the figures as they are now.

What is kept is the statistics of each day, with the time its newest figure was written: a day whose figures changed is made
anew. The state of the watch is made again from the days, so a restart, a late reading or a correction can never leave it
behind what the books say.
"""

import hashlib
import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.app.drift_causes import intervals_of, looked_into, reactive_of
from meterd.app.logs import about
from meterd.books import net_plan
from meterd.drift import WatchState, begin, watch
from meterd.drift_chart import FALSE_ALARMS_PER_YEAR
from meterd.drift_day import DayStatistics, daily_statistics
from meterd.drift_drill import Drill, drill, split_days
from meterd.drift_gross import gross, tight
from meterd.drift_name import Candidate, Suspicion
from meterd.errors import ConfigError, MeterdError
from meterd.finding import Finding
from meterd.interval import DAY_MS, Period, starts
from meterd.network import Network, network, separate
from meterd.network_flows import Intervals
from meterd.site import Site
from meterd.store.drift_days import DriftDay
from meterd.store.sqlite import SqliteStore
from meterd.visible import Visible, from_history, from_plan

log = logging.getLogger("meterd")

LONGEST_DAYS = (
    730  # two years: a baseline older than that says little of an instrument, and a look stays below a minute
)
DAYS_AT_ONCE = 31  # of figures in memory
PAUSE_S = 60.0  # between two examinations, and before the first: a daemon that catches up closes many days at once


@dataclass(frozen=True, slots=True)
class Watched:
    """One part of the site's network after all its days: what the watch knows and what it says."""

    network: Network
    state: WatchState
    days: int
    suspicions: tuple[Suspicion, ...]
    fresh: tuple[DriftDay, ...] = ()  # days that were made anew and are to be kept


def parts(site: Site, at_ms: int) -> tuple[Network, ...]:
    """The parts of the site's network that can be watched, with the instruments in force at a moment."""
    return tuple(part for part in separate(network(site, at_ms)) if part.nodes)


def days_of(store: SqliteStore, site: Site, part: Network, bounds: Sequence[int]) -> Iterator[Intervals]:
    """Days of a part's points between consecutive bounds, from the newest figures."""
    for first in range(0, len(bounds) - 1, DAYS_AT_ONCE):
        some = bounds[first : first + DAYS_AT_ONCE + 1]
        yield from split_days(intervals_of(store, site, part, (some[0], some[-1])), some)


def bounds_of(store: SqliteStore, site: Site, part: Network) -> list[int]:
    """Starts of the closed local days with the present instruments, at most `LONGEST_DAYS`, and the end of the last."""
    kept = store.span(Period.INTERVAL)
    if kept is None:
        return []
    until = kept[1] + site.interval_s * 1000
    fitted = [i.from_ms for i in site.instruments if i.point in part.points and i.from_ms <= kept[1]]
    first = max([kept[0], until - LONGEST_DAYS * DAY_MS, *fitted])
    return starts(Period.DAY, first, until + 1, ZoneInfo(site.zone), site.interval_s * 1000)


def examine(store: SqliteStore, site: Site) -> tuple[Watched, ...]:
    """Every part of the site through the watch, and its last day through the search for gross faults."""
    kept = store.span(Period.INTERVAL)
    if kept is None:
        return ()
    networks = parts(site, kept[1])
    return tuple(_examine(store, site, part, FALSE_ALARMS_PER_YEAR / len(networks)) for part in networks)


def _examine(store: SqliteStore, site: Site, part: Network, wanted: float) -> Watched:
    bounds = bounds_of(store, site, part)
    statistics, fresh = _statistics(store, site, part, bounds)
    state = begin(part, wanted=wanted)
    found: tuple[Suspicion, ...] = ()
    for day in statistics:
        state, said = watch(state, day)
        found = said or (found if state.alarm is not None else ())
    if statistics:
        (last,) = days_of(store, site, part, bounds[-2:])
        turning = {name: reactive_of(store, site, name, last.start_ms) for name in part.points}
        reactive = {name: one for name, one in turning.items() if one is not None}
        fault = gross(part, last, None if state.learner is None else state.learner.fit, reactive=reactive)
        # a gross fault beside a change that lasts is a second one if it names what that does not list
        known = {candidate.hypothesis for one in found for candidate in one.candidates}
        if fault is not None and (not found or (fault.named is not None and fault.named not in known)):
            found = (*found, fault)
    fit = (
        tight(part) if state.learner is None else state.learner.fit
    )  # without a baseline nothing but a gross fault is said
    said = tuple(looked_into(store, site, part, one, fit, (bounds[0], bounds[-1])) for one in found)
    return Watched(part, state, len(statistics), said, fresh)


def _statistics(
    store: SqliteStore, site: Site, part: Network, bounds: Sequence[int]
) -> tuple[list[DayStatistics], tuple[DriftDay, ...]]:
    """Statistics of all days: kept ones where no figure was written since, the others made anew (and returned as such)."""
    key = hashlib.sha256(part.fingerprint.encode()).hexdigest()
    plan, kept = net_plan(site, part.points), store.drift_days.of(key)
    channels = [*plan.imports, *plan.exports]
    found: list[DayStatistics] = []
    fresh: list[DriftDay] = []
    for low, high in pairwise(bounds):
        made_of = store.drift_days.made_of(channels, low, high)
        old = kept.get(low)
        if old is not None and old.made_of_ms == made_of:
            found.append(DayStatistics.from_bytes(old.data))
            continue
        for table in days_of(store, site, part, (low, high)):
            found.append(daily_statistics(part, table))
            fresh.append(DriftDay(key, low, made_of, found[-1].to_bytes()))
    return found, tuple(fresh)


def finding_of(said: Suspicion, site: Site) -> Finding:
    """A suspicion as a finding: named where the evidence is 20:1, else on the list of all that fit."""
    points = tuple(dict.fromkeys(p for candidate in said.candidates for p in candidate.points))
    evidence = tuple(_line(candidate) for candidate in said.candidates)
    if said.if_feed_right:
        evidence = (*evidence, said.if_feed_right)
    if said.correction:
        evidence = (*evidence, f"once the cause is confirmed on site, the books are put right by: {said.correction}")
    named = said.candidates[0].points if said.named and said.candidates else ()
    if len(named) == 1:
        return Finding("drift", named[0], said.found_ms, said.text, said.remedy, points, evidence)
    subject = said.candidates[0].node if said.candidates and said.candidates[0].node else site.name
    return Finding("balance-shift", _slug(subject), said.found_ms, said.text, said.remedy, points, evidence)


def _slug(words: str) -> str:
    return "-".join("".join(c if c.isalnum() else " " for c in words.lower()).split())


def _line(candidate: Candidate) -> str:
    less = f" ({candidate.odds:.0f} times less likely than the first)" if candidate.odds > 1.5 else ""
    measured = f"; {candidate.measured}" if candidate.measured else ""
    return candidate.text + less + measured + (f"; fits: {', '.join(candidate.causes)}" if candidate.causes else "")


def run_drill(store: SqliteStore, site: Site, point: str, factor: float, from_ms: int) -> Drill:
    """The fault drill on the site's own history; ConfigError for a point or a date that cannot be."""
    kept = store.span(Period.INTERVAL)
    if kept is None:
        raise ConfigError("there is no history yet: a drill replays closed days of the store")
    networks = parts(site, kept[1])
    for part in networks:
        if point in part.points:
            days = list(days_of(store, site, part, bounds_of(store, site, part)))
            try:
                return drill(part, days, point, factor, from_ms, wanted=FALSE_ALARMS_PER_YEAR / len(networks))
            except ValueError as exc:
                raise ConfigError(str(exc)) from exc
    raise ConfigError(f"no balance contains {point}; `meterd visible-error` lists the points that can be watched")


def visible_errors(watched: Sequence[Watched]) -> tuple[tuple[Visible, ...], str]:
    """The smallest visible errors of all parts, and whether they are from the `history` or from the `plan` alone."""
    ready = all(one.state.learner is not None and one.state.recent for one in watched)
    found = [from_history(one.state) if ready else from_plan(one.network) for one in watched]
    return tuple(line for lines in found for line in lines), "history" if ready and watched else "plan"


class NightWatch:
    """Examines the store in a thread of its own after each local day, and hands over findings. Never holds up the loop."""

    def __init__(self, path: Path, site: Site, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._path, self._site, self._clock = path, site, clock
        self._due = clock() + PAUSE_S
        self._zone = ZoneInfo(site.zone)
        self._done_to = 0
        self._thread: threading.Thread | None = None
        self._ended = True
        self._findings: tuple[Finding, ...] | None = None
        self._fresh: tuple[DriftDay, ...] = ()
        self.visible: tuple[tuple[Visible, ...], str] = ((), "")  # smallest visible errors, and from what

    def look(self, closed_to: int | None) -> tuple[Finding, ...] | None:
        """Findings of a finished examination, once; starts another when a local day has closed since the last."""
        found, self._findings = self._findings, None
        idle = self._thread is None or not self._thread.is_alive()
        if closed_to is not None and idle and self._clock() >= self._due:
            days = starts(Period.DAY, closed_to - 3 * DAY_MS, closed_to + 1, self._zone, self._site.interval_s * 1000)
            if days and days[-1] > self._done_to:
                self._done_to, self._due = days[-1], self._clock() + PAUSE_S
                self._thread, self._ended = threading.Thread(target=self._work, name="drift", daemon=True), False
                self._thread.start()
        return found

    def again(self) -> None:
        """Examine once more with the next look: closed days have other figures."""
        self._done_to, self._due = 0, self._clock()

    def fresh(self) -> tuple[DriftDay, ...]:
        """Days to be kept by the one that writes the store, once."""
        found, self._fresh = self._fresh, ()
        return found

    def revive(self) -> bool:
        """See to it that a day is examined again if the thread has died over it; True if so."""
        if self._thread is None or self._thread.is_alive() or self._ended:
            return False
        self._thread, self._done_to = None, 0
        return True

    def join(self, limit_s: float) -> None:
        """Wait for a running examination."""
        if self._thread is not None:
            self._thread.join(limit_s)

    def _work(self) -> None:
        try:
            store = SqliteStore.reader(self._path)
            try:
                watched = examine(store, self._site)
            finally:
                store.close()
            self.visible = visible_errors(watched)
            said = [one for part in watched for one in part.suspicions]
            self._fresh = tuple(day for part in watched for day in part.fresh)
            self._findings = tuple(finding_of(one, self._site) for one in said)
        except MeterdError as exc:
            log.error("drift watch: %s", exc, extra=about("drift-watch-failed"))
        except Exception:  # an edge of the house style: the watch must never take the daemon with it
            log.exception("drift watch failed; it tries again after the next day", extra=about("drift-watch-failed"))
        self._ended = True  # a thread that is ended from outside never gets here
