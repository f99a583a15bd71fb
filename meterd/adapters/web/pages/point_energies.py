"""The energies of one point in the last days, for its chart, its table, its direction and its power factor."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.web.backend import Reads
from meterd.adapters.web.common import Values
from meterd.core.checks.plausibility import power_factor, summed_power
from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.rollup import Columns, roll_up
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds, starts
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER
from meterd.core.model.results import Channel
from meterd.core.registers.ct_factor import Floats, of_the_circuit
from meterd.core.registers.register_line import Ints

DAYS = 7
REACTIVE, REACTIVE_IMPORT, REACTIVE_EXPORT = "131.7.0", "3.8.0", "4.8.0"
CLOSED_TO = "closed_to_ms"  # the fact that says up to when intervals are closed


class DayLine(Values):
    """Energies of one local day in mWh; `so_far` marks the day that is not over: up to `end_ms`, the last closed hour.

    `at_least`: hours of that day are missing, the others add up to this.
    """

    start_ms: int
    end_ms: int
    along_mwh: int | None
    against_mwh: int | None
    estimated: bool
    so_far: bool
    at_least: bool = False


class Chart(Values):
    """Hourly energies in kWh; None = missing. `against` is empty where no export is read. `x` in seconds, as `starts_ms`."""

    x: list[int]
    starts_ms: list[int]
    along: list[float | None]
    against: list[float | None]


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums of the known hours in mWh, None where nothing is read or known; `whole` = no hour is missing."""

    along_mwh: int | None
    against_mwh: int | None
    whole: bool


@dataclass(frozen=True, slots=True)
class Recent:
    """The hours of the last days of one point: columns along and, if it is read, against the arrow."""

    site: Site
    channels: tuple[Channel, ...]
    hours: Ints
    columns: Columns
    days: Ints
    day_columns: Columns
    closed_to: int

    @property
    def totals(self) -> Totals:
        """Energies of all hours together."""
        sums: list[int | None] = [None, None]
        for j in range(len(self.channels)):
            present = self.columns.present[:, j]
            if bool(present.any()):
                sums[j] = int(self.columns.energy[present, j].sum())
        return Totals(sums[0], sums[1], bool(self.columns.present.all()))

    def last_intervals(self, count: int) -> tuple[list[int], int]:
        """Starts of the last closed intervals, oldest first, and their length."""
        step = self.site.interval_s * 1000
        end = self.closed_to - self.closed_to % step
        return ([end - (count - i) * step for i in range(count)] if end and self.channels else []), step

    def interval_energies(self, reads: Reads, wanted: list[int]) -> list[int | None]:
        """Net energies along the arrow of some intervals, mWh."""
        plan = net_plan(self.site, [self.channels[0][0]])
        grid = np.array(wanted, dtype=np.int64)
        net = plan.net(
            reads.columns(plan.imports, Period.INTERVAL, grid), reads.columns(plan.exports, Period.INTERVAL, grid)
        )
        return _column(net, 0)


