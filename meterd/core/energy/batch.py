"""A whole history at once: the same core as the daemon, over columns instead of ticks. Pure; bit-identical to it.

Each register is followed on its own, so only one column of readings is in memory at a time; what stays are the energies
of its intervals.
"""

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.board_balance import Balance, balance_of, interval_inputs, period_inputs
from meterd.core.balance.estimate import of_intervals, of_periods
from meterd.core.energy.aggregation import BoardAggregation, NetPlan, PvAggregation
from meterd.core.energy.rollup import Columns, roll_up
from meterd.core.model.periods import HOUR_MS, MADE_OF, Period, bounds, floor, plain_hours
from meterd.core.model.plan import Limits
from meterd.core.model.results import Channel
from meterd.core.model.row_groups import reduced
from meterd.core.pv.figures import pv_figures
from meterd.core.registers.corrections import CorrectionSegment, Edits, corrected, edited
from meterd.core.registers.plain_register import Moments, plain_figures
from meterd.core.registers.register_line import Bools, Breakpoints, Figures, Flag, Ints, RegisterLine, figures
from meterd.core.registers.tracker import Event, Rule, Tracker

_LACKING = np.array(
    [Flag.NO_IMPORT | Flag.NO_EXPORT, 0], dtype=np.uint8
)  # of a period that is not whole; of a whole one


@dataclass(frozen=True, slots=True)
class Followed:
    """What one register gave: figures of its intervals, and what was decided on the way."""

    channel: Channel
    figures: Figures
    events: tuple[Event, ...]
    readings: int


def follow(
    channel: Channel,
    rules: Sequence[Rule],
    times: Ints,
    raws: Ints,
    *,
    limits: Limits,
    interval_ms: int,
    corrections: Sequence[CorrectionSegment] = (),
    edits: Edits | None = None,
    moments: Moments | None = None,
) -> Followed:
    """Figures of one register from all its readings, in any order and with repeats.

    `moments` are those of another register that may have been read at the same times.
    """
    alike = moments is not None and (times is moments.times or np.array_equal(times, moments.times))
    if moments is not None and alike and not corrections and not edits:
        plain = plain_figures(moments, rules, raws)
        if plain is not None:
            return Followed(channel, plain, (), len(times))
    if not bool(np.all(times[1:] > times[:-1])):  # most histories ascend, and finding that out costs a tenth of sorting
        order = np.lexsort((raws, times))
        times, raws = times[order], raws[order]
    times, raws = edited(times, raws, edits or {})
    tracker = Tracker(
        rules, breakpoints=Breakpoints() if corrections else RegisterLine()
    )  # a correction needs what the register showed
    tracker.run(times, raws)
    breakpoints = tracker.breakpoints
    first = floor(breakpoints.t[0], interval_ms) if len(breakpoints) else 0
    until = floor(breakpoints.t[-1], interval_ms) if len(breakpoints) else 0
    result = figures(
        breakpoints,
        first,
        until,
        interval_ms=interval_ms,
        gap_exact_ms=limits.gap_exact_s * 1000,
        gap_estimate_ms=limits.gap_estimate_s * 1000,
    )
    if corrections:
        gap_ms = limits.gap_exact_s * 1000
        result = corrected(result, breakpoints, rules, corrections, interval_ms=interval_ms, gap_ms=gap_ms)
    return Followed(channel, result, tuple(tracker.events), len(times))


@dataclass(frozen=True, slots=True)
class Table:
    """Figures of T periods by n registers, with the start and end of each period."""

    period: Period
    start_ms: Ints
    end_ms: Ints
    channels: tuple[Channel, ...]
    columns: Columns

    def pick(self, channels: Sequence[Channel]) -> Columns:
        """Some registers, in the given order; one that is not here is missing throughout."""
        place = {channel: j for j, channel in enumerate(self.channels)}
        shape = (len(self.start_ms), len(channels))
        columns = _nothing(shape)
        for k, channel in enumerate(channels):
            j = place.get(channel)
            if j is not None:
                columns.energy[:, k], columns.present[:, k] = self.columns.energy[:, j], self.columns.present[:, j]
                columns.flags[:, k] = self.columns.flags[:, j]
        return columns

    def net(self, plan: NetPlan) -> Columns:
        """Import less export of points."""
        return plan.net(self.pick(plan.imports), self.pick(plan.exports))


