"""`meterd energy --cost`: the lines of the bill, what PV saved and earned, tenants or points, as lines of a table.

`amount` is what page, report and statement show: whole coins, each amount by itself, the lines of a bill so that they add up to
its sum, and a sum of others as the sum of what is shown. `amount_exact` has a hundredth of a coin, for who adds up further.
"""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from meterd.app.operations.pv_accounting import points_of_tenants
from meterd.app.operations.queries import Line, Span, extent, span_of_store
from meterd.core.energy.class_costs import costs_of
from meterd.core.energy.cost import GIVEN, MONEY, Cost, PeriodAccount, cost_of, imports_of_points
from meterd.core.energy.divided_price import DividedPrice, coins_of, divided_prices, part_of
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.energy.tariff import COIN_PARTS, MG_PER_G, BillLine, each_in_coins, in_coins, total
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, label, local, starts
from meterd.core.model.plan import Role, Site
from meterd.core.model.tariff import Division, PriceKind

_RULES = {
    Division.PEAK: "share of the consumption in the interval of the highest demand",
    Division.ENERGY: "share of the consumption of the period",
}
_NO_TARIFF = "the plan has no [[tariff]]: write one for each line of the bill, see `meterd help plan`"


def cost_lines(store: StoredFigures, site: Site, period: Period, span: Span, points: Sequence[str]) -> list[Line]:
    """Lines of the bill of each period, its sum, what PV saved and earned, then tenants, or the points that are asked for.

    ConfigError without a tariff, and for periods that no bill is made for.
    """
    if not site.tariff:
        raise ConfigError(_NO_TARIFF)
    if period not in (Period.MONTH, Period.YEAR):
        raise ConfigError(f"costs are made for a month or a year, not for a {period}; write --period month")
    stored = span_of_store(store, site)
    if stored is None:
        return []
    lines: list[Line] = []
    for start in starts(period, span.from_ms, span.until_ms, ZoneInfo(site.zone), site.interval_s * 1000):
        account = PeriodAccount(store, site, period, start, (stored.from_ms, stored.until_ms))
        if len(account.grid):
            lines += [_titled(account, line) for line in (*_of_site(account), *_of_others(account, points))]
    return lines


def _titled(account: PeriodAccount, line: Line) -> Line:
    """A line of output with its period, and the words for a period of which a part is known."""
    zone = ZoneInfo(account.site.zone)
    text = label(account.period, account.start_ms, zone)
    if account.part is not None:
        text = f"{text} {extent(account.part, int(account.grid[0]), zone)}"
    return {"period": text, **line}


def _missing(account: PeriodAccount) -> str:
    """How many intervals of the connection are known; empty if all are."""
    count = account.missing()
    return f"missing, {len(account.grid) - count} of {len(account.grid)} intervals known" if count else ""


def _of_site(account: PeriodAccount) -> list[Line]:
    bill, currency = account.bill, account.site.tariff[0].currency
    text = _missing(account) or _bound(at_least=account.taken.at_least or account.given.at_least)
    lines = [_bill_line(line, text, own) for line, own in _billed(account)]
    whole = total(bill, MONEY)
    lines.append(_line("site", "sum", text, **_money(whole, in_coins([whole])[0]), currency=currency))
    lines += [_bill_line(line, text, None) for line in bill if line.price.kind not in MONEY]
    if any(point.role is Role.PV and point.counts for point in account.site.points):
        lines.append(_cost_line("PV", "self-use, not bought", cost_of(account, account.self_use), account))
        earned = total(bill, GIVEN)
        paid = None if earned is None else -earned
        lines.append(_line("PV", "export, paid", text, **_money(paid), currency=currency))
    return lines


def _billed(account: PeriodAccount) -> list[tuple[BillLine, int | None]]:
    """The lines of the bill with their amounts in coins, which add up to the sum as it is shown."""
    lines = [line for line in account.bill if line.price.kind in MONEY]
    return list(zip(lines, in_coins([line.amount for line in lines]), strict=True))


