"""One amount, one figure: the report, the statement of a tenant and the page of costs show the same coins.

Found by comparing all of them over two months of Harrow Mill: the column of the tenants in the division of prices was a
cent above the sum of what each of them bears.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.documents.model import Block, Cell, Number, Table, Text
from meterd.adapters.documents.report_cost import cost_blocks
from meterd.adapters.documents.tenant_statement import statement_document
from meterd.adapters.documents.texts import Texts
from meterd.adapters.web.pages.cost_words import CostWords, cost_words
from meterd.adapters.web.pages.energy_values import CostView, DividedLine, ItemCost, PriceLine
from meterd.core.energy.cost import Cost
from meterd.core.energy.divided_price import DividedPrice, coins_of, part_of
from meterd.core.energy.tariff import BillLine
from meterd.core.model.periods import Period
from meterd.core.model.tariff import Price, PriceKind
from meterd.core.reports.content import Revision, Span
from meterd.core.reports.cost import PeriodCost
from meterd.core.reports.figures import Amount
from meterd.core.reports.tenant_statement import TenantStatement
from tests.example_plans import example

SITE = example("harrow-mill")
DAY = Price("Day", PriceKind.IMPORT, Fraction("0.219"))
DIVIDED = (Price("Demand", PriceKind.DEMAND, Fraction("9.80")), Price("Metering", PriceKind.FIXED, Fraction(45)))
TEXTS = Texts("en")
AMOUNTS = st.integers(min_value=0, max_value=9_999_999)


@dataclass(frozen=True, slots=True)
class Shares:
    """What each tenant costs by the kWh, and its parts of two prices; what is left of these prices."""

    amounts: list[int]
    parts: list[tuple[int, int]]
    rests: tuple[int, int]


SHARES = st.integers(min_value=1, max_value=7).flatmap(
    lambda n: st.builds(
        Shares,
        st.lists(AMOUNTS, min_size=n, max_size=n),
        st.lists(st.tuples(AMOUNTS, AMOUNTS), min_size=n, max_size=n),
        st.tuples(AMOUNTS, AMOUNTS),
    )
)


def period_cost(made: Shares) -> PeriodCost:
    """The costs of a month as the report has them."""
    divided = tuple(
        DividedPrice(
            price, sum(own[i] for own in made.parts) + made.rests[i], None, tuple(p[i] for p in made.parts), rest
        )
        for i, (price, rest) in enumerate(zip(DIVIDED, made.rests, strict=True))
    )
    bill = (BillLine(DAY, Fraction(1), 7 * 3333), *(BillLine(own.price, Fraction(1), own.amount) for own in divided))
    tenants = tuple((f"tenant {i}", Cost(10**6, (BillLine(DAY, Fraction(1), a),))) for i, a in enumerate(made.amounts))
    return PeriodCost(
        currency="EUR", bill=bill, amount=sum(line.amount or 0 for line in bill), peaks=(), saved=None, earned=None,
        carbon=None, with_carbon=False, tenants=tenants, divided=divided,
    )  # fmt: skip


def coins(cell: Cell) -> int:
    """An amount of a document in coins."""
    assert isinstance(cell, Number)
    assert cell.decimals == 2
    return round(cell.value * 100)


def of_report(cost: PeriodCost, key: str) -> list[list[int]]:
    """The amounts of a table of the report."""
    table = next(b for b in cost_blocks(cost, TEXTS, ZoneInfo("UTC")) if isinstance(b, Table) and b.name == TEXTS(key))
    return [[coins(c) for c in row if isinstance(c, Number) and c.decimals == 2] for row in table.rows]


def cautions_of(cost: PeriodCost, place: int) -> list[str]:
    """What a statement warns of."""
    return [b.text for b in statement_of(cost, place) if isinstance(b, Text) and b.kind == "caution"]


def of_statement(cost: PeriodCost, place: int) -> list[int]:
    """Energy, parts and sum of the statement of a tenant."""
    table = next(b for b in statement_of(cost, place) if isinstance(b, Table) and b.name == TEXTS("cost-divided"))
    return [coins(row[3]) for row in table.rows]


def statement_of(cost: PeriodCost, place: int) -> tuple[Block, ...]:
    """The statement of a tenant."""
    name, own = cost.tenants[place]
    divided = tuple(DividedPrice(d.price, d.amount, None, (d.parts[place],), None) for d in cost.divided)
    made = TenantStatement(
        name, Span(Period.MONTH, 0, 1, 1), (), Amount(10**6), own, divided, "EUR", False, (), Revision("p", "0", 1)
    )
    return statement_document(SITE, made, "en").blocks


def of_page(cost: PeriodCost) -> CostWords:
    """The page of costs in words."""
    items = [
        ItemCost(
            key=name, title=name, kind="point", energy_mwh=own.energy, amount=own.amount, part=part_of(cost.divided, i),
            part_coins=coins_of(cost.divided, i), at_least=False, co2_mg=None, alone="",
        )
        for i, (name, own) in enumerate(cost.tenants)
    ]  # fmt: skip
    lines = [
        PriceLine(name=b.price.name, kind="import", unit="kWh", quantity=1.0, price="1", amount=b.amount, at_ms=None)
        for b in cost.bill
    ]
    divided = [
        DividedLine(name=d.price.name, division="peak", at_ms=None, amount=d.amount, rest=d.rest) for d in cost.divided
    ]
    return cost_words(
        CostView(
            currency="EUR", billed=True, lines=lines, amount=cost.amount, at_least=False,
            missing=0, of=1, with_pv=False, saved=None,
            saved_mwh=None, earned=None, with_co2=False, co2_mg=None, avoided_mg=None, items=items, divided=divided,
            total=None, item_lines=[], left_out=False, later="",
        ),
        "en",
    )  # fmt: skip


def read(text: str) -> int:
    """An amount of the page in coins."""
    return int(text.removesuffix(" EUR").replace(",", "").replace(".", ""))


@given(SHARES)
def test_an_amount_is_the_same_in_report_statement_and_page(made: Shares) -> None:
    """For each tenant energy, parts and sum; the sums are sums of what is shown."""
    cost = period_cost(made)
    *rows, total = of_report(cost, "costs-tenants")
    assert total == [sum(column) for column in zip(*rows, strict=True)]
    page = of_page(cost)
    for i, (energy, part, whole) in enumerate(rows):
        own = of_statement(cost, i)
        assert (own[0], sum(own[1:-1]), own[-1]) == (energy, part, whole)
        shown = page.items[i]
        assert (read(shown.amount), read(shown.part), read(shown.whole)) == (energy, part, whole)


@given(SHARES)
def test_a_divided_price_is_what_the_bill_says_and_what_tenants_bear(made: Shares) -> None:
    """Its amount is that of its line, its parts are those of the statements, and the rest is what is left."""
    cost = period_cost(made)
    lines = [coins for (*_, coins) in of_report(cost, "costs-bill")]
    rows = of_report(cost, "cost-divided")
    assert [amount for amount, _, _ in rows] == lines[1:3]
    assert [read(amount) for _, amount, _ in of_page(cost).divided] == lines[1:3]
    statements = [of_statement(cost, i)[1:3] for i in range(len(cost.tenants))]
    assert [parts for _, parts, _ in rows] == [sum(own) for own in zip(*statements, strict=True)]
    assert all(amount == parts + rest for amount, parts, rest in rows)
    assert sum(parts for _, parts, _ in rows) == of_report(cost, "costs-tenants")[-1][1]


def test_a_lower_bound_is_said_in_report_and_statement() -> None:
    """Found after a reset: the energies of a tenant were missing, its costs looked like any other."""
    cost = period_cost(Shares([100, 200], [(1, 1), (1, 1)], (1, 1)))
    bound = replace(
        cost, at_least=True, tenants=(cost.tenants[0], ("Cafe", replace(cost.tenants[1][1], at_least=True)))
    )
    output = [b.text for b in cost_blocks(bound, TEXTS, ZoneInfo("UTC")) if isinstance(b, Text) and b.kind == "caution"]
    assert output == [TEXTS("costs-at-least"), TEXTS("costs-tenants-at-least", tenants="Cafe")]
    assert [TEXTS("statement-at-least") in cautions_of(bound, place) for place in (0, 1)] == [False, True]
    assert not [b for b in cost_blocks(cost, TEXTS, ZoneInfo("UTC")) if isinstance(b, Text) and b.kind == "caution"]


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_price_with_a_demand_for_each_month_says_that_its_power_is_the_highest(language: str) -> None:
    """Power times price is not the amount of a year: found in a report that multiplied 281.5 kW by 9.80 to 10,123.35."""
    texts, demand = Texts(language), BillLine(DIVIDED[0], Fraction("281.532"), 101_233_500)
    cost = period_cost(Shares([1], [(1, 1)], (1, 1)))
    made = replace(cost, bill=(demand,), divided=())
    table = next(b for b in cost_blocks(made, texts, ZoneInfo("UTC")) if isinstance(b, Table))
    wanted = {"en": "up to 281.532 kW", "de": "bis 281,532 kW"}[language]
    assert table.rows[0][1] == wanted