def _nothing(shape: tuple[int, int]) -> Columns:
    """Missing figures. Column by column in memory, since registers are read, summed and written one after the other."""
    return Columns(
        np.zeros(shape, dtype=np.int64, order="F"),
        np.zeros(shape, dtype=np.bool_, order="F"),
        np.zeros(shape, dtype=np.uint8, order="F"),
    )


def interval_table(followed: Sequence[Followed], interval_ms: int) -> Table:
    """One table over the intervals of all registers."""
    spans = [f.figures.start_ms for f in followed if len(f.figures.start_ms)]
    first = min((int(s[0]) for s in spans), default=0)
    until = max((int(s[-1]) + interval_ms for s in spans), default=0)
    start = np.arange(first, until, interval_ms, dtype=np.int64)
    columns = _nothing((len(start), len(followed)))
    for j, item in enumerate(followed):
        count = len(item.figures.start_ms)
        if count:
            low = (int(item.figures.start_ms[0]) - first) // interval_ms
            columns.energy[low : low + count, j] = item.figures.energy
            columns.present[low : low + count, j] = item.figures.present
            columns.flags[low : low + count, j] = item.figures.flags
    channels = tuple(f.channel for f in followed)
    return Table(Period.INTERVAL, start, start + interval_ms, channels, columns)


def parent_table(parts: Table, period: Period, zone: ZoneInfo, interval_ms: int) -> Table:
    """Sums of a table's periods to longer ones; a parent that is not wholly inside the table is missing."""
    pieces = list(_parents(parts.start_ms, period, zone, interval_ms))
    if not pieces:
        return Table(period, parts.start_ms, parts.end_ms, parts.channels, parts.columns)
    low, high, first = (np.concatenate(some) for some in zip(*pieces, strict=True))
    after = np.append(first[1:], len(parts.start_ms))
    whole = (parts.start_ms[first] == low) & (parts.end_ms[after - 1] == high)
    columns = roll_up(parts.columns, first, np.where(whole, after - first, -1))
    return Table(period, low, high, parts.channels, columns)


def _parents(start_ms: Ints, period: Period, zone: ZoneInfo, interval_ms: int) -> Iterator[tuple[Ints, Ints, Ints]]:
    """Start and end of the parents that have parts, and the row of the first one; all plain hours of a day at once."""
    row = 0
    while row < len(start_ms):
        moment = int(start_ms[row])
        begin, end = plain_hours(moment, zone) if period is Period.HOUR else (0, 0)
        if begin <= moment < end:
            after = int(np.searchsorted(start_ms, end))
            hours = (start_ms[row:after] - begin) // HOUR_MS
            firsts = np.flatnonzero(np.diff(hours, prepend=-1))
            low = begin + hours[firsts] * HOUR_MS
            yield low, low + HOUR_MS, row + firsts
        else:
            begin, end = bounds(period, moment, zone, interval_ms)
            after = int(np.searchsorted(start_ms, end))
            yield np.array([begin]), np.array([end]), np.array([row])
        row = after


def all_tables(intervals: Table, zone: ZoneInfo, interval_ms: int) -> dict[Period, Table]:
    """The table of every kind of period."""
    tables = {Period.INTERVAL: intervals}
    for period, part in MADE_OF.items():
        tables[period] = parent_table(tables[part], period, zone, interval_ms)
    return tables


