"""The chapter of costs in a report: the bill by the tariff, what the peak cost, PV, CO2 and tenants."""

from collections.abc import Iterator, Mapping, Sequence
from zoneinfo import ZoneInfo

from meterd.adapters.documents.cells import kwh
from meterd.adapters.documents.formats import moment
from meterd.adapters.documents.model import Block, Cell, Column, Facts, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.texts import Texts
from meterd.core.energy.divided_price import DividedPrice, coins_of
from meterd.core.energy.tariff import COIN_PARTS, BillLine, each_in_coins, in_coins, rounded
from meterd.core.model.tariff import Division, Price, PriceKind
from meterd.core.reports.cost import PeakCost, PeriodCost

MG_PER_KG, MWH_PER_KWH = 1_000_000, 1_000_000
_UNITS = {PriceKind.DEMAND: "kW", PriceKind.FIXED: ""}
QUANTITY_PLACES = 3  # watt-hours and watts: quantity times price is the amount that stands beside it within a cent
PRICE_PLACES = {"kWh": 4, "kW": 2, "": 2}  # at least


def cost_blocks(cost: PeriodCost | None, texts: Texts, zone: ZoneInfo) -> Iterator[Block]:
    """Nothing without a tariff."""
    if cost is None:
        return
    yield Heading(texts("costs"))
    yield Text(texts("costs-note"), "note")
    yield bill_table(texts("costs-bill"), cost.bill, cost.amount, cost.currency, texts)
    if cost.at_least:
        yield Text(texts("costs-at-least"), "caution")
    yield Facts(texts("costs"), tuple(_facts(cost, texts, zone)))
    if cost.tenants:
        yield Heading(texts("costs-tenants"), 2)
        yield tenant_table(cost, texts)
        if bound := [name for name, own in cost.tenants if own.at_least]:
            yield Text(texts("costs-tenants-at-least", tenants=", ".join(bound)), "caution")
        yield Text(texts("costs-tenants-note"), "note")
        yield from _divided(cost, texts, zone)


def money(amount: int | None, texts: Texts, unit: str = "") -> Cell:
    """An amount in coins, or the word for missing."""
    return texts("missing") if amount is None else Number((in_coins([amount])[0] or 0) / 100, 2, unit)


def bill_table(name: str, lines: Sequence[BillLine], amount: int | None, currency: str, texts: Texts) -> Table:
    """Quantity, price and amount of each line with their sum; whole coins that add up."""
    columns = (
        Column(texts("cost-line"), 62), Column(texts("cost-quantity"), 34, "right"),
        Column(texts("cost-price", currency=currency), 36, "right"),
        Column(texts("cost-amount", currency=currency), 30, "right"),
    )  # fmt: skip
    coins = in_coins([line.amount for line in lines])
    prices = [line.price for line in lines]
    places = {u: max([least, *(_places(p) for p in prices if _unit(p) == u)]) for u, least in PRICE_PLACES.items()}
    rows = [_bill_row(line, own, places, texts) for line, own in zip(lines, coins, strict=True)]
    rows.append((texts("total"), "", "", money(amount, texts)))
    return Table(name, columns, tuple(rows), sums=1)


def _unit(price: Price) -> str:
    return _UNITS.get(price.kind, "kWh")


def _places(price: Price) -> int:
    """As many decimals as a price has."""
    return next(n for n in range(13) if n == 12 or (price.price * 10**n) % 1 == 0)


def _bill_row(line: BillLine, coins: int | None, places: Mapping[str, int], texts: Texts) -> tuple[Cell, ...]:
    unit = _unit(line.price)
    return (
        line.price.name,
        _quantity(line, texts),
        Number(float(line.price.price), places[unit], f"/ {unit or texts('cost-month')}"),
        texts("missing") if coins is None else Number(coins / 100, 2),
    )


def _quantity(line: BillLine, texts: Texts) -> Cell:
    unit = _unit(line.price)
    if line.quantity is None:
        return texts("missing")
    if _of_months(line):
        return texts("cost-up-to", quantity=texts.number(float(line.quantity), QUANTITY_PLACES), unit=unit)
    whole = not unit and line.quantity.denominator == 1
    months = texts("cost-month" if line.quantity == 1 else "cost-months")
    return Number(float(line.quantity), 0 if whole else QUANTITY_PLACES, unit or months)


def _of_months(line: BillLine) -> bool:
    """Whether the amount is that of several demands, of which the quantity is the highest."""
    if line.price.kind is not PriceKind.DEMAND or line.quantity is None or line.amount is None:
        return False
    return rounded(line.quantity * line.price.price * COIN_PARTS) != line.amount


def _facts(cost: PeriodCost, texts: Texts, zone: ZoneInfo) -> Iterator[tuple[str, Cell]]:
    for peak in cost.peaks:
        yield texts("cost-peak", name=peak.line.price.name), _peak(peak, cost, texts, zone)
    if cost.saved is not None:
        yield texts("cost-saved"), money(cost.saved.amount, texts, cost.currency)
        yield texts("cost-earned"), money(cost.earned, texts, cost.currency)
    if cost.with_carbon:
        yield texts("carbon"), _kilograms(cost.carbon, texts, "kg")
        if cost.saved is not None:
            yield texts("carbon-avoided"), _kilograms(cost.saved.carbon, texts, "kg")


