"""What the chosen energies cost by the tariff of the plan, what PV saved and earned, and what the peak cost."""

from collections.abc import Callable, Sequence

from meterd.adapters.web.pages.energy_query import EnergyQuery
from meterd.adapters.web.pages.energy_ranking import EnergyLook
from meterd.adapters.web.pages.energy_values import CostView, DividedLine, ItemCost, PriceLine
from meterd.core.energy.class_costs import costs_of
from meterd.core.energy.cost import (
    GIVEN,
    MONEY,
    Cost,
    PeriodAccount,
    accounts_of,
    cost_of,
    in_span,
    together,
)
from meterd.core.energy.divided_price import DividedPrice, coins_of, divided_prices, part_of
from meterd.core.energy.energy_items import EnergyItem, ItemKind, counted_twice
from meterd.core.energy.tariff import BillLine, total
from meterd.core.model.periods import Period
from meterd.core.model.plan import Role, Site
from meterd.core.model.tariff import PriceKind
from meterd.core.reports.cost import peak_cost

FEW_FIGURES = 600_000  # intervals of all registers that are priced at once: 0.1 s of a core
MOST_FIGURES = 20_000_000  # and when somebody asks for them: 4 s, five years of a hundred points
_UNITS = {PriceKind.DEMAND: "kW", PriceKind.FIXED: ""}
_NO_COST = (Role.PV, Role.BACKUP, Role.STORAGE)  # what they give is not bought
_SITE_COSTS = ("consumption", "self_use", "grid_import")


def cost_view(look: EnergyLook, items: Sequence[EnergyItem], query: EnergyQuery) -> CostView | None:
    """Costs of the closed part of a range; None outside the history and without a tariff.

    Those of each energy come later, when they are asked for, where there is much to read.
    """
    site, span = look.site, (look.shown.from_ms, look.shown.until_ms)
    accounts = accounts_of(look.reads, site, span, look.calendar.history) if site.tariff else []
    bought = [item for item in items if _is_bought(item, site)]
    if not accounts:
        return None
    at_once = figures_to_read(look, bought) <= (MOST_FIGURES if query.each else FEW_FIGURES)
    counted = bought if at_once else []
    whole = look.shown.period in (Period.MONTH, Period.YEAR)
    grid = _of_accounts(accounts, lambda a: cost_of(a, a.taken, in_span(a, span)))
    given = _of_accounts(accounts, lambda a: cost_of(a, a.given, in_span(a, span), GIVEN))
    saved = _of_accounts(accounts, lambda a: cost_of(a, a.self_use, in_span(a, span)))
    lines = accounts[0].bill if whole else (*grid.lines, *given.lines)
    costs = _costs_of(accounts, counted, span)
    divided = divided_prices(accounts[0], counted) if whole else ()
    rows = [_item(item, costs[i], _parts(divided, i), query) for i, item in enumerate(counted)]
    rows.sort(key=lambda row: (-(row.amount or 0) - (row.part or 0), row.key))
    apart = _are_apart(counted, site)
    return CostView(
        currency=site.tariff[0].currency,
        billed=whole,
        lines=[_line(line, accounts[0] if whole else None) for line in lines if line.price.kind in MONEY],
        amount=total(lines, MONEY),
        at_least=whole and (accounts[0].taken.at_least or accounts[0].given.at_least),
        missing=sum(account.missing(in_span(account, span)) for account in accounts),
        of=sum(int(in_span(account, span).sum()) for account in accounts),
        with_pv=any(p.counts and p.role is Role.PV for p in site.points),
        saved=saved.amount,
        saved_mwh=saved.energy,
        earned=None if given.amount is None else -given.amount,
        with_co2=any(price.kind is PriceKind.CARBON for price in site.tariff),
        co2_mg=grid.carbon,
        avoided_mg=saved.carbon,
        items=rows,
        divided=[_divided(own, apart=apart) for own in divided],
        total=_total(rows) if len(rows) > 1 and not counted_twice(site, counted) else None,
        item_lines=[_line(line, None) for line in costs[0].lines] if len(costs) == 1 else [],
        left_out=len(bought) < len(items),
        later="" if at_once or too_much(look, bought) else query.address(each=True),
    )


