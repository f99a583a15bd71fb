"""What the energy of a month or year costs by the tariff of the plan: the bill, PV, tenants and points.

The connection is the sum of the feeds, interval by interval, import and export apart as counted. What a point or tenant
took is priced as if all of it came from the grid; PV saves what would have been bought at that price, and earns what
export is paid.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.pv_accounting import participants
from meterd.app.operations.queries import Line, Span, extent, span_of_store
from meterd.core.energy.partial_period import PartialPeriod, first_known, partial_period_of
from meterd.core.energy.tariff import (
    COIN_PARTS,
    MG_PER_G,
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
    total,
    used_as_long,
)
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, bounds, label, starts
from meterd.core.model.plan import Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.tariff import Price, PriceKind

MONEY = frozenset({PriceKind.IMPORT, PriceKind.EXPORT, PriceKind.DEMAND, PriceKind.FIXED})
_NO_TARIFF = "the plan has no [[tariff]]: write one for each line of the bill, see `meterd help plan`"


def cost_lines(store: SqliteStore, site: Site, period: Period, span: Span, points: Sequence[str]) -> list[Line]:
    """Lines of the bill of each period, its sum, what PV saved and earned, then tenants, or the points that are asked for.

    ConfigError without a tariff, and for periods that no bill is made for.
    """
    if not site.tariff:
        raise ConfigError(_NO_TARIFF)
    if period not in (Period.MONTH, Period.YEAR):
        raise ConfigError(f"costs are made for a month or a year, not for a {period}; write --period month")
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    lines: list[Line] = []
    for start in starts(period, span.from_ms, span.until_ms, zone, step):
        account = PeriodAccount(store, site, period, start)
        if len(account.grid):
            lines += [account.titled(line) for line in (*_of_site(account), *_of_others(account, points))]
    return lines


class PeriodAccount:
    """The energies of one period and the prices that hold in it: of its known part where the history begins or ends in it."""

    def __init__(self, store: SqliteStore, site: Site, period: Period, start_ms: int) -> None:
        self.store, self.site, self.period, self.start_ms = store, site, period, start_ms
        self._zone, self._step = ZoneInfo(site.zone), site.interval_s * 1000
        self.end_ms = bounds(period, start_ms, self._zone, self._step)[1]

    @cached_property
    def part(self) -> PartialPeriod | None:
        """The part of the period that is known; None if that is all of it, or nothing."""
        stored = span_of_store(self.store, self.site)
        return partial_period_of(
            (self.start_ms, self.end_ms), None if stored is None else (stored.from_ms, stored.until_ms)
        )

    @cached_property
    def grid(self) -> Ints:
        """Its intervals, since all feeds are known where the history begins; none outside the history."""
        stored = span_of_store(self.store, self.site)
        if stored is None or stored.until_ms <= self.start_ms or stored.from_ms >= self.end_ms:
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
        return local_times(self.grid, self._zone)

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
        rows = {r.start_ms: r.self_use for r in self.store.pv(Period.INTERVAL, self.start_ms, self.end_ms)}
        values = [rows.get(start) for start in self.grid.tolist()]
        energy = np.array([value or 0 for value in values], dtype=np.int64)
        return Taken(energy, np.array([value is not None for value in values], dtype=np.bool_))

    @cached_property
    def bill(self) -> tuple[BillLine, ...]:
        """The lines of the bill in the order of the plan; a year has those of its months, added, beside its own."""
        return tuple(line for price in self.site.tariff if (line := self._line(price)) is not None)

    def rows(self, price: Price) -> Bools:
        """The intervals that a price counts."""
        return covered(price, self.at)

    def of_points(self, names: Sequence[str]) -> Taken:
        """Import of some points together."""
        columns = self.store.columns([(name, IMPORT) for name in names], Period.INTERVAL, self.grid)
        return Taken(columns.energy.sum(axis=1), np.all(columns.present, axis=1))

    @cached_property
    def months(self) -> list["PeriodAccount"]:
        """The months of the period that have a history, each read once for all prices."""
        all_of = starts(Period.MONTH, self.start_ms, self.end_ms, self._zone, self._step)
        accounts = [PeriodAccount(self.store, self.site, Period.MONTH, start) for start in all_of]
        return [account for account in accounts if len(account.grid)]

    def highest_kw(self, price: Price) -> Fraction | None:
        """The highest demand in the intervals of a price."""
        return demand_kw(self.taken.largest(self.rows(price)), self._step)

    def titled(self, line: Line) -> Line:
        """A line of output with its period, and the words for a period of which a part is known."""
        words = label(self.period, self.start_ms, self._zone)
        if self.part is not None:
            words = f"{words} {extent(self.part, int(self.grid[0]), self._zone)}"
        return {"period": words, **line}

    def missing(self) -> str:
        """How many intervals of the connection are not known; empty if all are."""
        known = int((self.taken.present & self.given.present).sum())
        return "" if known == len(self.grid) else f"missing, {known} of {len(self.grid)} intervals known"

    def _sum(self, register: str, grid: Ints) -> Taken:
        read = {(row.point, row.register) for row in self.site.inputs}
        feeds = [point.name for point in self.site.points if point.counts and point.role is Role.FEED]
        channels = [(name, register) for name in feeds if (name, register) in read]
        columns = self.store.columns(channels, Period.INTERVAL, grid)
        return Taken(columns.energy.sum(axis=1), np.all(columns.present, axis=1))

    def _line(self, price: Price) -> BillLine | None:
        if price.per == "month" and self.period is Period.YEAR:
            return _added(price, [line for account in self.months for line in account.bill if line.price is price])
        if price.per != self.period.value or not bool(covered(_always(price), self.at).any()):
            return None
        if self.period is Period.YEAR and not used_as_long(price, self._hours_of_use()):
            return None
        if price.kind is PriceKind.FIXED:
            return fixed_amount(price)
        if price.kind is PriceKind.DEMAND:
            return demand_amount(price, self.highest_kw(price), self._before(price))
        source = self.given if price.kind is PriceKind.EXPORT else self.taken
        return energy_amount(price, source.sum(self.rows(price)))

    def _hours_of_use(self) -> Fraction | None:
        every = np.ones(len(self.grid), dtype=np.bool_)
        return hours_of_use(self.taken.sum(every), demand_kw(self.taken.largest(every), self._step))

    def _before(self, price: Price) -> list[Fraction]:
        """The highest demands of the months before, as far as they are known."""
        results, start = [], self.start_ms
        for _ in range(price.least_months if price.least_share else 0):
            start = bounds(Period.MONTH, start - self._step, self._zone, self._step)[0]
            account = PeriodAccount(self.store, self.site, Period.MONTH, start)
            highest = account.highest_kw(price) if len(account.grid) else None
            results += [highest] if highest is not None else []
        return results


@dataclass(frozen=True, slots=True)
class Cost:
    """What an energy would cost at the prices of import, and emit; amounts as in `BillLine`."""

    energy: int | None
    amount: int | None
    carbon: int | None


def cost_of(account: PeriodAccount, taken: Taken) -> Cost:
    """An energy at the prices of a kWh from the grid; a price with bounds counts with its mean of the bill."""
    every = np.ones(len(account.grid), dtype=np.bool_)
    money = [_priced(account, line, taken) for line in account.bill if line.price.kind is PriceKind.IMPORT]
    carbon = [_priced(account, line, taken) for line in account.bill if line.price.kind is PriceKind.CARBON]
    return Cost(taken.sum(every), _sum_of(money), _sum_of(carbon))


def _priced(account: PeriodAccount, line: BillLine, taken: Taken) -> int | None:
    price, rows = line.price, account.rows(line.price)
    energy = taken.sum(rows)
    if price.above_kwh == 0 and price.up_to_kwh is None:
        return energy_amount(price, energy).amount
    all_of = account.taken.sum(rows)
    if energy is None or line.amount is None or not all_of:
        return None if energy is None or line.amount is None else 0
    return round(Fraction(line.amount) * energy / all_of)


def _sum_of(amounts: Iterable[int | None]) -> int | None:
    some = list(amounts)
    return None if None in some else sum(amount for amount in some if amount is not None)


def _always(price: Price) -> Price:
    """The same price at all hours: whether it holds on any day of a period at all."""
    return Price(
        price.name, price.kind, price.price, months=price.months, from_ms=price.from_ms, until_ms=price.until_ms
    )


def _added(price: Price, lines: Sequence[BillLine]) -> BillLine | None:
    if not lines:
        return None
    amounts, quantities = _sum_of(line.amount for line in lines), [line.quantity for line in lines]
    if price.kind is PriceKind.DEMAND:  # months have demands of their own, and no sum of them means anything
        return BillLine(price, max((q for q in quantities if q is not None), default=None), amounts)
    known = [quantity for quantity in quantities if quantity is not None]
    return BillLine(price, sum(known, Fraction(0)) if len(known) == len(quantities) else None, amounts)


# -- as lines of a table -----------------------------------------------------------------------------------------------


def _of_site(account: PeriodAccount) -> list[Line]:
    bill, words, currency = account.bill, account.missing() or "good", account.site.tariff[0].currency
    money = [line for line in bill if line.price.kind in MONEY]
    lines = [_bill_line(line, words) for line in money]
    lines.append(_line("site", "sum", words, amount=_of(total(bill, MONEY), COIN_PARTS), currency=currency))
    lines += [_bill_line(line, words) for line in bill if line.price.kind not in MONEY]
    if any(point.role is Role.PV and point.counts for point in account.site.points):
        lines.append(_cost_line("PV", "self-use, not bought", cost_of(account, account.self_use), account))
        earned = total(bill, frozenset({PriceKind.EXPORT}))
        amount = None if earned is None else -earned / COIN_PARTS
        lines.append(_line("PV", "export, paid", words, amount=amount, currency=currency))
    return lines


def _of_others(account: PeriodAccount, points: Sequence[str]) -> list[Line]:
    whose = {name: [name] for name in points}
    if not points:
        for point, tenant in sorted(participants(account.site).items(), key=lambda item: (item[1], item[0])):
            whose.setdefault(tenant, []).append(point)
    return [
        _cost_line(name, "import", cost_of(account, account.of_points(some)), account) for name, some in whose.items()
    ]


def _bill_line(line: BillLine, words: str) -> Line:
    price = line.price
    amounts: Line = {"amount": _of(line.amount, COIN_PARTS), "currency": price.currency}
    if price.kind is PriceKind.CARBON:
        amounts = {"co2_g": _of(line.amount, MG_PER_G)}
    if price.kind is PriceKind.FIXED:
        return _line("site", price.name, words, **amounts)
    name = "demand_w" if price.kind is PriceKind.DEMAND else "energy_wh"
    quantity = None if line.quantity is None else round(float(line.quantity * 1000), 3)
    return _line("site", price.name, words, **{name: quantity}, **amounts)


def _cost_line(whose: str, what: str, cost: Cost, account: PeriodAccount) -> Line:
    results: Line = {"energy_wh": _of(cost.energy, 1000), "amount": _of(cost.amount, COIN_PARTS)}
    results["currency"] = account.site.tariff[0].currency
    if any(line.price.kind is PriceKind.CARBON for line in account.bill):
        results["co2_g"] = _of(cost.carbon, MG_PER_G)
    words = "good" if cost.energy is not None else "missing, not every interval is known"
    return _line(whose, what, words, **results)


def _of(value: int | None, parts: int) -> float | None:
    return None if value is None else value / parts


def _line(whose: str, what: str, quality: str, **values: object) -> Line:
    """A line with every column; "" where a column says nothing of it, None where a value is missing."""
    columns = ("energy_wh", "demand_w", "amount", "currency", "co2_g")
    return {"of": whose, "line": what, **{name: values.get(name, "") for name in columns}, "quality": quality}
