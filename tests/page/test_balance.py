"""Sheet "balance", looked at in a browser with a reversed current transformer planted in a feeder of the north board."""

import httpx
import pytest
from playwright.sync_api import Browser, expect

from tests.page.conftest import Mill
from tests.page.look import DESK, PHONE, accessibility_faults, opened, overflows

pytestmark = pytest.mark.slow


def test_the_gap_of_the_planted_fault_is_where_a_person_looks(mill: Mill, browser: Browser) -> None:
    """The north board cannot be said while a meter is silent; the south board is all right; the day before was inside."""
    with opened(browser, f"{mill.address}/balance?board=south") as page:
        expect(page.locator(".answer .big")).to_contain_text("Yes")
        page.select_option("select[name=board]", "north")
        page.select_option("select[name=period]", "day")
        page.click("form.choice button")
        expect(page.locator(".answer .big")).to_contain_text("Yes")
        expect(page.locator("section[aria-labelledby=suspects]")).to_contain_text("five minutes")


def test_the_diagram_shows_every_point_with_its_energy(mill: Mill, browser: Browser) -> None:
    """An SVG with a name; as many meters as the table has rows; the same energies."""
    with opened(browser, f"{mill.address}/balance?board=north&period=day") as page:
        svg = page.locator("svg.single-line")
        expect(svg).to_be_visible()
        rows = page.locator("section[aria-labelledby=branches] tbody tr")
        assert svg.locator("use[href='#s-meter']").count() == rows.count()
        drawn = {words.strip() for words in svg.locator("text.energy").all_text_contents()}
        listed = {words.removeprefix("-") for words in rows.locator("td.n .figure").all_inner_texts()}
        assert drawn == listed


def test_one_can_walk_through_time(mill: Mill, browser: Browser) -> None:
    """Earlier and later lead from day to day and back."""
    with opened(browser, f"{mill.address}/balance?period=day") as page:
        first = page.locator(".answer .small").inner_text()
        page.click("a[rel=prev]")
        expect(page.locator(".answer .small")).not_to_have_text(first)
        page.click("a[rel=next]")
        expect(page.locator(".answer .small")).to_have_text(first)


@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESK, False)], ids=["phone at night", "desk"])
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser, size: tuple[int, int], dark: bool) -> None:
    """axe-core finds nothing, and nothing is cut off; in German too."""
    with opened(browser, f"{mill.address}/balance?period=day", size=size, dark=dark, language="de") as page:
        expect(page.locator("h1")).to_contain_text("Abgänge")
        assert accessibility_faults(page) == []
        assert not overflows(page)


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("board=nowhere", 404), ("period=week", 422), ("at=yesterday", 422), ("at=2026-02-30", 422), ("at=99999999999999", 422),
        ("period=month&at=1971-01", 200), ("at=0", 200),
    ],
)  # fmt: skip
def test_questions_that_cannot_be_are_refused(mill: Mill, query: str, code: int) -> None:
    """With words; a time before everything has no gap, not a wrong one."""
    answer = httpx.get(f"{mill.address}/api/balance?{query}", timeout=20)
    assert answer.status_code == code, answer.text
    if code == 200:
        assert answer.json()["gap"] is None
