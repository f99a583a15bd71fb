"""Costs on the page of energies: what a manager reads is the interval energies times the prices of the plan."""

import csv
import io
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.web.pages import energy_cost
from meterd.app.cli.main import main
from meterd.app.daemon.web_backend import served
from meterd.core.model.periods import local
from meterd.core.model.plan import Page
from meterd.core.model.tariff import Price, PriceKind
from tests.adapters.web.browser import DESK, PHONE, opened, unreadable
from tests.adapters.web.conftest import Mill
from tests.adapters.web.pages.test_energy import ask
from tests.adapters.web.web_backends import kept, serving, small_site

pytestmark = pytest.mark.slow
DAY_PRICE, NIGHT_PRICE, FEED_IN = 2190, 1740, 712  # 1/10,000 EUR per kWh, of config/harrow-mill


def priced(mill: Mill, item: str) -> tuple[float, float]:
    """Cost and energy (kWh) of yesterday's intervals of one item, one by one on the local clock."""
    view: dict[str, Any] = ask(mill, f"range=yesterday&step=interval&of={item}")
    zone = ZoneInfo(view["basis"]["zone"])
    amount = energy = 0.0
    for start, mwh in zip(view["edges"], view["series"][0]["values"], strict=False):
        clock = local(start, zone)
        day = clock.weekday() < 5 and 6 <= clock.hour < 22
        amount += mwh / 1e6 * (DAY_PRICE if day else NIGHT_PRICE)
        energy += mwh / 1e6
    return amount, energy


def test_costs_of_a_day_are_its_intervals_times_the_prices(mill: Mill) -> None:
    """Of points and of the connection; PV saved its self-use at the price of its hours and earned the export."""
    cost: dict[str, Any] = ask(mill, "range=yesterday&picture=cost&of=point:cafe&of=point:bakery-proving")["cost"]  # type: ignore[assignment]
    for item in cost["items"]:
        amount, energy = priced(mill, item["key"])
        assert item["amount"] == pytest.approx(amount, abs=1.1)  # a rounding of each price
        assert item["energy_mwh"] / 1e6 == pytest.approx(energy)
        assert item["co2_mg"] == pytest.approx(energy * 380_000, abs=1)
    assert cost["total"]["amount"] == sum(item["amount"] for item in cost["items"])
    bought, _ = priced(mill, "site:grid_import")
    exported: dict[str, Any] = ask(mill, "range=yesterday&step=interval&of=site:grid_export")["series"][0]  # type: ignore[index]
    earned = sum(exported["values"]) / 1e6 * FEED_IN
    assert cost["earned"] == pytest.approx(earned, abs=1)
    assert cost["amount"] == pytest.approx(bought - earned, abs=2.1)
    assert cost["saved"] == pytest.approx(priced(mill, "site:self_use")[0], abs=1.1)
    assert (cost["billed"], cost["missing"]) == (False, 0)


def test_a_month_is_a_bill_and_says_what_the_peak_cost(mill: Mill, browser: Browser) -> None:
    """Two clicks from the page of energies; the lines add up as they are shown; the peak leads to what caused it."""
    with opened(browser, f"{mill.address}/energy?range=month") as page:
        page.click("text=Costs")
        expect(page.locator("h2#cost")).to_have_text("Costs")
        expect(page.locator("section[aria-labelledby=cost]")).to_contain_text("not a bill")
        cells = page.locator("table.bill tbody tr td:nth-of-type(3)").all_inner_texts()
        coins = [round(float(cell.replace(",", "").replace("−", "-")) * 100) for cell in cells]
        total = page.locator("table.bill tfoot td").inner_text().replace(",", "")
        assert sum(coins) == round(float(total) * 100)
        assert len(coins) == 5
        demand = page.locator("dl.figures div", has_text="highest demand")
        expect(demand).to_contain_text("kW")
        demand.locator("a").click()
        page.wait_for_url("**/demand?month=*")
        page.click("text=What this peak costs")
        expect(page.locator("h2#cost")).to_be_visible()


