"""Sheet "commissioning", looked at in a browser: what is missing, and a switch test from beginning to verdict."""

import re

import pytest
from playwright.sync_api import Browser, expect

from tests.page.conftest import PASSWORD, Mill
from tests.page.look import DESK, PHONE, accessibility_faults, log_in, opened, overflows

pytestmark = pytest.mark.slow


def test_it_lists_what_is_not_in_service_and_compares_rooms_after_login(mill: Mill, browser: Browser) -> None:
    """Studio 48 is being rebuilt; single rooms are compared for those who may see them."""
    with opened(browser, f"{mill.address}/commissioning") as page:
        expect(page.locator("section[aria-labelledby=rows]")).to_contain_text("after login")
        expect(page.locator("main")).not_to_contain_text("Studio 48")
        log_in(page, mill.address, "look", PASSWORD)
        page.goto(f"{mill.address}/commissioning")
        expect(page.locator("section[aria-labelledby=points]")).to_contain_text("Studio 48")
        expect(page.locator("section[aria-labelledby=rows]")).to_contain_text("24 of 24 rooms")
        expect(page.locator("select[name=point]")).to_have_count(0)


def test_a_switch_test_says_that_nothing_went_out(mill: Mill, browser: Browser) -> None:
    """Nobody opens a breaker of the simulated mill: with fresh values the sheet says by itself that it did not go out.

    Another load may happen to switch off in that minute; the sheet then names it, never the point that goes on.
    """
    with opened(browser, f"{mill.address}/login") as page:
        log_in(page, mill.address, "acknowledge", PASSWORD)
        page.goto(f"{mill.address}/commissioning")
        page.select_option("select[name=point]", "server-room")
        page.click("section[aria-labelledby=test] form button")
        result = page.locator("section[aria-labelledby=test] .answer")
        expect(result).to_contain_text("server-room")
        expect(result).to_contain_text(re.compile("Nothing went out|Wrong: (?!.*server-room)"), timeout=90_000)


@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESK, False)], ids=["phone at night", "desk"])
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser, size: tuple[int, int], dark: bool) -> None:
    """axe-core finds nothing, and nothing is cut off; in German too."""
    with opened(browser, f"{mill.address}/login", size=size, dark=dark, language="de") as page:
        log_in(page, mill.address, "acknowledge", PASSWORD)
        page.goto(f"{mill.address}/commissioning")
        expect(page.locator("h1")).to_contain_text("in Betrieb")
        assert accessibility_faults(page) == []
        assert not overflows(page)
