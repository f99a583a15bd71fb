"""Courses for the charts of a report: mean power of the site, its hours by days, and what each feeder took."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.load_profile import HoursByDays, hours_by_days
from meterd.core.energy.rollup import mean_power_w
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import HOUR_MS, Period, starts
from meterd.core.model.plan import Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.reports.figures import Bools, Intervals, Ints, summed, sums_between

MOST_FEEDERS = 8  # that can be told apart in one chart; the smaller ones are one sum
_SOURCES = (Role.PV, Role.BACKUP, Role.STORAGE)
_LOAD_STEP = {Period.MONTH: Period.HOUR, Period.YEAR: Period.DAY}


@dataclass(frozen=True, slots=True)
class LoadCourse:
    """Mean power in W in steps between `edges`, None = missing; `production` is empty without PV."""

    edges: tuple[int, ...]
    load: tuple[float | None, ...]
    production: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class FeederCourse:
    """Energy in mWh of feeders, the largest first, in steps between `edges`; the last of many, `others`, are one sum."""

    edges: tuple[int, ...]
    points: tuple[Point, ...]
    values: tuple[tuple[int | None, ...], ...]
    others: int  # how many are in the last row of values, which then has no point


def load_course(intervals: Intervals, site: Site, period: Period, span: tuple[int, int]) -> LoadCourse | None:
    """The consumption of the site, all that comes in less what goes out, by hours of a month or days of a year."""
    zone, step_ms = ZoneInfo(site.zone), site.interval_s * 1000
    edges = (*starts(_LOAD_STEP[period], *span, zone, step_ms), span[1])
    into = _supplies(site)
    if len(edges) < 2 or not into or not len(intervals.starts):
        return None
    sun = [p for p in into if p.role is Role.PV]
    load = _powers(intervals, edges, *_net(intervals, into))
    production = _powers(intervals, edges, *summed(intervals, sun, IMPORT)) if sun else ()
    return LoadCourse(edges, load, production)


def load_hours(intervals: Intervals, site: Site, span: tuple[int, int]) -> HoursByDays | None:
    """The consumption of the site by local hours and days, in W; None without a feed or an hour."""
    zone, into = ZoneInfo(site.zone), _supplies(site)
    edges = (*starts(Period.HOUR, *span, zone, site.interval_s * 1000), span[1])
    if len(edges) < 2 or not into or not len(intervals.starts):
        return None
    sums = sums_between(intervals, edges, *_net(intervals, into))
    lengths = [high - low for low, high in pairwise(edges)]  # the last hour may not be over
    energy = np.array([(value or 0) * HOUR_MS // own for value, own in zip(sums, lengths, strict=True)], dtype=np.int64)
    return hours_by_days(edges[:-1], energy, np.array([value is not None for value in sums]), zone)


def feeder_course(
    intervals: Intervals, site: Site, begins: Sequence[int], end_ms: int, *, most: int = MOST_FEEDERS
) -> FeederCourse | None:
    """What each outgoing feeder took in the days of a month or the months of a year; feeders of other boards are none."""
    supplies = {board.fed_by for board in site.boards}
    feeders = [
        p for p in site.points
        if p.counts and p.role is Role.FEEDER and p.below is None and p.name not in supplies
        and intervals.place((p.name, IMPORT)) is not None
    ]  # fmt: skip
    edges = (*begins, end_ms)
    if not feeders or len(edges) < 2 or not len(intervals.starts):
        return None
    rows = [sums_between(intervals, edges, *_net(intervals, [p])) for p in feeders]
    order = sorted(range(len(feeders)), key=lambda i: (-sum(v or 0 for v in rows[i]), feeders[i].name))
    alone = order if len(order) <= most else order[: most - 1]
    values = [tuple(rows[i]) for i in alone]
    rest = order[len(alone) :]
    if rest:
        columns = zip(*(rows[i] for i in rest), strict=True)
        values.append(tuple(None if None in column else sum(v or 0 for v in column) for column in columns))
    return FeederCourse(edges, tuple(feeders[i] for i in alone), tuple(values), len(rest))


def _supplies(site: Site) -> list[Point]:
    """All through which energy comes in: the connection to the grid, PV, backup, storage; none without a connection."""
    grid = list(connection_feeds(site))
    return grid and [*grid, *(p for p in site.points if p.counts and p.role in _SOURCES)]


def _net(intervals: Intervals, points: Sequence[Point]) -> tuple[Ints, Bools]:
    """Import less export of some points together, interval by interval; known where all of it is."""
    energy, known = summed(intervals, points, IMPORT)
    if any(intervals.place((p.name, EXPORT)) is not None for p in points):
        given, both = summed(intervals, points, EXPORT)
        energy, known = energy - given, known & both
    if any(intervals.place((p.name, IMPORT)) is None for p in points):
        known = np.zeros_like(known)
    return energy, known


def _powers(intervals: Intervals, edges: Sequence[int], energy: Ints, known: Bools) -> tuple[float | None, ...]:
    sums = sums_between(intervals, edges, energy, known)
    return tuple(
        None if value is None else mean_power_w(value, high - low)
        for value, low, high in zip(sums, edges[:-1], edges[1:], strict=True)
    )