def figures_to_read(look: EnergyLook, items: Sequence[EnergyItem]) -> int:
    """Intervals of all registers of some energies: costs depend on the hour."""
    registers = sum(max(1, len(item.channels)) for item in items)
    return (look.known_until - look.shown.from_ms) // look.calendar.interval_ms * registers


def too_much(look: EnergyLook, items: Sequence[EnergyItem]) -> bool:
    """Whether a range is too long for the costs of so many energies."""
    return figures_to_read(look, items) > MOST_FIGURES


def _is_bought(item: EnergyItem, site: Site) -> bool:
    """Whether an energy could have come from the grid: not what sources give or what is given away."""
    if item.kind is ItemKind.SITE:
        return item.name in _SITE_COSTS
    return not any(site.point(name).role in _NO_COST for name in item.points)


def _of_accounts(accounts: Sequence[PeriodAccount], cost: Callable[[PeriodAccount], Cost]) -> Cost:
    return together(accounts[0].site, [cost(account) for account in accounts])


def _costs_of(accounts: Sequence[PeriodAccount], items: Sequence[EnergyItem], span: tuple[int, int]) -> list[Cost]:
    parts = [costs_of(account, items, in_span(account, span)) for account in accounts]
    return [together(accounts[0].site, some) for some in zip(*parts, strict=True)]


def _divided(own: DividedPrice, *, apart: bool) -> DividedLine:
    rest = own.rest if apart else None
    return DividedLine(name=own.price.name, division=own.price.division, at_ms=own.at_ms, amount=own.amount, rest=rest)


def _are_apart(items: Sequence[EnergyItem], site: Site) -> bool:
    """Whether no energy counts what another one counts too: then what they do not bear is a rest."""
    whole = any(item.kind in (ItemKind.SITE, ItemKind.BOARD) for item in items)
    return not whole and not counted_twice(site, items)


def _parts(divided: Sequence[DividedPrice], place: int) -> tuple[int | None, int | None]:
    return (part_of(divided, place), coins_of(divided, place)) if divided else (None, None)


def _item(item: EnergyItem, cost: Cost, parts: tuple[int | None, int | None], query: EnergyQuery) -> ItemCost:
    return ItemCost(
        key=item.key,
        title=item.title,
        kind=str(item.kind),
        energy_mwh=cost.energy,
        amount=cost.amount,
        part=parts[0],
        part_coins=parts[1],
        at_least=cost.at_least,
        co2_mg=cost.carbon,
        alone=query.address(of=[item.key]),
    )


def _total(rows: Sequence[ItemCost]) -> ItemCost:
    """All together; missing with any missing part."""

    def added(values: Sequence[int | None]) -> int | None:
        known = [value for value in values if value is not None]
        return sum(known) if len(known) == len(values) else None

    return ItemCost(
        key="total",
        title="",
        kind="total",
        energy_mwh=added([row.energy_mwh for row in rows]),
        amount=added([row.amount for row in rows]),
        part=added([row.part for row in rows]),
        part_coins=added([row.part_coins for row in rows]),
        at_least=any(row.at_least for row in rows),
        co2_mg=added([row.co2_mg for row in rows]),
        alone="",
    )


def _line(line: BillLine, account: PeriodAccount | None) -> PriceLine:
    """A price and its amount; the time of a demand where it is the one that was measured in the period itself."""
    price, at_ms = line.price, None
    if account is not None and price.kind is PriceKind.DEMAND:
        at_ms = peak_cost(account, line).start_ms
    return PriceLine(
        name=price.name,
        kind=str(price.kind),
        unit=_UNITS.get(price.kind, "kWh"),
        quantity=None if line.quantity is None else float(line.quantity),
        price=f"{float(price.price):.12g}",
        amount=line.amount,
        at_ms=at_ms,
    )