def test_a_month_divides_demand_and_fixed_prices(mill: Mill, browser: Browser) -> None:
    """By the share at the peak and in the month: the consumption of the site bears all; the page says by what."""
    query = "range=month&picture=cost&of=site:consumption&of=point:cafe"
    cost: dict[str, Any] = ask(mill, query)["cost"]  # type: ignore[assignment]
    demand, fixed = cost["divided"]
    whole, cafe = sorted(cost["items"], key=lambda item: item["key"], reverse=True)
    assert (demand["division"], fixed["division"], fixed["amount"]) == ("peak", "energy", 450_000)
    assert whole["part"] == demand["amount"] + fixed["amount"]
    peaks: dict[str, Any] = ask(mill, "range=month&step=interval&of=site:consumption&of=point:cafe")
    there = peaks["edges"].index(demand["at_ms"])
    load, own = (line["values"][there] for line in sorted(peaks["series"], key=lambda s: s["key"], reverse=True))
    energy = 450_000 * cafe["energy_mwh"] / whole["energy_mwh"]
    assert cafe["part"] == pytest.approx(demand["amount"] * own / load + energy, abs=2)
    with opened(browser, f"{mill.address}/energy?{query}") as page:
        section = page.locator("section[aria-labelledby=item-costs]")
        expect(section.locator("thead")).to_contain_text("Demand and fixed, EUR")
        expect(section).to_contain_text("which set the demand")


