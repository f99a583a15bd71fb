"""What a month or year costs by the tariff of the plan: the bill, the peak, what PV saved and earned, tenants."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meterd.core.energy.class_costs import costs_of
from meterd.core.energy.cost import GIVEN, MONEY, Cost, PeriodAccount, cost_of, imports_of_points
from meterd.core.energy.divided_price import DividedPrice, divided_prices
from meterd.core.energy.tariff import BillLine, total
from meterd.core.model.plan import Role
from meterd.core.model.tariff import PriceKind


@dataclass(frozen=True, slots=True)
class PeakCost:
    """The line of the bill for the highest demand, and when its interval began; None if it is that of an earlier month."""

    line: BillLine
    start_ms: int | None


@dataclass(frozen=True, slots=True)
class PeriodCost:
    """Costs of one period in 1/10,000 of the currency and mg of CO2; None where an interval is missing.

    `saved` is what PV used on the site would have cost, `earned` what its export is paid; None without PV. A tenant costs
    what its points took, as if all of it came from the grid; `divided` are demand and fixed prices with its parts of them.
    `at_least`: what came from the grid is a lower bound, and so is the bill.
    """

    currency: str
    bill: tuple[BillLine, ...]  # money only
    amount: int | None
    peaks: tuple[PeakCost, ...]
    saved: Cost | None
    earned: int | None
    carbon: int | None
    with_carbon: bool
    tenants: tuple[tuple[str, Cost], ...]
    divided: tuple[DividedPrice, ...]  # parts in the order of the tenants
    at_least: bool = False


def period_cost(account: PeriodAccount, tenants: Mapping[str, Sequence[str]]) -> PeriodCost | None:
    """The costs of a period with the points of each tenant; None without a tariff or a history."""
    site, bill = account.site, account.bill if account.site.tariff and len(account.grid) else ()
    if not bill:
        return None
    with_pv = any(point.counts and point.role is Role.PV for point in site.points)
    money = tuple(line for line in bill if line.price.kind in MONEY)
    given = cost_of(account, account.given, kinds=GIVEN).amount
    items = [imports_of_points(name, tenants[name]) for name in sorted(tenants)]
    costs = zip(items, costs_of(account, items), strict=True)
    return PeriodCost(
        currency=site.tariff[0].currency,
        bill=money,
        amount=total(bill, MONEY),
        peaks=tuple(peak_cost(account, line) for line in money if line.price.kind is PriceKind.DEMAND),
        saved=cost_of(account, account.self_use) if with_pv else None,
        earned=None if given is None else -given,
        carbon=cost_of(account, account.taken).carbon,
        with_carbon=any(price.kind is PriceKind.CARBON for price in site.tariff),
        tenants=tuple((item.name, cost) for item, cost in costs),
        divided=divided_prices(account, items),
        at_least=account.taken.at_least or account.given.at_least,
    )


def peak_cost(account: PeriodAccount, line: BillLine) -> PeakCost:
    """A demand of the bill with its time, where it is the one that was measured in the period itself."""
    at_ms = account.demand_at(line)
    return PeakCost(line, at_ms if at_ms is not None and at_ms >= account.start_ms else None)
