"""Costs of many energies: of each the sum in every class of intervals that have the same prices, read hour by hour.

A sum of an hour is exactly that of its intervals and missing where one of them is, so an hour of one class needs one figure
instead of four. Results are those of `cost_of` to the last digit; an energy of which an hour is missing is read by intervals.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterd.core.energy.cost import TAKEN, Cost, PeriodAccount, cost_of, cost_of_cells
from meterd.core.energy.energy_items import EnergyItem
from meterd.core.energy.tariff import Bools, Ints, LocalTimes, Taken
from meterd.core.model.periods import HOUR_MS, Period
from meterd.core.model.reading import IMPORT
from meterd.core.registers.register_line import Flag

MINUTE_MS = 60_000
NOT_COUNTED = -1


@dataclass(frozen=True, slots=True)
class Classes:
    """The class of each interval of an account, NOT_COUNTED for those that are not asked for, and one row of each class."""

    of: Ints
    first: Ints


def costs_of(account: PeriodAccount, items: Sequence[EnergyItem], rows: Bools | None = None) -> list[Cost]:
    """What each item took in some intervals of a period, at its prices: as `cost_of` for each of `imports_of`."""
    classes = price_classes(account, rows)
    sums = class_sums(account, items, classes)
    missing = [item for item, own in zip(items, sums, strict=True) if own is None]
    by_interval = iter(account.imports_of(missing, rows))
    return [
        cost_of(account, next(by_interval), rows) if own is None else cost_of_cells(account, classes.first, own)
        for own in sums
    ]


def energies_of(account: PeriodAccount, items: Sequence[EnergyItem]) -> list[int | None]:
    """What each item took in the intervals of a period; None where an hour of it is missing."""
    classes = _classes(account, [], None)
    sums = class_sums(account, items, classes)
    every = np.ones(len(classes.first), dtype=np.bool_)
    return [None if own is None else own.sum(every) for own in sums]


def price_classes(account: PeriodAccount, rows: Bools | None = None) -> Classes:
    """Intervals of one month with the same prices of what is taken."""
    marks: list[Ints] = [account.at.month]
    for price in account.site.tariff:
        if price.kind in TAKEN:
            marks.append(account.rows(price).astype(np.int64))
            begins = np.array([at for at, _ in price.values], dtype=np.int64)
            marks += [np.searchsorted(begins, account.grid, side="right")] if price.values else []
    return _classes(account, marks, rows)


def _classes(account: PeriodAccount, marks: Sequence[Ints], rows: Bools | None) -> Classes:
    counted = np.arange(len(account.grid)) if rows is None else np.flatnonzero(rows)
    of = np.full(len(account.grid), NOT_COUNTED, dtype=np.int64)
    number = np.zeros(len(counted), dtype=np.int64)
    for mark in marks:  # numbered anew after each mark, so that they stay small
        _, number = np.unique(number * (int(mark.max(initial=0)) + 1) + mark[counted], return_inverse=True)
    _, first, of[counted] = np.unique(number, return_index=True, return_inverse=True)
    return Classes(of, counted[first])


def class_sums(account: PeriodAccount, items: Sequence[EnergyItem], classes: Classes) -> list[Taken | None]:
    """What each item took in each class; None for an item that has no register or of which a figure is missing."""
    channels = [[c for c in item.channels if c[1] == IMPORT] for item in items]
    together = list(dict.fromkeys(c for some in channels for c in some))
    energy = np.zeros((len(classes.first), len(together)), dtype=np.int64)
    whole, bound = np.ones(len(together), dtype=np.bool_), np.zeros(len(together), dtype=np.bool_)
    hours, others = whole_hours(account.at, classes.of, account.site.interval_s * 1000)
    for period, part in ((Period.HOUR, hours), (Period.INTERVAL, others)):
        if not together or not len(part):
            continue
        columns = account.stored.columns(together, period, account.grid[part])
        whole &= np.all(columns.present, axis=0)
        bound |= np.any(columns.flags & np.uint8(Flag.BOUND), axis=0)
        order = np.argsort(classes.of[part], kind="stable")
        own, begins = np.unique(classes.of[part][order], return_index=True)
        energy[own] += np.add.reduceat(columns.energy[order], begins, axis=0)
    known = np.ones(len(classes.first), dtype=np.bool_)
    places = [[together.index(c) for c in some] for some in channels]
    return [
        Taken(energy[:, own].sum(axis=1), known, bool(bound[own].any())) if own and bool(whole[own].all()) else None
        for own in places
    ]


def whole_hours(at: LocalTimes, of: Ints, step_ms: int) -> tuple[Ints, Ints]:
    """Rows at which a local clock hour of one class begins, and the rows of the other intervals that are counted."""
    count, rows = HOUR_MS // step_ms, len(at.start_ms)
    counted = np.flatnonzero(of != NOT_COUNTED)
    if count < 2 or HOUR_MS % step_ms or rows < count:
        return np.zeros(0, dtype=np.int64), counted
    first = np.flatnonzero((at.minute[: rows - count + 1] % 60 == 0) & (of[: rows - count + 1] != NOT_COUNTED))
    last = first + count - 1
    straight = (at.start_ms[last] - at.start_ms[first] == HOUR_MS - step_ms) & (
        at.minute[last] - at.minute[first] == (HOUR_MS - step_ms) // MINUTE_MS  # the clocks do not change in it
    )
    first = first[straight]
    if not len(first):
        return first, counted
    parts = first[:, None] + np.arange(count)
    same = np.all(of[parts] == of[first][:, None], axis=1)
    first, inside = first[same], np.zeros(rows, dtype=np.bool_)
    inside[parts[same]] = True
    return first, np.flatnonzero((of != NOT_COUNTED) & ~inside)
