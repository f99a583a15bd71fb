"""Costs as people read them: amounts in whole coins that add up, one number of places in each column."""

from collections.abc import Sequence
from dataclasses import dataclass

from meterd.adapters.texts import wording
from meterd.adapters.web.number_column import NumberColumn
from meterd.adapters.web.pages.energy_values import CostView, DividedLine, ItemCost, PriceLine
from meterd.core.energy.tariff import COIN_PARTS, each_in_coins, in_coins
from meterd.core.model.tariff import PriceKind

MG_PER_KG = 1_000_000
MWH_PER_KWH = 1_000_000


@dataclass(frozen=True, slots=True)
class PriceRow:
    """A line of a bill in words; `at_ms` is when the interval of a demand began."""

    name: str
    quantity: str
    price: str
    amount: str
    at_ms: int | None


@dataclass(frozen=True, slots=True)
class CostRow:
    """An energy with its cost in words, its part of demand and fixed prices, and both; empty where nothing is to say."""

    line: ItemCost
    energy: str
    amount: str
    part: str
    whole: str
    mean: str
    carbon: str


@dataclass(frozen=True, slots=True)
class CostWords:
    """Costs of a range in words: sums, the lines of the bill, and the energies."""

    unit: str  # of the energies
    amount: str
    sum: str  # the same without its currency, which stands in the head of the column
    saved: str
    earned: str
    worth: str  # both of them
    carbon: str
    avoided: str
    lines: list[PriceRow]
    item_lines: list[PriceRow]
    items: list[CostRow]
    divided: list[tuple[DividedLine, str, str]]  # each with its amount, and the rest where it is known
    total: CostRow | None

    @property
    def demand(self) -> list[PriceRow]:
        """What the highest demand costs."""
        return [row for row in self.lines if row.at_ms is not None]


def cost_words(cost: CostView, language: str) -> CostWords:
    """Everything that the template needs besides the values."""
    largest = max((row.energy_mwh or 0 for row in cost.items), default=0)
    energies = NumberColumn(
        "kWh", MWH_PER_KWH, 1 if largest < 10_000 * MWH_PER_KWH else 0, language
    )  # as a bill has it
    earned = _earned(cost)
    return CostWords(
        unit=energies.unit,
        amount=_money(cost.amount, language, cost.currency),
        sum=_bare(in_coins([cost.amount])[0], language),
        saved=_money(cost.saved, language, cost.currency),
        earned=wording.money(language, earned, cost.currency),
        worth=wording.money(language, _sum(in_coins([cost.saved])[0], earned), cost.currency),
        carbon=_kilograms(cost.co2_mg, language),
        avoided=_kilograms(cost.avoided_mg, language),
        lines=_rows(cost.lines, language),
        item_lines=_rows([line for line in cost.item_lines if line.kind != "carbon"], language),
        items=_items(cost.items, energies, language),
        divided=_divided(cost, language),
        total=None if cost.total is None else _total(cost.total, cost.items, energies, language),
    )


def _earned(cost: CostView) -> int | None:
    """What export earns, in coins as in the lines of the bill."""
    coins = in_coins([line.amount for line in cost.lines])
    paid = [(line.amount, own) for line, own in zip(cost.lines, coins, strict=True) if line.kind == PriceKind.EXPORT]
    if cost.earned is None or -cost.earned != sum(amount or 0 for amount, _ in paid):
        return in_coins([cost.earned])[0]
    return -sum(own or 0 for _, own in paid)


def _divided(cost: CostView, language: str) -> list[tuple[DividedLine, str, str]]:
    """Each with its amount as in the lines of the bill, and the rest."""
    coins = in_coins([line.amount for line in cost.lines])
    billed = {(line.name, line.amount): own for line, own in zip(cost.lines, coins, strict=True)}
    rows = []
    for own in cost.divided:
        amount = billed.get((own.name, own.amount), in_coins([own.amount])[0])
        rest = "" if own.rest is None else _money(own.rest, language, cost.currency)
        rows.append((own, wording.money(language, amount, cost.currency), rest))
    return rows


