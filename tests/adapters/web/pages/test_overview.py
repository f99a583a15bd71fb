"""Page "now", looked at in a browser while the demo runs with planted faults."""

import json

import pytest
from playwright.sync_api import Browser, expect

from tests.adapters.web.browser import DESK, PHONE, WALL, log_in, opened, unreadable
from tests.adapters.web.conftest import PASSWORD, Mill

pytestmark = pytest.mark.slow


def test_the_planted_fault_is_what_to_look_at_first(mill: Mill, browser: Browser) -> None:
    """A silent meter is reported within minutes; the page says one thing first and what to do."""
    with opened(browser, f"{mill.address}/now") as page:
        expect(page.locator("h1")).to_have_text("Is everything all right?")
        expect(page.locator(".answer")).to_contain_text("open finding", timeout=60_000)
        expect(page.locator(".finding .remedy").first).to_contain_text("What to do")


def test_figures_go_on_by_themselves(mill: Mill, browser: Browser) -> None:
    """The clock of the page moves without a reload, and the line says that it is alive."""
    with opened(browser, f"{mill.address}/now") as page:
        expect(page.locator("[data-line]")).to_contain_text("live")
        before = page.locator("[data-clock]").inner_text()
        expect(page.locator("[data-clock]")).not_to_have_text(before, timeout=20_000)


def test_a_value_that_is_gone_does_not_stand_there_any_longer(mill: Mill, browser: Browser) -> None:
    """Found by reading the script: a power that became invalid kept its last figure, and looked true."""
    with opened(browser, f"{mill.address}/now") as page:
        draw = page.locator('[data-power="draw"]')
        expect(draw).to_contain_text("W")
        state = json.loads(page.locator("main").get_attribute("data-watch") or "{}")
        gone = json.dumps({"at": 0, "power": {"draw": None}, "shares": {}, "state": state})
        page.route(
            "**/stream",
            lambda route: route.fulfill(content_type="text/event-stream", body=f"event: now\ndata: {gone}\n\n"),
        )
        page.reload()
        expect(draw).to_have_text("missing")
        expect(draw).to_have_class("figure missing")


def test_a_page_is_asked_for_again_when_its_answer_rests_on_something_new(mill: Mill, browser: Browser) -> None:
    """Found by reading the script: on an open display the boards of the last interval stood there for ever."""
    with opened(browser, f"{mill.address}/now") as page:
        state = json.loads(page.locator("main").get_attribute("data-watch") or "{}")
        assert set(state) == {"finding_set", "closed", "heard", "look"}
        later = {"at": 0, "power": {}, "shares": {}, "state": {**state, "closed": state["closed"] + 900_000}}
        page.route(
            "**/stream",
            lambda route: route.fulfill(
                content_type="text/event-stream", body=f"event: now\ndata: {json.dumps(later)}\n\n"
            ),
        )
        page.reload()
        page.evaluate("() => { window.before = true; }")
        page.wait_for_function("() => !window.before", timeout=20_000)


def test_it_is_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off, on a phone, a desk and a wall, by day and by night."""
    with opened(browser, f"{mill.address}/now") as page:
        assert unreadable(page, at_night=DESK, by_day=PHONE) == []
        assert unreadable(page, at_night=PHONE, by_day=WALL) == []


def test_german_readers_get_german(mill: Mill, browser: Browser) -> None:
    """The language of the browser decides, and the button changes it."""
    with opened(browser, f"{mill.address}/now", language="de-AT") as page:
        expect(page.locator("h1")).to_have_text("Ist alles in Ordnung?")
        page.click("button[lang=en]")
        expect(page.locator("h1")).to_have_text("Is everything all right?")


def test_log_in_and_out(mill: Mill, browser: Browser) -> None:
    """The right password shows the name and role; after leaving the door is shut."""
    with opened(browser, f"{mill.address}/login") as page:
        log_in(page, mill.address, "look", PASSWORD)
        expect(page.locator(".who")).to_have_text("look: look")
        page.click(".doors form:nth-of-type(2) button")
        expect(page.locator(".who")).to_have_count(0)