def _of_others(account: PeriodAccount, points: Sequence[str]) -> list[Line]:
    """What each took, then its parts of demand and fixed prices, then what of them is left."""
    whose = {name: [name] for name in points} or points_of_tenants(account.site)
    items = [imports_of_points(name, some) for name, some in whose.items()]
    costs = costs_of(account, items)
    lines = [_cost_line(item.name, "import", cost, account) for item, cost in zip(items, costs, strict=True)]
    prices = divided_prices(account, items) if items else ()
    for i, item in enumerate(items):
        lines += [_part_line(account, item.name, price, _money(price.parts[i])) for price in prices]
        if prices:
            lines.append(_sum_line(account, item.name, costs[i], (part_of(prices, i), coins_of(prices, i))))
    return lines + [_part_line(account, "rest", price, _money(price.rest, _rest(account, price))) for price in prices]


def _rest(account: PeriodAccount, price: DividedPrice) -> int | None:
    """What is left of a price as it is billed, less its parts as they are shown; what it is by itself if it is not billed."""
    billed = next((own for line, own in _billed(account) if line.price is price.price), None)
    parts = [own for own in each_in_coins(price.parts) if own is not None]
    if price.rest is None or billed is None or len(parts) < len(price.parts):
        return each_in_coins([price.rest])[0]
    return billed - sum(parts)


def _part_line(account: PeriodAccount, whose: str, price: DividedPrice, money: Line) -> Line:
    currency, text = account.site.tariff[0].currency, _RULES[price.price.division]
    if price.at_ms is not None:
        text += f" from {local(price.at_ms, account.zone):%Y-%m-%d %H:%M}"
    if money["amount"] is None:
        text = f"missing: no figure for the {text}"
    return _line(whose, f"{price.price.name}, part", text, **money, currency=currency)


def _bound(*, at_least: bool) -> str:
    return "at least" if at_least else "good"


def _sum_line(account: PeriodAccount, whose: str, cost: Cost, parts: tuple[int | None, int | None]) -> Line:
    """`parts`: what it bears of divided prices, exactly and in coins as they are shown."""
    exact, coins = (
        _added(own, part) for own, part in zip((cost.amount, *each_in_coins([cost.amount])), parts, strict=True)
    )
    text = "missing" if exact is None else _bound(at_least=cost.at_least)
    return _line(whose, "sum", text, **_money(exact, coins), currency=account.site.tariff[0].currency)


def _added(first: int | None, second: int | None) -> int | None:
    return None if first is None or second is None else first + second


def _bill_line(line: BillLine, text: str, coins: int | None) -> Line:
    price = line.price
    amounts: Line = {**_money(line.amount, coins), "currency": price.currency}
    if price.kind is PriceKind.CARBON:
        amounts = {"co2_g": _of(line.amount, MG_PER_G)}
    if price.kind is PriceKind.FIXED:
        return _line("site", price.name, text, **amounts)
    name = "demand_w" if price.kind is PriceKind.DEMAND else "energy_wh"
    quantity = None if line.quantity is None else round(float(line.quantity * 1000), 3)
    return _line("site", price.name, text, **{name: quantity}, **amounts)


def _cost_line(whose: str, what: str, cost: Cost, account: PeriodAccount) -> Line:
    results: Line = {"energy_wh": _of(cost.energy, 1000), **_money(cost.amount)}
    results["currency"] = account.site.tariff[0].currency
    if any(line.price.kind is PriceKind.CARBON for line in account.bill):
        results["co2_g"] = _of(cost.carbon, MG_PER_G)
    text = "missing, not every interval is known" if cost.energy is None else _bound(at_least=cost.at_least)
    return _line(whose, what, text, **results)


def _money(amount: int | None, coins: int | None = None) -> Line:
    """An amount as it is shown, by itself where no `coins` are given, and exactly."""
    shown = each_in_coins([amount])[0] if coins is None else coins
    return {"amount": _of(shown, 100), "amount_exact": _of(amount, COIN_PARTS)}


def _of(value: int | None, parts: int) -> float | None:
    return None if value is None else value / parts


def _line(whose: str, what: str, quality: str, **values: object) -> Line:
    """A line with every column; "" where a column says nothing of it, None where a value is missing."""
    columns = ("energy_wh", "demand_w", "amount", "currency", "co2_g")
    line = {"of": whose, "line": what, **{name: values.get(name, "") for name in columns}, "quality": quality}
    return {**line, "amount_exact": values.get("amount_exact", "")}
