"""The pages by the keyboard alone: every control is reached, in the order in which it stands, is seen, and the way ends."""

import json
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from meterd.adapters.web.registry import PAGES
from tests.adapters.web.browser import DESK, PHONE, log_in, opened
from tests.adapters.web.conftest import PASSWORD, Mill

pytestmark = pytest.mark.slow
MORE = (
    "energy?picture=flow", "energy?picture=heat", "energy?picture=cost&range=month", "point?point=cold-store", "find?q=studio",
    "findings?show=all", "login",
)  # fmt: skip
CONTROLS = """() => [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex]")]
    .filter((one) => one.type !== "hidden").filter((one) => one.checkVisibility() && !one.disabled && one.tabIndex >= 0).length"""
HERE = """() => {
    const one = document.activeElement;
    if (!one || one === document.body) return null;
    const box = one.getBoundingClientRect(), look = getComputedStyle(one);
    return {
        place: [...document.querySelectorAll("*")].indexOf(one),
        name: (one.textContent || one.name).trim().slice(0, 40),
        seen: box.width > 0 && box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth,
        marked: look.outlineStyle !== "none" && parseFloat(look.outlineWidth) >= 2,
    };
}"""


def way(page: Page) -> list[dict[str, Any]]:
    """Every place that Tab leads to until the page is left; fails where it does not end."""
    places: list[dict[str, Any]] = []
    most = page.evaluate(CONTROLS) + 5
    for _ in range(most):
        page.keyboard.press("Tab")
        here = page.evaluate(HERE)
        if here is None:
            return places
        places.append(here)
    raise AssertionError(f"{page.url}: the way does not end after {most} keys; last {places[-3:]}")


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_every_control_is_reached_in_its_order_and_seen(mill: Mill, browser: Browser, size: tuple[int, int]) -> None:
    """Found once on the page of the demand: the way began anew before its end."""
    faults: list[str] = []
    with opened(browser, f"{mill.address}/login", size=size) as page:
        log_in(page, mill.address, "change", PASSWORD)
        for address in (*(entry.path.lstrip("/") for entry in PAGES if entry.listed), *MORE):
            page.goto(f"{mill.address}/{address}")
            controls, places = page.evaluate(CONTROLS), way(page)
            order = [place["place"] for place in places]
            faults += [f"{address}: {len(places)} of {controls} reached"] if len(places) != controls else []
            faults += [f"{address}: {order}"] if order != sorted(set(order)) else []
            faults += [f"{address}: not to be seen: {p['name']}" for p in places if not (p["seen"] and p["marked"])]
            faults += [] if "skip" in places[0]["name"].lower() else [f"{address}: begins with {places[0]['name']}"]
    assert faults == []


def test_the_skip_link_leads_to_the_answer(mill: Mill, browser: Browser) -> None:
    """The next key is the first control behind the menu."""
    with opened(browser, f"{mill.address}/energy") as page:
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        assert page.evaluate("document.querySelector('main').contains(document.activeElement)")
        assert page.evaluate("!document.activeElement.closest('nav')")


def test_who_reads_goes_on_from_the_same_link_when_the_page_is_asked_for_again(mill: Mill, browser: Browser) -> None:
    """Found by reading the page of the demand for longer than twenty seconds: the next key began at the top."""
    with opened(browser, f"{mill.address}/demand") as page:
        state = json.loads(page.locator("main").get_attribute("data-watch") or "{}")
        assert state, "the page follows something"
        later = {"at": 0, "power": {}, "shares": {}, "state": {key: f"{value} later" for key, value in state.items()}}
        body = f"event: now\ndata: {json.dumps(later)}\n\n"
        page.route("**/stream", lambda route: route.fulfill(content_type="text/event-stream", body=body))
        page.reload()
        link = page.locator("section[aria-labelledby=uses] a", has_text="Cold store").first
        link.evaluate("one => { one.focus(); window.before = true; }")
        page.wait_for_function("() => !window.before", timeout=40_000)
        expect(link).to_be_focused()
