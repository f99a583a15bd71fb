"""What energy costs by the tariff of a plan: the bill of a month or year, and any energy at the prices of a kWh.

The connection is the sum of its feeds, interval by interval, import and export apart as counted. What a point took is
priced as if all of it came from the grid; PV saves what would have been bought at that price, and earns what export is
paid. A year is the sum of its months and of what is billed once a year.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.energy_items import EnergyItem, ItemKind, figures_of
from meterd.core.energy.partial_period import PartialPeriod, first_known, partial_period_of
from meterd.core.energy.rollup import Columns
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.energy.tariff import (
    BillLine,
    Bools,
    Ints,
    LocalTimes,
    Taken,
    covered,
    demand_amount,
    demand_kw,
    energy_amount,
    fixed_amount,
    hours_of_use,
    local_times,
    rounded,
    stepped_amount,
    total,
    used_as_long,
)
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import DAY_MS, Period, bounds, starts
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.tariff import Price, PriceKind
from meterd.core.registers.register_line import Flag

MONEY = frozenset({PriceKind.IMPORT, PriceKind.EXPORT, PriceKind.DEMAND, PriceKind.FIXED})
TAKEN = frozenset({PriceKind.IMPORT, PriceKind.CARBON})  # prices of a kWh that is taken
GIVEN = frozenset({PriceKind.EXPORT})
CARBON = frozenset({PriceKind.CARBON})


class PeriodAccount:
    """The energies of one period and the prices that hold in it: of its known part where the history begins or ends in it.

    `history` is [start of the first interval, end of the last closed one).
    """

    def __init__(
        self, stored: StoredFigures, site: Site, period: Period, start_ms: int, history: tuple[int, int]
    ) -> None:
        self.stored, self.site, self.period, self.start_ms, self.history = stored, site, period, start_ms, history
        self.zone, self._step = ZoneInfo(site.zone), site.interval_s * 1000
        self.end_ms = bounds(period, start_ms, self.zone, self._step)[1]
        self._rows: dict[int, Bools] = {}

    @cached_property
    def part(self) -> PartialPeriod | None:
        """The part of the period that is known; None if that is all of it, or nothing."""
        return partial_period_of((self.start_ms, self.end_ms), self.history)

    @cached_property
    def grid(self) -> Ints:
        """Its intervals, since all feeds are known where the history begins; none outside the history."""
        if self.history[1] <= self.start_ms or self.history[0] >= self.end_ms:
            return np.zeros(0, dtype=np.int64)
        part = self.part
        if part is None:
            return np.arange(self.start_ms, self.end_ms, self._step, dtype=np.int64)
        grid = part.starts(self._step)
        skip = first_known(self._sum(IMPORT, grid).present) if part.begins else 0
        return grid[0 if skip == len(grid) else skip :]

    @cached_property
    def at(self) -> LocalTimes:
        """The local clock of its intervals."""
        return local_times(self.grid, self.zone, self.site.holidays)

    @cached_property
    def taken(self) -> Taken:
        """Import at the grid connection."""
        return self._sum(IMPORT, self.grid)

    @cached_property
    def given(self) -> Taken:
        """Export at the grid connection."""
        return self._sum(EXPORT, self.grid)

    @cached_property
    def self_use(self) -> Taken:
        """PV energy that was used on the site."""
        return self._of_item(EnergyItem(ItemKind.SITE, "self_use"), self.grid)

    @cached_property
    def bill(self) -> tuple[BillLine, ...]:
        """The lines of the bill in the order of the plan; a year has those of its months, added, beside its own."""
        return tuple(line for price in self.site.tariff if (line := self._line(price)) is not None)

    @cached_property
    def months(self) -> list["PeriodAccount"]:
        """The months of the period that have a history, each read once for all prices."""
        all_of = starts(Period.MONTH, self.start_ms, self.end_ms, self.zone, self._step)
        accounts = [PeriodAccount(self.stored, self.site, Period.MONTH, start, self.history) for start in all_of]
        return [account for account in accounts if len(account.grid)]

    def rows(self, price: Price) -> Bools:
        """The intervals that a price counts."""
        key = id(price)  # the prices of a plan are not made anew
        if key not in self._rows:
            self._rows[key] = covered(price, self.at)
        return self._rows[key]

    def imports_of(self, items: Sequence[EnergyItem], rows: Bools | None = None) -> list[Taken]:
        """What each item took in the intervals of the period, or in some of them; the others are missing.

        A sum over points is that of their imports: what a point gave does not lower what another one took.
        """
        wanted = np.ones(len(self.grid), dtype=np.bool_) if rows is None else rows
        grid = self.grid[wanted]
        channels = [[c for c in item.channels if c[1] == IMPORT] for item in items]
        together = list(dict.fromkeys(c for some in channels for c in some))
        columns = self.stored.columns(together, Period.INTERVAL, grid) if together else None
        results = []
        for item, some in zip(items, channels, strict=True):
            own = self._of_item(item, grid)
            if columns is not None and some:
                places = [together.index(c) for c in some]
                own = taken_of(columns, places)
            energy, present = np.zeros(len(wanted), np.int64), np.zeros(len(wanted), np.bool_)
            energy[wanted], present[wanted] = own.energy, own.present
            results.append(Taken(energy, present, own.at_least))
        return results

    def net_of(self, item: EnergyItem) -> Taken:
        """The energy of an item in the intervals of the period, import less export."""
        columns = figures_of(self.stored, item, Period.INTERVAL, self.grid)
        return Taken(columns.energy[:, 0], columns.present[:, 0])

    def highest(self, price: Price) -> tuple[Fraction, int] | None:
        """The highest demand in kW in the intervals of a price, and when its interval began; None where one is missing."""
        rows = self.rows(price)
        largest = demand_kw(self.taken.largest(rows), self._step)
        if largest is None or not bool(rows.any()):
            return None
        first = int(np.argmax(np.where(rows, self.taken.energy, -1)))
        return largest, int(self.grid[first])

    def demand_at(self, line: BillLine) -> int | None:
        """When the interval began that set a demand of the bill, here or in a month before; None where it is missing."""
        highest = self.highest(line.price)
        if highest is None or line.quantity is None:
            return None
        before = [(line.price.least_share * kw, at) for kw, at in self._before(line.price)]
        return max([highest, *before], key=lambda demand: demand[0])[1]

    def missing(self, rows: Bools | None = None) -> int:
        """How many intervals of the connection are not known, of all or of some."""
        gone = ~(self.taken.present & self.given.present)
        return int((gone if rows is None else gone & rows).sum())

    def _of_item(self, item: EnergyItem, grid: Ints) -> Taken:
        if item.kind not in (ItemKind.SITE, ItemKind.BOARD) or item.channels or not len(grid):
            return Taken(np.zeros(len(grid), np.int64), np.zeros(len(grid), np.bool_))
        columns = figures_of(self.stored, item, Period.INTERVAL, grid)
        return Taken(columns.energy[:, 0], columns.present[:, 0])

    def _sum(self, register: str, grid: Ints) -> Taken:
        read = {(row.point, row.register) for row in self.site.inputs}
        channels = [(p.name, register) for p in connection_feeds(self.site) if (p.name, register) in read]
        return taken_of(self.stored.columns(channels, Period.INTERVAL, grid), range(len(channels)))

    def _line(self, price: Price) -> BillLine | None:
        if price.per == "month" and self.period is Period.YEAR:
            return _added([line for account in self.months for line in account.bill if line.price is price])
        if price.per != self.period.value or not bool(covered(_always(price), self.at).any()):
            return None
        if self.period is Period.YEAR and not used_as_long(price, self._hours_of_use()):
            return None
        if price.kind is PriceKind.FIXED:
            return fixed_amount(price)
        if price.kind is PriceKind.DEMAND:
            largest = demand_kw(self.taken.largest(self.rows(price)), self._step)
            return demand_amount(price, largest, [kw for kw, _ in self._before(price)])
        source = self.given if price.kind is PriceKind.EXPORT else self.taken
        if price.values:
            return stepped_amount(price, source, self.rows(price), self.grid)
        return energy_amount(price, source.sum(self.rows(price)))

    def _hours_of_use(self) -> Fraction | None:
        every = np.ones(len(self.grid), dtype=np.bool_)
        return hours_of_use(self.taken.sum(every), demand_kw(self.taken.largest(every), self._step))

    def _before(self, price: Price) -> list[tuple[Fraction, int]]:
        """The highest demands of the months before and when they began, as far as they are known."""
        results, start = [], self.start_ms
        for _ in range(price.least_months if price.least_share else 0):
            start = bounds(Period.MONTH, start - self._step, self.zone, self._step)[0]
            account = PeriodAccount(self.stored, self.site, Period.MONTH, start, self.history)
            highest = account.highest(price) if len(account.grid) else None
            results += [highest] if highest is not None else []
        return results


@dataclass(frozen=True, slots=True)
class Cost:
    """An energy times the prices of a kWh: a line for each price in the order of the plan, amounts as in `BillLine`.

    `at_least`: energy and amounts are lower bounds.
    """

    energy: int | None
    lines: tuple[BillLine, ...]
    at_least: bool = False

    @property
    def amount(self) -> int | None:
        """In 1/10,000 of the currency."""
        return total(self.lines, MONEY)

    @property
    def carbon(self) -> int | None:
        """In mg of CO2."""
        return total(self.lines, CARBON)


def taken_of(columns: Columns, places: Sequence[int]) -> Taken:
    """The sum of some registers, interval by interval."""
    own = list(places)
    at_least = bool((columns.flags[:, own] & np.uint8(Flag.BOUND)).any())
    return Taken(columns.energy[:, own].sum(axis=1), np.all(columns.present[:, own], axis=1), at_least)


def imports_of_points(name: str, points: Sequence[str]) -> EnergyItem:
    """What some points took together."""
    return EnergyItem(ItemKind.POINT, name, "", tuple(points), tuple((point, IMPORT) for point in points))


def cost_of(
    account: PeriodAccount, taken: Taken, rows: Bools | None = None, kinds: frozenset[PriceKind] = TAKEN
) -> Cost:
    """An energy in some intervals of a period at its prices; a price with bounds counts with its mean of the bill.

    Where the history begins in the period, meters begin within a day of each other: what was not counted before is not
    missing.
    """
    some = np.ones(len(account.grid), dtype=np.bool_) if rows is None else rows
    known = since_first(account, taken) if account.part is not None and account.part.begins else taken
    rows_of = np.flatnonzero(some)
    cells = Taken(known.energy[rows_of], known.present[rows_of], known.at_least)
    return cost_of_cells(account, rows_of, cells, kinds)


def cost_of_cells(account: PeriodAccount, cells: Ints, taken: Taken, kinds: frozenset[PriceKind] = TAKEN) -> Cost:
    """As `cost_of`, of an energy by cells: rows of the grid, each with the energy of all intervals for which it stands."""
    of_months = account.period is Period.YEAR
    lines = [
        _priced(account, line, cells, taken) for line in account.bill
        if line.price.kind in kinds and (line.price.per == "year" or not of_months)
    ]  # fmt: skip
    begins = account.grid[cells]
    for month in account.months if of_months else []:
        place = np.clip(np.searchsorted(month.grid, begins), 0, len(month.grid) - 1)
        inside = month.grid[place] == begins
        lines += cost_of_cells(month, place[inside], Taken(taken.energy[inside], taken.present[inside]), kinds).lines
    energy = taken.sum(np.ones(len(cells), dtype=np.bool_))
    return Cost(energy, _by_price(account.site, lines), taken.at_least and energy is not None)


def since_first(account: PeriodAccount, taken: Taken) -> Taken:
    """The same, and nothing where a meter had not begun to count, up to a day."""
    skip = first_known(taken.present)
    if skip == len(taken.present) or skip * account.site.interval_s * 1000 > DAY_MS:
        return taken
    return Taken(taken.energy, taken.present | (np.arange(len(taken.present)) < skip), taken.at_least)


def _priced(account: PeriodAccount, line: BillLine, cells: Ints, taken: Taken) -> BillLine:
    price, rows = line.price, account.rows(line.price)
    counted = rows[cells]
    if price.values:
        return stepped_amount(price, taken, counted, account.grid[cells])
    energy = taken.sum(counted)
    if price.above_kwh == 0 and price.up_to_kwh is None:
        return energy_amount(price, energy)
    all_of = (account.given if price.kind is PriceKind.EXPORT else account.taken).sum(rows)
    if energy is None or line.amount is None or line.quantity is None:
        return BillLine(price, None, None)
    part = Fraction(energy, all_of) if all_of else Fraction(0)
    return BillLine(price, line.quantity * part, rounded(line.amount * part))


def accounts_of(
    stored: StoredFigures, site: Site, span: tuple[int, int], history: tuple[int, int]
) -> list[PeriodAccount]:
    """The account of a calendar year if the span is one, else those of the months that it touches and have a history."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    period = Period.YEAR if bounds(Period.YEAR, span[0], zone, step) == span else Period.MONTH
    first = bounds(period, span[0], zone, step)[0]
    begins = starts(period, first, span[1], zone, step)
    accounts = [PeriodAccount(stored, site, period, start, history) for start in begins]
    return [account for account in accounts if len(account.grid)]


