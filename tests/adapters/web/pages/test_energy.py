"""Sheet "energy": a question answered in two clicks, with and without scripts."""

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.adapters.web.browser import opened, overflows
from tests.adapters.web.conftest import Mill

pytestmark = pytest.mark.slow


def ask(mill: Mill, query: str, *, code: int = 200) -> dict[str, object]:
    """The values of the page."""
    answer = httpx.get(f"{mill.address}/api/energy?{query}", timeout=30)
    assert answer.status_code == code, answer.text[:300]
    result: dict[str, object] = answer.json()
    return result


def test_which_feeder_used_most_last_week_takes_two_clicks(mill: Mill, browser: Browser) -> None:
    """Energy, then last week: the first row of the ranking is the answer, with the week before beside it."""
    with opened(browser, f"{mill.address}/now") as page:
        page.click("nav a[href='/energy']")
        page.click("text=Last week")
        rows = page.locator(".ranking tbody tr")
        first = rows.first.locator("td").first.inner_text()
        energies = [row for row in ask_rows(page) if row is not None]
        assert energies == sorted(energies, reverse=True)
        assert float(first.replace(",", "")) == energies[0]
        expect(page.locator(".ranking thead")).to_contain_text("Before")


def ask_rows(page: Page) -> list[float | None]:
    """The energies of the ranking as they are shown; None = missing."""
    cells = page.locator(".ranking tbody tr td:nth-of-type(1)").all_inner_texts()
    return [None if "missing" in cell else float(cell.split()[0].replace(",", "")) for cell in cells]


def test_it_works_without_scripts(mill: Mill, browser: Browser) -> None:
    """Choices are links and forms, figures are in a table."""
    context = browser.new_context(java_script_enabled=False, locale="en-GB")
    page = context.new_page()
    page.goto(f"{mill.address}/energy")
    page.click("text=Yesterday")
    page.click("text=All figures as a table")
    assert page.locator("section[aria-labelledby=figures] tbody tr").count() == 96
    page.click("summary:has-text('From – to')")
    page.fill("input[name=from]", "2026-01-01")
    page.select_option("select[name=against]", "none")
    page.click("details[open] button")
    assert "from=2026-01-01" in page.url
    context.close()


def test_on_paper_the_charts_are_those_of_a_desk(mill: Mill, browser: Browser) -> None:
    """A sheet of A4 is as narrow as a phone; found by hand: huge letters, and a column of the ranking cut off."""
    with opened(browser, f"{mill.address}/energy?range=yesterday", size=(718, 1000), dark=True) as page:
        page.emulate_media(media="print")
        expect(page.locator(".picture.broad")).to_be_visible()
        expect(page.locator(".picture.narrow")).to_be_hidden()
        assert not overflows(page)
        assert page.evaluate("document.querySelector('.ranking').offsetWidth <= 718")
        page.emulate_media(media="screen")


def test_on_a_wall_the_ranking_ends_early_and_says_so(mill: Mill, browser: Browser) -> None:
    """It stands on the screen, below the picture; the page itself has all rows."""
    with opened(browser, f"{mill.address}/energy?range=week&wall=0", size=(1920, 1080)) as page:
        box = page.locator("section[aria-labelledby=ranking]").bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= 1920
        assert box["y"] + box["height"] <= 1080
        assert 5 <= page.locator(".ranking tbody tr:visible").count() <= 16  # as many as there is room for
        more = "getComputedStyle(document.querySelector('.wide:has(.ranking)'), '::after').content"
        assert page.evaluate(more) == '"More rows stand on the page itself."'
    with opened(browser, f"{mill.address}/energy?range=week") as page:
        assert page.locator(".ranking tbody tr").count() > 16
        assert page.evaluate(more) in ("none", "normal")