def _sum(first: int | None, second: int | None) -> int | None:
    return None if first is None or second is None else first + second


def _money(amount: int | None, language: str, currency: str) -> str:
    return wording.money(language, in_coins([amount])[0], currency)


def _bare(coins: int | None, language: str) -> str:
    return wording.say(language, "word.missing") if coins is None else wording.number(language, coins / 100, 2)


def _kilograms(milligrams: int | None, language: str) -> str:
    if milligrams is None:
        return wording.say(language, "word.missing")
    return f"{wording.number(language, milligrams / MG_PER_KG, 1)} kg"


def _rows(lines: Sequence[PriceLine], language: str) -> list[PriceRow]:
    """The lines in coins that add up to the sum as it is shown; prices of one unit have as many places."""
    coins = in_coins([line.amount for line in lines])
    places = {unit: max(_places(row.price) for row in lines if row.unit == unit) for unit in {r.unit for r in lines}}
    return [_row(line, amount, places[line.unit], language=language) for line, amount in zip(lines, coins, strict=True)]


def _places(price: str) -> int:
    """Decimal places of a price, at least those of a coin."""
    return max(2, len(price.partition(".")[2]))


def _row(line: PriceLine, coins: int | None, places: int, language: str) -> PriceRow:
    unit = line.unit
    missing = wording.say(language, "word.missing")
    month, months = (wording.say(language, f"energy.cost_{key}") for key in ("month", "months"))
    text = missing
    if line.quantity is not None:
        quantity = wording.number(language, line.quantity, 1 if unit else 0)
        text = f"{quantity} {unit or (month if line.quantity == 1 else months)}"
    return PriceRow(
        line.name,
        wording.say(language, "energy.cost_up_to", quantity=text) if _of_months(line) else text,
        f"{wording.number(language, float(line.price), places)} / {unit or month}",
        _bare(coins, language),
        line.at_ms,
    )


def _of_months(line: PriceLine) -> bool:
    """Whether the amount is that of the demands of several months, of which the quantity is the highest."""
    if line.kind != PriceKind.DEMAND or line.quantity is None or line.amount is None:
        return False
    return abs(line.quantity * float(line.price) * COIN_PARTS - line.amount) > 1


def _items(rows: Sequence[ItemCost], energies: NumberColumn, language: str) -> list[CostRow]:
    """Each amount by itself, for it is the same on the page of its energy alone."""
    return [_cost_row(row, own, energies, language) for row, own in zip(rows, _coins(rows), strict=True)]


def _total(total: ItemCost, rows: Sequence[ItemCost], energies: NumberColumn, language: str) -> CostRow:
    """The sum of the amounts as they are shown."""
    columns = zip(*_coins(rows), strict=True)
    amount, part = (None if None in column else sum(c for c in column if c is not None) for column in columns)
    return _cost_row(total, (amount, part if total.part is not None else None), energies, language)


def _coins(rows: Sequence[ItemCost]) -> list[tuple[int | None, int | None]]:
    return list(zip(each_in_coins(row.amount for row in rows), (row.part_coins for row in rows), strict=True))


def _cost_row(row: ItemCost, coins: tuple[int | None, int | None], energies: NumberColumn, language: str) -> CostRow:
    missing = wording.say(language, "word.missing")
    mean = ""
    if row.amount is not None and row.energy_mwh:
        mean = wording.number(language, row.amount / COIN_PARTS / (row.energy_mwh / MWH_PER_KWH), 4)
    return CostRow(
        line=row,
        energy=missing if row.energy_mwh is None else energies.words(row.energy_mwh),
        amount=_bare(coins[0], language),
        part=_bare(coins[1], language),
        whole=_bare(_sum(*coins), language),
        mean=mean,
        carbon=missing if row.co2_mg is None else wording.number(language, row.co2_mg / MG_PER_KG, 1),
    )
