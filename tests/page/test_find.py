"""Sheet "find": asked in a browser as a person would."""

import pytest
from playwright.sync_api import Browser, expect

from meterd.page import Viewer
from meterd.page.find import MOST, look
from tests.page.conftest import Mill
from tests.page.look import PHONE, accessibility_faults, opened, overflows
from tests.page.offices import office, shot


def test_more_than_a_sheet_holds_is_counted(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A question that fits everything shows what is read and says how much more there is; an empty one shows nothing."""
    found = office(tmp_path_factory.mktemp("find") / "s.sqlite", [])
    view = look(found, Viewer(), shot(found), "o")
    assert len(view.hits) <= MOST
    assert view.more == 0
    assert {hit.name for hit in view.hits} >= {"q01"}
    assert look(found, Viewer(), shot(found), "  ").hits == []


@pytest.mark.slow
def test_a_removed_meter_is_found_by_its_serial_and_leads_to_its_point(mill: Mill, browser: Browser) -> None:
    """Typed without hyphen; the answer says from when until when it was fitted."""
    with opened(browser, f"{mill.address}/find") as page:
        page.fill("input[name=q]", "hm1023")
        page.keyboard.press("Enter")
        hit = page.locator(".hits li").first
        expect(hit).to_contain_text("serial number HM-1023, fitted from Tue, 2 May 2023 until Wed, 17 Sept 2025")
        hit.locator("a").click()
        expect(page.locator("h1")).to_have_text("What is climbing-hall?")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("asked", "name", "words"),
    [
        ("Fridge Hall", "cold-store", "former name fridge-hall"),
        ("energy/harrow-mill/point/studio-07/power", "studio-07", "by its name"),
        ("mill/pulses/yard-light", "yard-light", "topic or address"),
        ("gate house", "offices", "place Gate house"),
        ("north", "north", "by its name"),
    ],
)
def test_whatever_is_in_hand_finds_it(mill: Mill, browser: Browser, asked: str, name: str, words: str) -> None:
    """Former name, topic, place, board."""
    with opened(browser, f"{mill.address}/find?q={asked}") as page:
        hit = page.locator(".hits li").first
        expect(hit.locator("a")).to_have_text(name)
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
        expect(page.locator("#found")).to_have_text("Nichts heißt „einhorn“.")
        assert accessibility_faults(page) == []
