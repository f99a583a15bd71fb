"""Page "find": asked in a browser as a person would."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.pages.search import MOST, view
from meterd.core.model.plan import Point, Role
from tests.adapters.web.browser import PHONE, accessibility_faults, opened, overflows
from tests.adapters.web.conftest import Mill
from tests.adapters.web.request_contexts import SITE, context_of, shot


def test_more_than_a_page_holds_is_counted(tmp_path: Path) -> None:
    """A row of 120 cabinets shows what is read and says how many more there are; an empty question shows nothing."""
    cabinets = tuple(Point(f"cabinet-{n:03}", "north", Role.FEEDER) for n in range(120))
    context = context_of(tmp_path / "s.sqlite", [], site=replace(SITE, points=(*SITE.points, *cabinets)))
    answer = view(context, Viewer(), shot(context), "cabinet")
    assert (len(answer.hits), answer.more) == (MOST, 120 - MOST)
    assert [view(context, Viewer(), shot(context), q).hits[0].name for q in ("Cabinet 7", "cabinet119")] == [
        "cabinet-007",
        "cabinet-119",
    ]
    assert view(context, Viewer(), shot(context), "  ").hits == []


@pytest.mark.slow
def test_a_removed_meter_is_found_by_its_serial_and_leads_to_its_point(mill: Mill, browser: Browser) -> None:
    """Typed without hyphen; the answer says from when until when it was fitted."""
    with opened(browser, f"{mill.address}/find") as page:
        page.fill("input[name=q]", "hm1023")
        page.keyboard.press("Enter")
        hit = page.locator(".hits li").first
        # the mill stands where it is day now, so the moment of the exchange has one of two dates
        expect(hit).to_contain_text(
            re.compile("serial number HM-1023, fitted from Tue, 2 May 2023 until (Tue, 16|Wed, 17) Sept 2025")
        )
        hit.locator("a").click()
        expect(page.locator("h1")).to_have_text("What is Climbing hall?")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("asked", "name", "words"),
    [
        ("Fridge Hall", "cold-store", "former name fridge-hall"),
        ("energy/harrow-mill/point/studio-07/power", "studio-07", "name "),
        ("mill/pulses/yard-light", "yard-light", "topic or address"),
        ("gate house", "offices", "place Gate house"),
        ("north", "north", "name "),
    ],
)
def test_whatever_is_in_hand_finds_it(mill: Mill, browser: Browser, asked: str, name: str, words: str) -> None:
    """Former name, topic, place, board."""
    with opened(browser, f"{mill.address}/find?q={asked}") as page:
        hit = page.locator(".hits li").first
        expect(hit.locator("a + small")).to_have_text(name)  # behind the title, which is the link
        expect(hit).to_contain_text(words)


@pytest.mark.slow
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off, with many hits and with none; in German on a phone."""
    with opened(browser, f"{mill.address}/find?q=studio", size=PHONE, language="de-AT") as page:
        expect(page.locator("h1")).to_have_text("Wo ist es?")
        expect(page.locator(".hits li")).to_have_count(MOST)
        assert accessibility_faults(page) == []
        assert not overflows(page)
        page.goto(f"{mill.address}/find?q=einhorn")
        expect(page.locator("#found")).to_have_text("Keine Treffer für „einhorn“.")
        assert accessibility_faults(page) == []
