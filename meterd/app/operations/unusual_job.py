"""Unusual use over a store: the closed local days of the last months through the watch, from the figures as they are now."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.acceptances import UNUSUAL_ACCEPTED, accepted_before
from meterd.app.operations.daily_examination import DailyExamination
from meterd.core.checks.unusual_use import UNUSUAL, end_of, unusual_finding
from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.rollup import Columns
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, Period, starts
from meterd.core.model.plan import Point, Role, Site
from meterd.core.pv.figures import flexible_points
from meterd.core.unusual.days import Loads, UseDays, use_days
from meterd.core.unusual.night_limits import with_night_limits
from meterd.core.unusual.watch import Accepted, Watched, watch

LONGEST_DAYS = (
    240  # of history: six weeks for what is usual, 120 days for its habits, what began in the six weeks before now
)
_SOURCES = (Role.FEED, Role.BACKUP, Role.STORAGE, Role.PV)


def watched_points(site: Site) -> list[Point]:
    """Feeders and what hangs below them.

    Flexible loads are left out: they follow the sun and their shares. So are single rooms (copies of a pattern): what is
    unusual in one is for whoever lives or works there.
    """
    flexible = {point.name for point in flexible_points(site)}
    rooms = {point for copied in site.copied for point in copied.points}
    left_out = flexible | rooms
    return [p for p in site.points if p.counts and p.role in (Role.FEEDER, Role.SUB) and p.name not in left_out]


def loads_of(site: Site) -> Loads:
    """The points in their order, and the site itself as the last one."""
    points = watched_points(site)
    names = [point.name for point in points]
    above = {point.name: point.below for point in site.points}
    below = np.zeros((len(names) + 1, len(names) + 1), dtype=np.bool_)
    below[-1, :-1] = True
    for row, name in enumerate(names):
        parent = above[name]
        while parent is not None:
            if parent in names:
                below[names.index(parent), row] = True
            parent = above.get(parent)
    base_only = np.append(np.zeros(len(names), dtype=np.bool_), True)
    own = [np.nan if p.unusual_percent is None else np.log1p(p.unusual_percent / 100) for p in points]
    return Loads((*names, site.name), below, base_only, np.array([*own, np.nan]))


def read_use(store: ReadStore, site: Site) -> UseDays | None:
    """The closed local days of a store; None where no day is closed or nothing says what the site draws."""
    stored, zone = store.span(Period.HOUR), ZoneInfo(site.zone)
    sources = [p.name for p in site.points if p.counts and p.role in _SOURCES]
    if stored is None or not sources:
        return None
    until = stored[1] + 2 * DAY_MS
    days = starts(Period.DAY, max(stored[0], stored[1] - LONGEST_DAYS * DAY_MS), until, zone, site.interval_s * 1000)
    closed = store.span(Period.DAY)
    bounds = [day for day in days if closed is not None and day <= closed[1]]
    if not bounds:
        return None
    bounds.append(next(day for day in days if day > bounds[-1]))
    hours = np.array(starts(Period.HOUR, bounds[0], bounds[-1], zone, site.interval_s * 1000), dtype=np.int64)
    points = _columns(store, site, [point.name for point in watched_points(site)], hours)
    feeds = _columns(store, site, sources, hours)
    flexible = _columns(store, site, [point.name for point in flexible_points(site)], hours)
    whole = Columns(
        np.column_stack([points.energy, feeds.energy.sum(axis=1) - flexible.energy.sum(axis=1)]),
        np.column_stack([points.present, feeds.present.all(axis=1) & flexible.present.all(axis=1)]),
        np.column_stack([points.flags, np.bitwise_or.reduce(np.column_stack([feeds.flags, flexible.flags]), axis=1)]),
    )
    return use_days(
        loads_of(site), np.array(bounds, dtype=np.int64), (hours, whole), zone,
        holidays=site.holidays, outdoor_c=dict(site.outdoor_c),
    )  # fmt: skip


def _columns(store: StoredFigures, site: Site, points: list[str], hours: np.ndarray) -> Columns:
    plan = net_plan(site, points)
    return plan.net(store.columns(plan.imports, Period.HOUR, hours), store.columns(plan.exports, Period.HOUR, hours))


def examine_use(store: ReadStore, site: Site) -> Watched | None:
    """All loads of a store through the watch, with what people have taken as usual."""
    days = read_use(store, site)
    if days is None:
        return None
    now_called = {alias: point.name for point in site.points for alias in point.aliases}
    accepted: dict[str, list[Accepted]] = {}
    for acceptance in accepted_before(store, UNUSUAL_ACCEPTED):
        for name in acceptance.points:
            accepted.setdefault(now_called.get(name, name), []).append(Accepted(acceptance.since_ms, acceptance.at_ms))
    limits = {point.name: point.night_max_w for point in watched_points(site) if point.night_max_w is not None}
    return with_night_limits(watch(days, accepted), days, limits, accepted)


class UnusualJob(DailyExamination):
    """The watch over unusual use after each local day."""

    def __init__(self, path: Path, site: Site) -> None:
        super().__init__("unusual", "watch over unusual use", "unusual-use-failed", path, site)
        self.judged = (0, 0)  # how many loads have history enough, and of how many

    def examine(self, store: ReadStore) -> tuple[tuple[Finding, ...], str]:
        """All loads of the site."""
        watched = examine_use(store, self._site)
        if watched is None:
            return (), "no day is closed yet"
        self.ends = {f"{UNUSUAL}-{ended.load}": end_of(ended, self._site) for ended in watched.ended}
        self.judged = watched.loads - len(watched.young), watched.loads
        findings = tuple(unusual_finding(item, self._site) for item in watched.unusual)
        return findings, f"{watched.days} days examined, {len(findings)} loads take more than usual"
