"""Every column of figures has one unit and one number of places, also after the figures of an open page have gone on."""

import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.web.number_column import number_column
from tests.adapters.web.browser import log_in, opened
from tests.adapters.web.conftest import PASSWORD, Mill

MIXED_BY_NATURE = ("phases", "registers")  # each row is another quantity
PAGES = (
    "now",
    "balance",
    "balance?period=day",
    "energy?range=week",
    "energy?range=week&picture=flow",
    "point",
    "point?point=bakery-ovens",
    "commissioning",
    "demand",
    "pv",
    "savings",
    "data",
)
# of each column with figures: its head, and the units and the places of its cells
_COLUMNS = r"""
(skip) => [...document.querySelectorAll("table")].flatMap((table) => {
  const section = table.closest("section"), name = section ? section.getAttribute("aria-labelledby") : "";
  if (skip.includes(name)) return [];
  const shape = /^[±−]?[\d,]+(?:[.](\d+))?(?: ([kMG]?(?:Wh|W|varh|VA|A)))?$/;
  return [...table.tHead.rows[0].cells].map((head, i) => {
    const cells = [...table.tBodies].flatMap((body) => [...body.rows]).map((row) => row.cells[i]);
    const figures = cells.filter((cell) => cell && cell.classList.contains("n"))
      .map((cell) => (cell.querySelector(".figure") || cell).textContent.trim().match(shape)).filter(Boolean);
    const units = [...new Set(figures.map((f) => f[2] || ""))];
    return [name + ": " + head.textContent.trim(), units, [...new Set(figures.map((f) => (f[1] || "").length))]];
  });
})
"""


def test_small_values_are_told_apart_where_it_matters() -> None:
    column = number_column([151_000.0, 18.0, None], "en", power=True, fine=True)
    assert (column.unit, column.live, column.words(151_000.0), column.words(18.0)) == ("kW", "1000 2", "151.00", "0.02")
    assert number_column([151_000.0], "en", power=True).words(151_000.0) == "151.0"


@pytest.mark.slow
def test_every_column_has_one_unit_and_one_number_of_places(mill: Mill, browser: Browser) -> None:
    """Found by looking at each page: shares and newest values in kW and W, energies with two places and with none."""
    wrong: list[str] = []
    with opened(browser, f"{mill.address}/login") as page:
        log_in(page, mill.address, "look", PASSWORD)
        for address in PAGES:
            page.goto(f"{mill.address}/{address}")
            for head, units, places in page.evaluate(_COLUMNS, list(MIXED_BY_NATURE)):
                if len(units) > 1 or len(places) > 1:
                    wrong.append(f"{address}: {head}: {units} {places}")
    assert wrong == []


@pytest.mark.slow
def test_a_share_that_goes_on_keeps_the_unit_of_its_column(mill: Mill, browser: Browser) -> None:
    with opened(browser, f"{mill.address}/pv") as page:
        share = page.locator("[data-share][data-column]").first
        expect(page.locator("[data-line]")).to_contain_text("live")
        page.evaluate("one => { one.textContent = ''; }", share.element_handle())
        expect(share).not_to_have_text("", timeout=20_000)
        assert share.inner_text().replace(".", "").replace(",", "").isdigit(), share.inner_text()
        assert "kW" in page.locator("section[aria-labelledby=shares] thead").inner_text()