def board_balances(
    aggregation: BoardAggregation, tables: Mapping[Period, Table], flows: Container[Period] = frozenset(Period)
) -> Iterator[tuple[Table, Balance, Bools]]:
    """The balances of a board for every kind of period, and which of them are estimated.

    `flows` are the kinds of period whose reconciled flows are wanted.
    """
    intervals = tables[Period.INTERVAL]
    net = intervals.net(aggregation.plan)
    terms = aggregation.terms.terms
    known = np.where(net.present, net.energy, 0)
    inputs = {Period.INTERVAL: interval_inputs(terms, intervals.start_ms, intervals.end_ms, known)}
    sums = {Period.INTERVAL: net}
    unknown = {Period.INTERVAL: np.where(net.present, np.uint8(0), net.flags)}
    for table in tables.values():
        if table.period is Period.INTERVAL:
            estimate = of_intervals(net.flags)
            result = balance_of(
                terms,
                inputs[table.period],
                net.present,
                estimate,
                net.flags,
                flows=Period.INTERVAL in flows,
                uncertainty=False,
            )
            yield table, result, (net.flags != 0).any(axis=1)
        elif len(table.start_ms):
            first = np.searchsorted(intervals.start_ms, table.start_ms)
            expected = (table.end_ms - table.start_ms) // (intervals.end_ms[0] - intervals.start_ms[0])
            whole = np.diff(np.append(first, len(intervals.start_ms))) == expected
            part = MADE_OF[table.period]  # sums of sums are the same whole numbers, and a year has 12 months
            begin = np.searchsorted(tables[part].start_ms, table.start_ms)
            count = np.diff(np.append(begin, len(tables[part].start_ms)))
            inputs[table.period] = period_inputs(inputs[part], begin)
            sums[table.period] = roll_up(sums[part], begin, np.where(whole, count, -1))
            unknown[table.period] = reduced(np.bitwise_or, unknown[part], begin)
            lacks = unknown[table.period] | _LACKING[whole.astype(np.int64)][:, None]
            estimate = of_periods(known, net.flags, first, intervals.start_ms, intervals.end_ms)
            present = sums[table.period].present
            result = balance_of(
                terms, inputs[table.period], present, estimate, lacks, flows=table.period in flows, uncertainty=False
            )
            yield table, result, (sums[table.period].flags != 0).any(axis=1)


@dataclass(frozen=True, slots=True)
class PvTable:
    """PV figures of T periods: mWh, meaningless where `present` is false."""

    table: Table
    production: Ints
    grid_import: Ints
    grid_export: Ints
    self_use: Ints
    consumption: Ints
    present: Bools


def pv_tables(aggregation: PvAggregation, tables: Mapping[Period, Table]) -> Iterator[PvTable]:
    """PV figures for every kind of period, made per interval and then summed."""
    intervals = tables[Period.INTERVAL]
    production, others = intervals.net(aggregation.production), intervals.net(aggregation.others)
    imported, exported = intervals.pick(aggregation.feeds.imports), intervals.pick(aggregation.feeds.exports)
    present = production.present.all(axis=1) & others.present.all(axis=1) & imported.present.all(axis=1)
    present &= (exported.present | ~np.array(aggregation.feeds.has_export)).all(axis=1)
    grid_import, total = imported.energy.sum(axis=1), production.energy.sum(axis=1)
    result = pv_figures(total, exported.energy.sum(axis=1), grid_import, others.energy.sum(axis=1), present)
    parts = (result.production, grid_import, result.export, result.self_use, result.consumption)
    columns = Columns(
        np.stack(parts, axis=1) * present[:, None],
        np.repeat(present[:, None], len(parts), axis=1),
        np.zeros((len(present), len(parts)), dtype=np.uint8),
    )
    for table in tables.values():
        if not len(table.start_ms):
            continue
        if table.period is not Period.INTERVAL:
            first = np.searchsorted(intervals.start_ms, table.start_ms)
            expected = (table.end_ms - table.start_ms) // (intervals.end_ms[0] - intervals.start_ms[0])
            rolled = roll_up(columns, first, expected)
        else:
            rolled = columns
        made, bought, sold, used, consumed = rolled.energy.T
        yield PvTable(table, made, bought, sold, used, consumed, rolled.present[:, 0])
