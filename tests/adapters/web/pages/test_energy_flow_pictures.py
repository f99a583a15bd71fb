"""The picture of the energy flow in a browser: whole on a laptop and on a large screen."""

import pytest
from playwright.sync_api import Browser, expect

from tests.adapters.web.browser import PHONE, opened, overflows
from tests.adapters.web.conftest import Mill

pytestmark = pytest.mark.slow


def test_energy_flow_is_whole_in_the_window_of_a_laptop(mill: Mill, browser: Browser) -> None:
    """Nothing of its words has to be scrolled to."""
    with opened(browser, f"{mill.address}/energy?range=yesterday&picture=flow") as page:
        region = page.locator(".wide.drawing")
        room, texts = region.bounding_box(), page.locator("svg.flow text").all()
        assert room is not None
        assert len(texts) > 10
        boxes = [box for word in texts if (box := word.bounding_box()) is not None]
        assert max(box["x"] + box["width"] for box in boxes) <= room["x"] + room["width"]
        assert min(box["x"] for box in boxes) >= room["x"]


def test_an_energy_flow_fits_a_large_screen(mill: Mill, browser: Browser) -> None:
    """Found by looking: measured in letters it grew with them, and the last figure at the right was cut off."""
    with opened(browser, f"{mill.address}/energy?range=week&picture=flow", size=(1920, 1080), language="de-AT") as page:
        region = page.locator(".wide.drawing")
        expect(region.locator("svg.flow")).to_be_visible()
        assert region.evaluate("one => one.scrollWidth <= one.clientWidth")


@pytest.mark.parametrize(("picture", "range_"), [("flow", "last-week"), ("heat", "all"), ("heat", "yesterday")])
def test_on_a_phone_nothing_scrolls_sideways(mill: Mill, browser: Browser, picture: str, range_: str) -> None:
    """Found on a phone: flow and map were wider than the screen. They have a form of their own there, with all words apart."""
    address = f"{mill.address}/energy?range={range_}&picture={picture}"
    with opened(browser, address, size=PHONE, language="de-DE") as page:
        drawing = page.locator("section[aria-labelledby=picture] svg.picture").locator("visible=true")
        expect(drawing).to_have_count(1)
        box = drawing.bounding_box()
        assert box is not None
        assert 0 <= box["x"] < box["x"] + box["width"] <= PHONE[0]
        assert not overflows(page)
        wide = "found => found.filter(one => one.scrollWidth > one.clientWidth + 1).length"
        assert page.eval_on_selector_all("section[aria-labelledby=picture] :is(.plot, .drawing)", wide) == 0
        boxes = [own for word in drawing.locator("text").all() if (own := word.bounding_box()) is not None]
        assert len(boxes) > 4
        assert [own for own in boxes if own["x"] < box["x"] - 1 or own["x"] + own["width"] > PHONE[0]] == []
        for i, item in enumerate(boxes):
            for other in boxes[i + 1 :]:
                apart = item["x"] + item["width"] <= other["x"] or other["x"] + other["width"] <= item["x"]
                assert apart or abs(item["y"] - other["y"]) > 8, (item, other)


def test_the_bars_of_a_phone_hold_every_band(mill: Mill, browser: Browser) -> None:
    """The largest feeder has the longest bar of the feeders of its board; the energies are those of the table below."""
    with opened(browser, f"{mill.address}/energy?range=last-week&picture=flow", size=PHONE) as page:
        rows = page.locator("svg.flow-bars rect.load").evaluate_all(
            "found => found.map(one => one.width.baseVal.value)"
        )
        assert len(rows) > 20
        text = page.locator("svg.flow-bars text").all_text_contents()
        assert {"from Photovoltaics, mill hall 100 kW", "to Cold store"} <= set(text)
        assert max(rows) > 5 * min(rows)
