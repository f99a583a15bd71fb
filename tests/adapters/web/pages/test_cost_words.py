"""Costs in words: coins add up to the sum as it is shown, prices of one unit have as many places, missing is a word."""

from meterd.adapters.web.pages.cost_words import cost_words
from meterd.adapters.web.pages.energy_values import CostView, DividedLine, ItemCost, PriceLine


def item(name: str, amount: int | None) -> ItemCost:
    """A tenth of a megawatt hour of something."""
    energy = None if amount is None else 100_000_000
    key = f"point:{name}"
    return ItemCost(
        key=key,
        title=name,
        kind="point",
        energy_mwh=energy,
        amount=amount,
        part=amount,
        part_coins=None if amount is None else 1,
        at_least=False,
        co2_mg=amount,
        alone="",
    )


def view(*items: ItemCost) -> CostView:
    """Three lines of a bill that end between two coins."""
    lines = [
        PriceLine(name=n, kind=k, unit=u, quantity=q, price=p, amount=a, at_ms=None)
        for n, k, u, q, p, a in (
            ("day", "import", "kWh", 10.0, "0.219", 21_933),
            ("levy", "import", "kWh", 10.0, "0.03", 3_033),
            ("feed-in", "export", "kWh", 3.0, "0.0712", -2_133),
            ("fixed", "fixed", "", 1.0, "45", None if not items else 450_000),
        )
    ]
    known = [line.amount for line in lines if line.amount is not None]
    return CostView(
        currency="EUR", billed=True, lines=lines, amount=sum(known) if items else None, at_least=False,
        missing=0, of=1, with_pv=True,
        saved=5, saved_mwh=1, earned=2_133, with_co2=True, co2_mg=2_500_000, avoided_mg=None, items=list(items),
        divided=[DividedLine(name="fixed", division="energy", at_ms=None, amount=450_000, rest=-133)],
        total=item("all", 266).model_copy(update={"part_coins": 2}) if len(items) > 1 else None, item_lines=[],
        left_out=False, later="",
    )  # fmt: skip


def test_coins_of_the_lines_add_up_to_the_sum() -> None:
    """In German; the sum of what is shown is the sum that is shown."""
    texts = cost_words(view(item("a", 133), item("b", 133)), "de")
    assert [row.price for row in texts.lines] == ["0,2190 / kWh", "0,0300 / kWh", "0,0712 / kWh", "45,00 / Monat"]
    assert [row.quantity for row in texts.lines] == ["10,0 kWh", "10,0 kWh", "3,0 kWh", "1 Monat"]
    coins = [int(row.amount.replace(",", "").replace("−", "-")) for row in texts.lines]
    assert (sum(coins), texts.sum, texts.amount) == (4728, "47,28", "47,28 EUR")
    assert texts.total is not None
    assert [(row.amount, row.part, row.whole) for row in (*texts.items, texts.total)] == [
        ("0,01", "0,01", "0,02"),  # as on the page of the energy alone
        ("0,01", "0,01", "0,02"),
        ("0,02", "0,02", "0,04"),
    ]
    assert texts.divided[0][1:] == ("45,00 EUR", "\N{MINUS SIGN}0,01 EUR")
    assert (texts.carbon, texts.avoided) == ("2,5 kg", "fehlt")


def test_what_pv_is_worth_is_the_sum_of_both_as_they_are_shown() -> None:
    """Each is 11.49 hundredths: 0.11 twice is 0.22, though both together are 22.98."""
    costs = cost_words(view(item("ovens", 1)).model_copy(update={"saved": 1_149, "earned": 1_149}), "en")
    assert (costs.saved, costs.earned, costs.worth) == ("0.11 EUR", "0.11 EUR", "0.22 EUR")


def test_missing_is_a_word_and_has_no_mean() -> None:
    """In lines, sums and items."""
    text = cost_words(view(), "en")
    assert (text.sum, text.lines[3].amount) == ("missing", "missing")
    row = cost_words(view(item("a", None)), "en").items[0]
    assert (row.energy, row.amount, row.part, row.whole) == ("missing",) * 4
    assert (row.mean, row.carbon) == ("", "missing")


def test_a_demand_of_several_months_is_the_highest_of_them() -> None:
    """Found in a year that multiplied 281.5 kW by 9.80 to 10,123.35; one month alone is what it is."""
    for amount, wanted in ((101_233_500, "bis 281,5 kW"), (27_586_971, "281,5 kW")):
        line = PriceLine(
            name="d", kind="demand", unit="kW", quantity=281.499708, price="9.8", amount=amount, at_ms=None
        )  # fmt: skip
        assert cost_words(view().model_copy(update={"lines": [line]}), "de").lines[0].quantity == wanted


def test_what_pv_earned_is_the_amount_of_its_line() -> None:
    """Found by looking: earned 35.84, and the line of the bill above it says 35.83."""
    bill = view(item("a", 133))
    for amount in range(20_000, 20_100):
        lines = [*bill.lines[:2], bill.lines[2].model_copy(update={"amount": -amount}), bill.lines[3]]
        total = sum(line.amount or 0 for line in lines)
        texts = cost_words(bill.model_copy(update={"lines": lines, "earned": amount, "amount": total}), "en")
        assert f"\N{MINUS SIGN}{texts.earned}" == f"{texts.lines[2].amount} EUR"
