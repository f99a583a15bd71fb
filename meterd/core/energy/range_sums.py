"""Sums of any span from the largest stored periods that lie in it, and the steps of a range with those not over yet.

A year so far is ten months, some days, some hours and some intervals: a few dozen figures instead of thousands.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.energy_items import EnergyItem, figures_of
from meterd.core.energy.partial_period import first_known
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import Period, bounds
from meterd.core.registers.register_line import Bools, Ints

_LARGEST_FIRST = (Period.YEAR, Period.MONTH, Period.DAY, Period.HOUR)


@dataclass(frozen=True, slots=True)
class Calendar:
    """What turns moments into periods: zone, interval, and the history [first, end of the last closed interval)."""

    zone: ZoneInfo
    interval_ms: int
    history: tuple[int, int]


@dataclass(frozen=True, slots=True)
class SpanSum:
    """The energy from one moment until another in mWh, None if any part is missing."""

    energy_mwh: int | None
    estimated: bool
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class StepFigures:
    """Energies of one item in the steps of a range, mWh; `partial` marks steps that are not over or in which history begins."""

    energy: Ints
    present: Bools
    estimated: Bools
    partial: Bools

    def value(self, i: int) -> int | None:
        """The energy of one step, None where it is missing."""
        return int(self.energy[i]) if self.present[i] else None


@dataclass(frozen=True, slots=True)
class SpanCover:
    """The largest periods that make up what of a span lies in the history; `begins`: the history begins in the span."""

    parts: tuple[tuple[Period, int, int], ...]
    begins: bool
    # of each kind of period: rows of its parts, their starts
    kinds: tuple[tuple[Period, tuple[int, ...], Ints], ...] = field(compare=False)


@lru_cache(maxsize=64)  # an answer asks for the same few spans, once for each of its items
def cover(span: tuple[int, int], calendar: Calendar) -> SpanCover | None:
    """The periods that follow each other from one moment to another, with start and end; None if there is no history.

    Both ends are taken down to the grid of intervals.
    """
    low, high = max(span[0], calendar.history[0]), min(span[1], calendar.history[1])
    low, high = low - low % calendar.interval_ms, high - high % calendar.interval_ms
    parts: list[tuple[Period, int, int]] = []
    at = low
    while at < high:
        for period in _LARGEST_FIRST:
            start, end = bounds(period, at, calendar.zone, calendar.interval_ms)
            if start == at and end <= high:
                break
        else:
            period, end = Period.INTERVAL, at + calendar.interval_ms
        parts.append((period, at, end))
        at = end
    return SpanCover(tuple(parts), low > span[0], tuple(_kinds(parts))) if parts else None


def _kinds(parts: Sequence[tuple[Period, int, int]]) -> Iterator[tuple[Period, tuple[int, ...], Ints]]:
    for period in Period:
        rows = tuple(i for i, part in enumerate(parts) if part[0] is period)
        if rows:
            yield period, rows, np.array([parts[i][1] for i in rows], dtype=np.int64)


def span_sum(stored: StoredFigures, item: EnergyItem, covered: SpanCover) -> SpanSum:
    """The sum of the parts of a span. Where the history begins in it, each register counts from its first figure on."""
    parts = covered.parts
    energy, present, flags = _parts(stored, item, covered)
    skip = first_known(present) if covered.begins else 0
    skip = 0 if skip == len(parts) else skip
    known = present[skip:]
    return SpanSum(
        energy_mwh=int(energy[skip:].sum()) if bool(known.all()) else None,
        estimated=bool(flags[skip:][known].any()),
        from_ms=parts[skip][1],
        until_ms=parts[-1][2],
    )


def _parts(stored: StoredFigures, item: EnergyItem, covered: SpanCover) -> tuple[Ints, Bools, Bools]:
    """Energy, presence and whether it is estimated of each part, read once for each kind of period."""
    count = len(covered.parts)
    energy = np.zeros(count, dtype=np.int64)
    present, flags = np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.bool_)
    for period, places, starts in covered.kinds:
        rows, columns = list(places), figures_of(stored, item, period, starts)
        energy[rows], present[rows] = columns.energy[:, 0], columns.present[:, 0]
        flags[rows] = columns.flags[:, 0] != 0
    return energy, present, flags


def step_figures(
    stored: StoredFigures, item: EnergyItem, step: Period, begins: Sequence[int], calendar: Calendar
) -> StepFigures:
    """The energies of one item in the steps that begin there; the step that is not over holds what is closed of it."""
    columns = figures_of(stored, item, step, np.array(begins, dtype=np.int64))
    energy, present = columns.energy[:, 0].copy(), columns.present[:, 0].copy()
    estimated, partial = columns.flags[:, 0] != 0, np.zeros(len(begins), dtype=np.bool_)
    for i in _open_ends(begins, calendar) if step is not Period.INTERVAL else []:
        end = bounds(step, begins[i], calendar.zone, calendar.interval_ms)[1]
        covered = None if present[i] else cover((begins[i], end), calendar)
        known = None if covered is None else span_sum(stored, item, covered)
        if known is not None and known.energy_mwh is not None and (known.from_ms, known.until_ms) != (begins[i], end):
            energy[i], present[i], estimated[i], partial[i] = known.energy_mwh, True, known.estimated, True
    return StepFigures(energy, present, estimated, partial)


def _open_ends(begins: Sequence[int], calendar: Calendar) -> list[int]:
    """The rows of the step in which the history begins and of the one that holds the newest closed interval."""
    grid = np.array(begins, dtype=np.int64)
    ends = (calendar.history[0], calendar.history[1] - 1)
    rows = {int(np.searchsorted(grid, at, side="right")) - 1 for at in ends}
    return sorted(row for row in rows if row >= 0)