def in_span(account: PeriodAccount, span: tuple[int, int]) -> Bools:
    """The intervals of a period that begin in a span."""
    return (account.grid >= span[0]) & (account.grid < span[1])


def together(site: Site, costs: Iterable[Cost]) -> Cost:
    """Costs of one thing in periods that follow each other; missing with any missing part, and of none."""
    known = list(costs)
    energies = [cost.energy for cost in known]
    energy = None if None in energies or not known else sum(e for e in energies if e is not None)
    at_least = energy is not None and any(cost.at_least for cost in known)
    return Cost(energy, _by_price(site, [line for cost in known for line in cost.lines]), at_least)


def _by_price(site: Site, lines: Sequence[BillLine]) -> tuple[BillLine, ...]:
    made = (_added([line for line in lines if line.price is price]) for price in site.tariff)
    return tuple(line for line in made if line is not None)


def _always(price: Price) -> Price:
    """The same price at all hours: whether it holds on any day of a period at all."""
    return Price(
        price.name, price.kind, price.price, months=price.months, from_ms=price.from_ms, until_ms=price.until_ms
    )


def _added(lines: Sequence[BillLine]) -> BillLine | None:
    """The lines of one price; months have demands of their own, and no sum of them means anything."""
    if len(lines) < 2:
        return lines[0] if lines else None
    price, amounts = lines[0].price, [line.amount for line in lines]
    amount = None if None in amounts else sum(a for a in amounts if a is not None)
    known = [line.quantity for line in lines if line.quantity is not None]
    if price.kind is PriceKind.DEMAND:
        return BillLine(price, max(known, default=None), amount)
    return BillLine(price, sum(known, Fraction(0)) if len(known) == len(lines) else None, amount)