def recent(reads: Reads, site: Site, point: str, now_ms: int) -> Recent:
    """The last local days of a point up to what is closed."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    read = {(row.point, row.register) for row in site.inputs}
    channels = tuple((point, register) for register in (IMPORT, EXPORT) if (point, register) in read)
    closed_to = int(reads.fact(CLOSED_TO) or 0)
    until = min(now_ms, closed_to)
    low = bounds(Period.DAY, max(0, until - DAYS * DAY_MS), zone, step)[0]
    hours = (
        [item for item in starts(Period.HOUR, low, until, zone, step) if item + HOUR_MS <= until] if closed_to else []
    )
    days = starts(Period.DAY, low, until, zone, step) if closed_to else []
    grid, day_grid = np.array(hours, dtype=np.int64), np.array(days, dtype=np.int64)
    return Recent(
        site=site,
        channels=channels,
        hours=grid,
        columns=reads.columns(channels, Period.HOUR, grid),
        days=day_grid,
        day_columns=reads.columns(channels, Period.DAY, day_grid),
        closed_to=closed_to,
    )


def days(now: Recent) -> list[DayLine]:
    """Newest first; the day that is not over from its closed hours."""
    zone, step = ZoneInfo(now.site.zone), now.site.interval_s * 1000
    day_lines = []
    for i, start in enumerate(now.days.tolist()):
        end = bounds(Period.DAY, start, zone, step)[1]
        if end <= now.closed_to:
            day_lines.append(_day_line((start, end), now.day_columns, i, so_far=False))
            continue
        rows = np.flatnonzero(now.hours >= start)
        if len(rows):
            day_lines.append(_day_so_far(now, rows, start))
    return day_lines[::-1]


def _day_so_far(now: Recent, rows: Ints, start: int) -> DayLine:
    """The closed hours of a day; where some are missing, the others: a counter never runs backwards."""
    part = Columns(now.columns.energy[rows], now.columns.present[rows], now.columns.flags[rows])
    some, every = part.present.any(axis=0), part.present.all(axis=0)
    known = Columns(part.energy, part.present | some, part.flags)  # energy is 0 where it is missing
    summed = roll_up(known, np.zeros(1, dtype=np.int64), np.array([len(rows)], dtype=np.int64))
    line = _day_line((start, int(now.hours[-1]) + HOUR_MS), summed, 0, so_far=True)
    return line.model_copy(update={"at_least": bool((some & ~every).any())})


def _day_line(span: tuple[int, int], columns: Columns, row: int, *, so_far: bool) -> DayLine:
    values = [
        int(columns.energy[row, j]) if columns.present[row, j] else None for j in range(columns.energy.shape[1])
    ] + [None, None]
    return DayLine(
        start_ms=span[0],
        end_ms=span[1],
        along_mwh=values[0],
        against_mwh=values[1],
        estimated=bool(columns.flags[row].any()),
        so_far=so_far,
    )


def chart(now: Recent) -> Chart | None:
    """Hour by hour; None where nothing is read or closed."""
    if not len(now.hours) or not now.channels:
        return None
    kwh = [[None if mwh is None else mwh / 1e6 for mwh in _column(now.columns, j)] for j in range(len(now.channels))]
    return Chart(
        x=[start // 1000 for start in now.hours.tolist()],
        starts_ms=now.hours.tolist(),
        along=kwh[0],
        against=kwh[1] if len(kwh) > 1 else [],
    )


def _column(columns: Columns, j: int) -> list[int | None]:
    pairs = zip(columns.energy[:, j].tolist(), columns.present[:, j].tolist(), strict=True)
    return [energy if present else None for energy, present in pairs]


def factor_of(reads: Reads, now: Recent, point: str) -> tuple[float | None, str]:
    """Power factor from summed active and reactive parts, and by which: `energy`, `power`, or empty for neither.

    Energies of the last days where reactive registers are read, else powers summed over the last closed hour.
    """
    read = {row.register for row in now.site.inputs_of(point)}
    if REACTIVE_IMPORT in read and IMPORT in read:
        sums = _net_energies(reads, now, point)
        if sums is not None:
            return power_factor(float(sums[0]), float(sums[1])), "energy"
    if REACTIVE in read and POWER in read and now.closed_to:
        high, low = now.closed_to, now.closed_to - HOUR_MS
        both = [
            summed_power(*_samples(reads, now.site, (point, item), low, high), low, high) for item in (POWER, REACTIVE)
        ]
        if both[0] is not None and both[1] is not None:
            return power_factor(float(both[0].energy_mwh), float(both[1].energy_mwh)), "power"
    return None, ""


def _samples(reads: Reads, site: Site, channel: Channel, *span: int) -> tuple[Ints, Floats]:
    times, shown = reads.samples(channel, *span)
    return times, of_the_circuit(site, channel, times, shown)


def _net_energies(reads: Reads, now: Recent, point: str) -> tuple[int, int] | None:
    """Active and reactive energy of the hours in which every register is known; one that is not read counts as zero.

    Both of the same hours: a reactive register may be read for a shorter time, or have a gap of its own.
    """
    read = {row.register for row in now.site.inputs_of(point)}
    registers = [item for item in (IMPORT, EXPORT, REACTIVE_IMPORT, REACTIVE_EXPORT) if item in read]
    columns = reads.columns([(point, item) for item in registers], Period.HOUR, now.hours)
    known = columns.present.all(axis=1)
    if not bool(known.any()):
        return None
    sums = dict(zip(registers, columns.energy[known].sum(axis=0).tolist(), strict=True))
    return sums[IMPORT] - sums.get(EXPORT, 0), sums[REACTIVE_IMPORT] - sums.get(REACTIVE_EXPORT, 0)
