"""Page "find": asked in a browser as a person would."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.pages.search import MOST, view
from meterd.core.model.plan import Copied, Point, Role
from tests.adapters.web.browser import PHONE, accessibility_faults, opened, overflows
from tests.adapters.web.conftest import Mill
from tests.adapters.web.request_contexts import SITE, context_of, shot


def test_rooms_that_were_found_in_another_way_stand_by_themselves(tmp_path: Path) -> None:
    """Six cabinets of one pattern: all alike are one line where the best of them stood; the one asked for by its name is not."""
    cabinets = tuple(Point(f"cabinet-{n}", "north", Role.FEEDER, title=f"Cabinet {n}") for n in range(1, 7))
    copied = (Copied("cabinet", "cabinet-{n}", tuple(point.name for point in cabinets)),)
    site = replace(SITE, points=(*SITE.points, *cabinets), copied=copied)
    context = context_of(tmp_path / "s.sqlite", [], site=site)
    answer = view(context, Viewer(), shot(context), "cabinet")
    assert [(row.pattern, row.hits) for row in answer.rows] == [("cabinet", [0, 1, 2, 3, 4, 5])]
    assert answer.more == 0
    answer = view(context, Viewer(), shot(context), "cabinet 3")
    assert [(row.pattern, [answer.hits[i].name for i in row.hits]) for row in answer.rows] == [("", ["cabinet-3"])]


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
    ("asked", "name", "text"),
    [
        ("Fridge Hall", "cold-store", "former name fridge-hall"),
        ("energy/harrow-mill/point/studio-07/power", "studio-07", "name "),
        ("mill/pulses/yard-light", "yard-light", "topic or address"),
        ("gate house", "offices", "place Gate house"),
        ("north", "north", "name "),
    ],
)
def test_whatever_is_in_hand_finds_it(mill: Mill, browser: Browser, asked: str, name: str, text: str) -> None:
    """Former name, topic, place, board."""
    with opened(browser, f"{mill.address}/find?q={asked}") as page:
        hit = page.locator(".hits li").first
        expect(hit.locator("a + small")).to_have_text(name)  # behind the title, which is the link
        expect(hit).to_contain_text(text)


@pytest.mark.slow
def test_rooms_of_one_pattern_are_one_line_that_opens_by_keyboard(mill: Mill, browser: Browser) -> None:
    """Found by searching "studio": 98 lines. All of them are still there, and each leads to its room."""
    with opened(browser, f"{mill.address}/find?q=studio") as page:
        group = page.locator(".hits details").first
        expect(group.locator("a").first).to_be_hidden()
        group.locator("summary").focus()
        page.keyboard.press("Enter")
        expect(group.locator("a").last).to_be_visible()
        expect(group.locator("a")).to_have_count(48)
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page).to_have_url(re.compile(r"/point\?point=studio-01$"))


@pytest.mark.slow
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off, with many hits and with none; in German on a phone."""
    with opened(browser, f"{mill.address}/find?q=studio", size=PHONE, language="de-AT") as page:
        expect(page.locator("h1")).to_have_text("Wo ist es?")
        groups = page.locator(".hits > li > details")
        expect(groups).to_have_count(2)
        expect(groups.first.locator("summary")).to_have_text("48 × Studio: Messstellen")
        expect(groups.last.locator("summary")).to_have_text("48 × Studio: flexible Lasten")
        assert page.locator(".hits > li").count() < 10, "98 hits were as many lines"
        assert accessibility_faults(page) == []
        assert not overflows(page)
        page.goto(f"{mill.address}/find?q=einhorn")
        expect(page.locator("#found")).to_have_text("Keine Treffer für „einhorn“.")
        assert accessibility_faults(page) == []