def test_the_command_adds_up_as_it_is_shown(mill: Mill, capsys: pytest.CaptureFixture[str]) -> None:
    """Whole cents: lines of the bill to its sum, an energy and its parts to their sum, parts and rest to what is billed."""
    plan = str(mill.store.with_suffix(".plan"))
    capsys.readouterr()
    names = ("laundry", "cafe", "bakery-ovens")
    points = [word for name in names for word in ("--point", name)]
    assert main(["energy", plan, "--store", str(mill.store), "--cost", "--format", "csv", *points]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    last = rows[-1]["period"]
    amounts = {(r["of"], r["line"]): Decimal(r["amount"]) for r in rows if r["period"] == last and r["amount"]}
    assert all(amount * 100 % 1 == 0 for amount in amounts.values())
    bill = {line: amount for (of, line), amount in amounts.items() if of == "site"}
    assert bill.pop("sum") == sum(bill.values())
    for name in names:
        own = {line: amount for (of, line), amount in amounts.items() if of == name}
        assert own.pop("sum") == sum(own.values())
        assert len(own) == 3
    parts = [line for of, line in amounts if of == "rest"]
    assert len(parts) == 2
    for part in parts:
        assert sum(amounts[of, part] for of in (*names, "rest")) == bill[part.removesuffix(", part")]


def test_rest_of_a_division_is_said_where_nothing_overlaps(mill: Mill) -> None:
    """Feeders side by side and their rest are the whole price; a board holds its feeders, and has no rest beside them."""
    cost: dict[str, Any] = ask(mill, "range=month&picture=cost&of=point:laundry&of=point:cafe")["cost"]  # type: ignore[assignment]
    whole = sum(own["amount"] for own in cost["divided"])
    assert sum(item["part"] for item in cost["items"]) + sum(own["rest"] for own in cost["divided"]) == whole
    both: dict[str, Any] = ask(mill, "range=month&picture=cost&of=board:north&of=point:cafe")["cost"]  # type: ignore[assignment]
    assert [own["rest"] for own in both["divided"]] == [None, None]


def test_an_amount_leads_to_the_prices_that_make_it(mill: Mill, browser: Browser) -> None:
    """Why this number: the energy of each price, its price, the product; and on to the energies."""
    with opened(browser, f"{mill.address}/energy?range=yesterday&picture=cost") as page:
        first = page.locator("section[aria-labelledby=item-costs] tbody tr").first
        amount = first.locator("a.why").inner_text()
        first.locator("a.why").click()
        expect(page.locator("h3#item-prices")).to_contain_text("Why this number")
        prices = page.locator("[aria-labelledby=item-prices] tbody tr").all_inner_texts()
        assert prices
        assert {row.split("\t")[0] for row in prices} <= {"Supply, day", "Supply, night and weekend"}
        expect(page.locator("[aria-labelledby=item-prices] tfoot td")).to_have_text(amount)
        page.click("text=The energies of this range")
        expect(page.locator("section[aria-labelledby=figures] a.why").first).to_be_visible()


def test_what_sources_give_has_no_cost(mill: Mill) -> None:
    """PV among the points is left out, and the page says so."""
    points: dict[str, Any] = ask(mill, "range=yesterday&picture=cost&of=points")["cost"]  # type: ignore[assignment]
    assert points["left_out"]
    assert not [item for item in points["items"] if "pv" in item["key"]]
    feeders: dict[str, Any] = ask(mill, "range=yesterday&picture=cost")["cost"]  # type: ignore[assignment]
    assert not feeders["left_out"]


def test_a_silent_meter_has_no_cost_and_the_sum_is_missing(mill: Mill) -> None:
    """Never a smaller sum."""
    cost: dict[str, Any] = ask(mill, "range=today&picture=cost&of=point:lifts-north&of=point:cafe")["cost"]  # type: ignore[assignment]
    amounts = {item["key"]: item["amount"] for item in cost["items"]}
    assert amounts["point:lifts-north"] is None
    assert amounts["point:cafe"] is not None
    assert cost["total"]["amount"] is None


def test_the_file_of_costs(mill: Mill) -> None:
    """The figures of the page in the columns of the command."""
    query = "range=yesterday&picture=cost&of=point:cafe"
    rows = list(csv.DictReader(io.StringIO(httpx.get(f"{mill.address}/energy.csv?{query}", timeout=30).text)))
    cost: dict[str, Any] = ask(mill, query)["cost"]  # type: ignore[assignment]
    lines = {(row["of"], row["line"]): row for row in rows}
    assert float(lines["site", "sum"]["amount_exact"]) == cost["amount"] / 10_000
    assert float(lines["PV", "saved"]["amount_exact"]) == cost["saved"] / 10_000
    bill = [Decimal(row["amount"]) for row in rows if row["of"] == "site" and row["line"] not in ("sum", "CO2")]
    assert sum(bill) == Decimal(lines["site", "sum"]["amount"]), "as they are shown"
    assert all(abs(Decimal(row["amount"]) * 100) % 1 == 0 for row in rows if row["amount"]), "whole coins"
    assert float(lines["Cafe", "import"]["energy_wh"]) == cost["items"][0]["energy_mwh"] / 1000
    assert {row["currency"] for row in rows if row["amount"]} == {"EUR"}


def test_costs_are_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, nothing is cut off; in German with a decimal comma."""
    with opened(browser, f"{mill.address}/energy?range=week&picture=cost", language="de") as page:
        expect(page.locator("h2#cost")).to_have_text("Kosten")
        expect(page.locator("table.bill tbody tr").first).to_contain_text("0,2190 / kWh")
        assert unreadable(page, at_night=PHONE, by_day=DESK) == []


def test_a_plan_without_prices_says_how_to_add_them(tmp_path: Path, browser: Browser) -> None:
    """A sentence, not an empty page."""
    with serving(tmp_path / "s.sqlite") as address, opened(browser, f"{address}/energy?picture=cost") as page:
        expect(page.locator("section[aria-labelledby=cost]")).to_contain_text("[[tariff]]")
        assert page.locator("h2#item-costs").count() == 0


def test_costs_of_many_energies_come_behind_the_bill(
    tmp_path: Path, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bill at once; the page asks for the cost of each energy by itself; beyond all measure it says so."""
    tariff = (Price("energy", PriceKind.IMPORT, Fraction("0.25")),)
    site = replace(small_site(Page(port=free_port())), tariff=tariff)
    with served(kept(site, tmp_path / "s.sqlite")) as root:
        query = f"{root}energy?range=all&picture=cost"

        def asked(more: str = "") -> dict[str, Any]:
            cost: dict[str, Any] = httpx.get(query.replace("energy?", "api/energy?") + more, timeout=30).json()["cost"]
            return cost

        whole = asked()
        assert len(whole["items"]) > 2
        monkeypatch.setattr(energy_cost, "FEW_FIGURES", 10)
        first = asked()
        assert (first["items"], first["amount"]) == ([], whole["amount"])
        assert "each=true" in first["later"]
        assert [item["amount"] for item in asked("&each=true")["items"]] == [i["amount"] for i in whole["items"]]
        assert len(httpx.get(query.replace("energy?", "energy.csv?") + "&each=true", timeout=30).text.splitlines()) > 4
        with opened(browser, query) as page:
            rows = page.locator("section[aria-labelledby=item-costs] tbody tr")
            expect(rows).to_have_count(len(whole["items"]))
            expect(page.locator("section[data-later]")).to_have_count(0)
        monkeypatch.setattr(energy_cost, "MOST_FIGURES", 10)
        with opened(browser, query) as page:
            expect(page.locator("section[aria-labelledby=item-costs]")).to_contain_text("too long for the costs")
            expect(page.locator("table.bill").first).to_be_visible()
