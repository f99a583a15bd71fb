"""The picture of the energy flow in a browser: whole on a laptop and on a large screen."""

import pytest
from playwright.sync_api import Browser, expect

from tests.adapters.web.browser import opened
from tests.adapters.web.conftest import Mill

pytestmark = pytest.mark.slow


def test_energy_flow_is_whole_in_the_window_of_a_laptop(mill: Mill, browser: Browser) -> None:
    """Nothing of its words has to be scrolled to."""
    with opened(browser, f"{mill.address}/energy?range=yesterday&picture=flow") as page:
        region = page.locator(".wide.drawing")
        room, words = region.bounding_box(), page.locator("svg.flow text").all()
        assert room is not None
        assert len(words) > 10
        boxes = [box for word in words if (box := word.bounding_box()) is not None]
        assert max(box["x"] + box["width"] for box in boxes) <= room["x"] + room["width"]
        assert min(box["x"] for box in boxes) >= room["x"]


def test_an_energy_flow_fits_a_large_screen(mill: Mill, browser: Browser) -> None:
    """Found by looking: measured in letters it grew with them, and the last figure at the right was cut off."""
    with opened(browser, f"{mill.address}/energy?range=week&picture=flow", size=(1920, 1080), language="de-AT") as page:
        region = page.locator(".wide.drawing")
        expect(region.locator("svg.flow")).to_be_visible()
        assert region.evaluate("one => one.scrollWidth <= one.clientWidth")