def _peak(peak: PeakCost, cost: PeriodCost, texts: Texts, zone: ZoneInfo) -> Cell:
    if peak.line.amount is None or peak.line.quantity is None:
        return texts("missing")
    values = {"amount": texts.number((_billed(cost, peak.line.price) or 0) / 100, 2), "currency": cost.currency}
    values["power"] = texts.number(float(peak.line.quantity), QUANTITY_PLACES)
    if peak.start_ms is None:
        return texts("cost-peak-before", **values)
    key = "cost-peak-months" if _of_months(peak.line) else "cost-peak-is"
    return texts(key, time=moment(Moment(peak.start_ms), texts.lang, zone), **values)


def _kilograms(milligrams: int | None, texts: Texts, unit: str = "") -> Cell:
    return texts("missing") if milligrams is None else Number(milligrams / MG_PER_KG, 1, unit)


def _divided(cost: PeriodCost, texts: Texts, zone: ZoneInfo) -> Iterator[Block]:
    """How each demand and fixed price was divided: what tenants bear, and the rest."""
    if not cost.divided:
        return
    columns = (
        Column(texts("cost-line"), 44), Column(texts("cost-division"), 66),
        Column(texts("cost-amount", currency=cost.currency), 24, "right"),
        Column(texts("cost-parts", currency=cost.currency), 24, "right"),
        Column(texts("cost-rest", currency=cost.currency), 22, "right"),
    )  # fmt: skip
    rows = tuple(_division_row(own, _billed(cost, own.price), texts, zone) for own in cost.divided)
    yield Table(texts("cost-divided"), columns, rows)
    yield Text(texts("cost-divided-note"), "note")


def _billed(cost: PeriodCost, price: Price) -> int | None:
    """The amount of a price in coins as the lines of the bill show it."""
    coins = in_coins([line.amount for line in cost.bill])
    return next((own for line, own in zip(cost.bill, coins, strict=True) if line.price is price), None)


def _division_row(own: DividedPrice, amount: int | None, texts: Texts, zone: ZoneInfo) -> tuple[Cell, ...]:
    """The amount as it is billed, the sum of the parts as the statements of the tenants show them, and what is left."""
    parts = _sum(each_in_coins(own.parts))
    rest = None if amount is None or parts is None else amount - parts
    return (
        own.price.name,
        division_words(own, texts, zone),
        *(money_of_coins(c, texts) for c in (amount, parts, rest)),
    )


def division_words(own: DividedPrice, texts: Texts, zone: ZoneInfo) -> str:
    """By what a price is divided."""
    if own.at_ms is not None:
        return texts("divided-peak-at", time=moment(Moment(own.at_ms), texts.lang, zone))
    return texts("divided-peak" if own.price.division is Division.PEAK else "divided-energy")


def tenant_table(cost: PeriodCost, texts: Texts) -> Table:
    """Energy and amount of each tenant, its parts of demand and fixed prices, their sum, mean price of a kWh, CO2."""
    columns = [
        Column(texts("tenant"), 46), Column(texts("energy"), 26, "right"),
        Column(texts("cost-energy", currency=cost.currency), 26, "right"),
    ]  # fmt: skip
    if cost.divided:
        columns.append(Column(texts("cost-divided-amount", currency=cost.currency), 30, "right"))
        columns.append(Column(texts("cost-sum", currency=cost.currency), 24, "right"))
    columns.append(Column(texts("cost-mean", currency=cost.currency), 22, "right"))
    if cost.with_carbon:
        columns.append(Column(texts("carbon-kg"), 22, "right"))
    costs = [own for _, own in cost.tenants]
    coins = each_in_coins(own.amount for own in costs)  # as on the statement of each tenant
    parts = [coins_of(cost.divided, i) for i in range(len(costs))]
    rows = [_tenant_row(cost, i, (coins[i], parts[i]), texts) for i in range(len(costs))]
    energies, amounts, masses = ([getattr(own, name) for own in costs] for name in ("energy", "amount", "carbon"))
    sums = (_sum(energies), _sum(amounts), _sum(masses))
    rows.append(_cells(texts("total"), sums, (_sum(coins), _sum(parts)), cost, texts))
    return Table(texts("costs-tenants"), tuple(columns), tuple(rows), sums=1)


def _tenant_row(cost: PeriodCost, place: int, coins: tuple[int | None, int | None], texts: Texts) -> tuple[Cell, ...]:
    name, own = cost.tenants[place]
    return _cells(name, (own.energy, own.amount, own.carbon), coins, cost, texts)


def _cells(
    name: str, figures: tuple[int | None, int | None, int | None], coins: tuple[int | None, int | None],
    cost: PeriodCost, texts: Texts,
) -> tuple[Cell, ...]:  # fmt: skip
    energy, amount, mass = figures
    mean: Cell = ""
    if amount is not None and energy:
        mean = Number(amount / COIN_PARTS / (energy / MWH_PER_KWH), 4)
    amounts = (*coins, _sum(coins)) if cost.divided else coins[:1]
    cells = (name, kwh(energy, texts), *(money_of_coins(value, texts) for value in amounts), mean)
    return (*cells, _kilograms(mass, texts)) if cost.with_carbon else cells


def money_of_coins(value: int | None, texts: Texts) -> Cell:
    """Whole coins as an amount, or the word for missing."""
    return texts("missing") if value is None else Number(value / 100, 2)


def _sum(values: Sequence[int | None]) -> int | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None
