"""Figures of one archived month made once more from archived readings by a plan, as the daemon makes them.

    readings, with those of the months beside it -> interval energies of each register -> sums, balances, PV figures

The interval figures are compared with the archived ones.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from meterd.app.operations.archived_readings import ArchivedIntervals, ArchivedReadings
from meterd.app.operations.queries import Line, balance_line, energy_line, pv_line
from meterd.app.operations.recompute import recomputed_columns
from meterd.core import engine
from meterd.core.energy.aggregation import Children, Parent, pv_aggregation, sum_pv
from meterd.core.energy.batch import Table, all_tables
from meterd.core.energy.rollup import Columns, maximum_demand
from meterd.core.engine import State
from meterd.core.model.archived_month import ArchivedMonth
from meterd.core.model.periods import Period, bounds, from_ms, starts, text
from meterd.core.model.plan import Site
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import BalanceRow, Channel, FigureRow
from meterd.core.registers.clock_offsets import clocks_in
from meterd.core.registers.corrections import Correction
from meterd.core.registers.figure_columns import FigureColumns
from meterd.core.registers.register_line import Bools, Ints


@dataclass(frozen=True, slots=True)
class Basis:
    """What figures of a site rest on beside its readings: corrections, how far clocks were off, accepted changes (as stored)."""

    corrections: tuple[Correction, ...] = ()
    clocks: str = ""
    accepted: str = ""

    def before(self, at_ms: int) -> "Basis":
        """Without corrections of later time, and without what was accepted later."""
        corrections = tuple(item for item in self.corrections if item.from_ms < at_ms)
        accepted = [item for item in json.loads(self.accepted or "[]") if item["at_ms"] < at_ms]
        return Basis(corrections, self.clocks, json.dumps(accepted))


@dataclass(frozen=True, slots=True)
class RemadeMonth:
    """The interval figures of a month, and how they compare with the archived ones."""

    site: Site
    state: State
    intervals: Table
    begins_ms: int  # of the first archived interval: where the history begins, if it begins in this month
    clocks: str
    compared: int
    differing: tuple[str, ...]  # each in words
    unknown: tuple[Channel, ...]  # archived, and not in the plan


def remade(site: Site, basis: Basis, readings: ArchivedReadings, place: int) -> RemadeMonth:
    """Make the figures of one of the months of `readings` once more.

    Where a figure rests on a reading after the newest archived month, the archived figure stands: its reading is in no file.
    """
    month, step = readings.months[place], site.interval_s * 1000
    state = engine.begin(
        site, ZoneInfo(site.zone), month.until_ms, basis.corrections, clocks=clocks_in(basis.clocks or None)
    )
    archived = readings.intervals(place)
    channels = tuple(channel for channel in state.trackers if channel in archived)
    grid = np.arange(month.from_ms, month.until_ms, step, dtype=np.int64)
    shape = (len(grid), len(channels))
    columns = Columns(np.zeros(shape, np.int64), np.zeros(shape, np.bool_), np.zeros(shape, np.uint8))
    compared, differing = 0, list[str]()
    for j, channel in enumerate(channels):
        made, _ = recomputed_columns(readings, state, channel, month.from_ms, month.until_ms)
        own = archived[channel]
        if made is not None:
            _fill(columns, j, grid, made)
        _stand(columns, j, grid, own=own, from_ms=readings.last_ms(channel) - step + 1)
        compared += len(own.start_ms)
        differing += _differing(channel, columns, j, grid=grid, own=own)
    table = Table(Period.INTERVAL, grid, grid + step, channels, columns)
    unknown = tuple(channel for channel in archived if channel not in state.trackers)
    begins_ms = min((int(own.start_ms[0]) for own in archived.values()), default=month.until_ms)
    return RemadeMonth(
        site, state, table, begins_ms, basis.clocks, compared=compared, differing=tuple(differing), unknown=unknown
    )


def _fill(columns: Columns, j: int, grid: Ints, made: FigureColumns) -> None:
    places = np.searchsorted(grid, made.start_ms)
    columns.energy[places, j], columns.present[places, j] = made.energy, made.present
    columns.flags[places, j] = made.flags


def _stand(columns: Columns, j: int, grid: np.ndarray, *, own: ArchivedIntervals, from_ms: int) -> None:
    """Take over the archived figures of intervals that end after the newest reading."""
    late = own.start_ms >= from_ms
    places = np.searchsorted(grid, own.start_ms[late])
    columns.energy[places, j], columns.present[places, j] = own.energy[late], own.present[late]
    columns.flags[places, j] = own.flags[late]


def _differing(
    channel: Channel, columns: Columns, j: int, *, grid: np.ndarray, own: ArchivedIntervals
) -> Iterator[str]:
    places = np.searchsorted(grid, own.start_ms)
    energy, present, flags = (c[places, j] for c in (columns.energy, columns.present, columns.flags))
    other = (present != own.present) | (energy != own.energy) | (present & (flags != own.flags))
    for i in np.flatnonzero(other).tolist():
        now, then = (
            f"{e} mWh" if p else "missing" for e, p in ((energy[i], present[i]), (own.energy[i], own.present[i]))
        )
        yield f"{' '.join(channel)} {text(int(own.start_ms[i]))}: {now}, archived {then}"


# -- lines -------------------------------------------------------------------------------------------------------------


def energy_lines(made: RemadeMonth, month: ArchivedMonth, period: Period) -> list[Line]:
    """A line for each register and period."""
    zone = ZoneInfo(month.zone)
    table = all_tables(made.intervals, zone, month.interval_s * 1000)[period]
    own = [
        i
        for i, end in enumerate(table.end_ms.tolist())
        if table.start_ms[i] >= month.from_ms and made.begins_ms < end <= month.until_ms
    ]
    lines = []
    for j, channel in enumerate(table.channels):
        for i in own:
            energy = int(table.columns.energy[i, j]) if table.columns.present[i, j] else None
            row = FigureRow(channel, period, int(table.start_ms[i]), energy, int(table.columns.flags[i, j]))
            lines.append(energy_line(row, int(table.end_ms[i]), zone))
    return lines


def _parents(month: ArchivedMonth, period: Period) -> list[Parent]:
    zone, step = ZoneInfo(month.zone), month.interval_s * 1000
    begins = starts(period, month.from_ms, month.until_ms, zone, step)
    return [Parent(period, start, bounds(period, start, zone, step)[1]) for start in begins]


def balance_lines(made: RemadeMonth, month: ArchivedMonth, period: Period) -> list[Line]:
    """A line for each board and period."""
    intervals, rows = made.intervals, list[BalanceRow]()
    group = _parents(month, period)
    first = np.searchsorted(intervals.start_ms, [parent.start_ms for parent in group])
    for aggregation in made.state.aggregations.values():
        net = intervals.net(aggregation.plan)
        if period is Period.INTERVAL:
            rows += aggregation.interval_rows(intervals.start_ms, intervals.end_ms, net)
        else:
            children = Children(Period.INTERVAL, intervals.start_ms, first)
            rows += aggregation.period_rows(group, children, intervals.end_ms, net)
    return [balance_line(row, ZoneInfo(month.zone)) for row in rows if row.end_ms > made.begins_ms]


def demand_lines(made: RemadeMonth, month: ArchivedMonth, period: Period) -> list[Line]:
    """A line for each point with import, whatever the period."""
    columns, starts_ms = made.intervals.columns, made.intervals.start_ms
    return [
        demand_line(month, point, starts_ms, columns.energy[:, j], columns.present[:, j])
        for j, (point, register) in enumerate(made.intervals.channels)
        if register == IMPORT
    ]


def demand_line(month: ArchivedMonth, point: str, starts_ms: Ints, energy: Ints, present: Bools) -> Line:
    """The largest interval mean of a point in a month: the first of equals."""
    step = month.interval_s * 1000
    largest = maximum_demand(energy, present, step)
    start = None if largest is None else from_ms(int(starts_ms[largest[0]])).astimezone(ZoneInfo(month.zone))
    return {
        "period": month.month,
        "point": point,
        "demand_w": None if largest is None else largest[1],
        "interval_start": None if start is None else start.isoformat(),
        "intervals_known": int(present.sum()),
        "intervals": (month.until_ms - month.from_ms) // step,
    }


def pv_lines(made: RemadeMonth, month: ArchivedMonth, period: Period) -> list[Line]:
    """A line for each period, where the plan has PV."""
    aggregation = pv_aggregation(made.site, clocks_in(made.clocks or None))
    if aggregation is None:
        return []
    intervals = made.intervals
    rows = aggregation.interval_rows(
        intervals.start_ms,
        intervals.end_ms,
        intervals.net(aggregation.production),
        imported=intervals.pick(aggregation.feeds.imports),
        exported=intervals.pick(aggregation.feeds.exports),
        others=intervals.net(aggregation.others),
    )
    if period is not Period.INTERVAL:
        group = _parents(month, period)
        edges = [*np.searchsorted(intervals.start_ms, [parent.start_ms for parent in group]).tolist(), len(rows)]
        rows = [sum_pv(p, rows[low:high], high - low) for p, (low, high) in zip(group, pairwise(edges), strict=True)]
    return [pv_line(row, ZoneInfo(month.zone)) for row in rows if row.end_ms > made.begins_ms]
