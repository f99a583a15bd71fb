"""Demand and fixed prices divided: what part of a line of the bill an energy bears.

Its part is its share of the consumption of the site: for a fixed price over the whole period, for a demand in the interval
that set it. Parts and rest are integers that add up exactly. Each part is rounded by itself, so that it is the same alone
and among others; the rest is what nobody asked for: points without a tenant, and what no meter counts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from meterd.core.energy.class_costs import energies_of
from meterd.core.energy.cost import PeriodAccount, since_first
from meterd.core.energy.energy_items import EnergyItem, ItemKind, figures_of, site_items
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.energy.tariff import BillLine, Taken, each_in_coins, rounded
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT
from meterd.core.model.tariff import Division, Price


@dataclass(frozen=True, slots=True)
class DividedPrice:
    """A demand or fixed price of a bill: its amount, the part of each energy in their order, and the rest.

    Amounts in 1/10,000 of the currency; None where an energy is missing. `at_ms` is when the interval began that set the
    demand; None by energy, and for the demands of several months together.
    """

    price: Price
    amount: int | None
    at_ms: int | None
    parts: tuple[int | None, ...]
    rest: int | None


def divided_prices(account: PeriodAccount, items: Sequence[EnergyItem]) -> tuple[DividedPrice, ...]:
    """Each price that is divided, in the order of the plan; a year has those of its months, added, beside its own."""
    made = [
        _divided(account, line, items) for line in account.bill
        if line.price.division is not Division.NONE and line.price.per == account.period.value
    ]  # fmt: skip
    for month in account.months if account.period is Period.YEAR else []:
        made += divided_prices(month, items)
    groups = ([own for own in made if own.price is price] for price in account.site.tariff)
    return tuple(_together(group) for group in groups if group)


def part_of(prices: Sequence[DividedPrice], place: int) -> int | None:
    """What one energy bears of all prices together."""
    return _sum([own.parts[place] for own in prices])


def coins_of(prices: Sequence[DividedPrice], place: int) -> int | None:
    """The same in whole coins: each price by itself, as a statement lists them."""
    return _sum(each_in_coins(own.parts[place] for own in prices))


def _divided(account: PeriodAccount, line: BillLine, items: Sequence[EnergyItem]) -> DividedPrice:
    site, at_ms = account.site, None
    consumption = [item for item in site_items(site) if item.name == "consumption"]
    if line.price.division is Division.PEAK:
        at_ms = account.demand_at(line)
        known = None if at_ms is None else [_energy(account.stored, i, at_ms) for i in (*consumption, *items)]
    else:
        known = _energies(account, (*consumption, *items))
    if line.amount is None or not consumption or known is None or not known[0] or known[0] < 0:
        return DividedPrice(line.price, line.amount, at_ms, (None,) * len(items), None)
    return DividedPrice(line.price, line.amount, at_ms, *_parts(line.amount, known[0], known[1:]))


def _parts(amount: int, whole: int, energies: Sequence[int | None]) -> tuple[tuple[int | None, ...], int | None]:
    """The part of each energy of a whole, and the rest."""
    parts = tuple(None if energy is None else rounded(Fraction(amount * energy, whole)) for energy in energies)
    borne = _sum(parts)
    return parts, None if borne is None else amount - borne


def _energies(account: PeriodAccount, items: Sequence[EnergyItem]) -> list[int | None]:
    """The energy of each item in the known part of a period; of a whole one as it is stored."""
    if account.part is None:
        return [_energy(account.stored, item, account.start_ms, account.period) for item in items]
    of_sites = {item: account.net_of(item) for item in items if item.kind in (ItemKind.SITE, ItemKind.BOARD)}
    others = [item for item in items if item not in of_sites]
    whole = dict(zip(others, energies_of(account, others), strict=True))
    gaps = [item for item, energy in whole.items() if energy is None]
    taken = of_sites | dict(zip(gaps, account.imports_of(gaps), strict=True))
    return [_known_sum(account, taken[item]) if item in taken else whole[item] for item in items]


def _known_sum(account: PeriodAccount, taken: Taken) -> int | None:
    known = since_first(account, taken) if account.part is not None and account.part.begins else taken
    return known.sum(np.ones(len(account.grid), dtype=np.bool_))


def _energy(stored: StoredFigures, item: EnergyItem, start_ms: int, period: Period = Period.INTERVAL) -> int | None:
    """What an item took in one period: the imports of points, the net energy of the site or a board."""
    start = np.array([start_ms], dtype=np.int64)
    if item.kind in (ItemKind.SITE, ItemKind.BOARD):
        columns = figures_of(stored, item, period, start)
    else:
        columns = stored.columns([c for c in item.channels if c[1] == IMPORT], period, start)
    known = columns.present.shape[1] > 0 and bool(columns.present.all())
    return int(columns.energy.sum()) if known else None


def _together(some: Sequence[DividedPrice]) -> DividedPrice:
    """The same price in periods that follow each other."""
    if len(some) == 1:
        return some[0]
    parts = tuple(_sum(column) for column in zip(*(own.parts for own in some), strict=True))
    return DividedPrice(some[0].price, _sum([own.amount for own in some]), None, parts, _sum([o.rest for o in some]))


def _sum(values: Sequence[int | None]) -> int | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None
