"""The first page: the course of today from stored intervals, the running interval against the contract, rows of equal points."""

from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.web.pages.today import LINES, running_bar, today_curve, today_picture
from meterd.adapters.web.pictures import Reader
from tests.adapters.web.browser import PHONE, accessibility_faults, log_in, opened
from tests.adapters.web.conftest import PASSWORD, Mill
from tests.adapters.web.request_contexts import BEGIN, HOURS, MINUTE, context_of, shot, steady


def test_the_course_of_today_is_that_of_the_meters(tmp_path: Path) -> None:
    """The feed of a site without PV is its load; what was before the first reading and what is to come is not there."""
    context = context_of(
        tmp_path / "s.sqlite", [*steady("t1", 8_000.0), *steady("q01", 5_000.0), *steady("q02", 3_000.0)]
    )
    now_ms = shot(context).now_ms
    with context.backend.reader() as reads:
        curve = today_curve(reads, context.backend.site, context.zone(), now_ms)
        assert today_curve(reads, context.backend.site, context.zone(), now_ms + 2 * 86_400_000) is None
    assert curve is not None
    first = curve.edges.index(BEGIN)
    assert len(curve.edges) == 97
    assert curve.load[first : first + 4 * HOURS] == [8_000] * 4 * HOURS
    assert curve.feed == curve.load
    assert {*curve.load[:first], *curve.load[first + 4 * HOURS :], *curve.production, *curve.before} == {None}
    assert curve.until_ms == BEGIN + HOURS * 60 * MINUTE
    drawn = today_picture(curve, Reader("de", ZoneInfo("Europe/Vienna")))
    assert drawn is not None
    assert [text for _, _, text in drawn[1]] == ["Netz (unter null: Rückspeisung)", "Last der Anlage"]
    assert LINES[drawn[1][1][1]] == "load"


def test_the_bar_holds_contract_and_projection() -> None:
    """Whichever is larger; without a contract, or before anything is known, there is none."""
    bar = running_bar(20_000, 55_000, 50_000)
    assert bar is not None
    assert (round(bar.full_w), round(bar.projected * bar.full_w), round(bar.contract * bar.full_w)) == (
        60_500,
        55_000,
        50_000,
    )
    assert running_bar(None, 1.0, 50_000) is None
    assert running_bar(1.0, 1.0, None) is None


@pytest.mark.slow
def test_the_first_page_shows_today(mill: Mill, browser: Browser) -> None:
    """Both figures are there, by word and arrow it is said which way the energy flows, and the detail is one click away."""
    view = httpx.get(f"{mill.address}/api/now", timeout=20).json()
    assert sum(v is not None for v in view["today"]["before"]) == 96
    with opened(browser, f"{mill.address}/now", size=PHONE) as page:
        expect(page.locator("#today-plot-narrow")).to_be_visible()
        expect(page.locator("[data-way=draw]")).to_contain_text("port")
        expect(page.locator("svg.bar")).to_be_visible()
        page.click("text=Today in detail")
        expect(page.locator(".ranking")).to_contain_text("Consumption of the site")


@pytest.mark.slow
def test_a_row_of_equal_points_is_one_line(mill: Mill, browser: Browser) -> None:
    """Studios of which nothing is to be said; the one that is being rebuilt stands for itself."""
    with opened(browser, f"{mill.address}/point") as page:
        expect(page.locator("details.row").first).to_contain_text("restricted")
        assert page.locator("tbody th:has-text('Studio 48')").count() == 1
        assert page.locator("tbody th:has-text('Studio 11')").count() == 0
        log_in(page, mill.address, "look", PASSWORD)
        page.goto(f"{mill.address}/point")
        row = page.locator("details.row").first
        expect(row).to_contain_text("nothing special")
        row.locator("summary").click()
        row.locator("a").first.click()
        expect(page.locator("h1")).to_contain_text("Studio")
        assert accessibility_faults(page) == []
