"""A wall turns over the pages of the plan by itself, without navigation, and shows no more than its viewer may see."""

from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.web.registry import PAGES
from meterd.core.model.plan import WALL_PAGES
from tests.adapters.web.browser import accessibility_faults, opened, overflows
from tests.adapters.web.conftest import Mill
from tests.adapters.web.web_backends import serving

SCREEN = (1920, 1080)


def test_every_page_for_a_wall_exists() -> None:
    """And needs no role of its own."""
    assert set(WALL_PAGES) <= {page.key for page in PAGES if page.listed and page.role == "open"}


PAGES_OF_IT = ("now", "energy?range=all&picture=lines")


@pytest.mark.slow
def test_a_wall_turns_over_its_pages(tmp_path: Path, browser: Browser) -> None:
    """From the first to the last and to the first again, without anybody."""
    with (
        serving(tmp_path / "s.sqlite", wall=PAGES_OF_IT, wall_s=2) as address,
        opened(browser, f"{address}/wall", size=SCREEN) as page,
    ):
        page.wait_for_url("**/energy?range=all&picture=lines&wall=1")
        page.wait_for_url("**/now?wall=0")


@pytest.mark.slow
def test_a_wall_has_nothing_to_be_operated(tmp_path: Path, browser: Browser) -> None:
    """Nothing is cut off, and all stands on one screen."""
    with (
        serving(tmp_path / "s.sqlite", wall=PAGES_OF_IT, wall_s=600) as address,
        opened(browser, f"{address}/wall", size=SCREEN) as page,
    ):
        for number in range(len(PAGES_OF_IT)):
            page.goto(f"{address}/wall?n={number}")
            assert page.locator("nav, header").count() == 0
            assert accessibility_faults(page) == []
            assert not overflows(page)
            assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")
        expect(page.locator(".ranking")).to_be_visible()
        expect(page.locator(".chips").first).to_be_hidden()


@pytest.mark.slow
def test_the_ranking_on_a_wall_stands_beside_its_picture(mill: Mill, browser: Browser) -> None:
    """Found by looking: tiles in two rows pushed the picture into the second column, and two rows of the ranking were left."""
    with opened(browser, f"{mill.address}/wall?n=1", size=SCREEN) as page:
        expect(page.locator(".ranking.measured")).to_be_visible()
        boxes = [page.locator(name).bounding_box() for name in (".picture.broad", ".ranking")]
        assert all(boxes)
        assert boxes[0]["x"] + boxes[0]["width"] <= boxes[1]["x"]  # type: ignore[index]
        assert page.locator(".ranking tbody tr:visible").count() >= 10


@pytest.mark.slow
def test_a_wall_behind_a_login_shows_nothing(tmp_path: Path) -> None:
    """Whoever may not see a page does not see it on a wall."""
    with serving(tmp_path / "s.sqlite", open=False) as address:
        answer = httpx.get(f"{address}/wall", follow_redirects=True)
        assert "/login" in str(answer.url)
        assert httpx.get(f"{address}/now?wall=0").status_code == 303


@pytest.mark.slow
@pytest.mark.parametrize("board", ["north", "south"])
def test_the_drawing_on_a_wall_can_be_read(mill: Mill, browser: Browser, board: str) -> None:
    """Found by looking: its letters were half as high as on a desk, above and beside it the screen was empty."""
    with opened(browser, f"{mill.address}/balance?board={board}&wall=0", size=SCREEN) as page:
        scale = page.evaluate("""
          () => {
            const drawn = document.querySelector("svg.single-line"), box = drawn.getBoundingClientRect();
            return Math.min(box.width / drawn.viewBox.baseVal.width, box.height / drawn.viewBox.baseVal.height);
          }""")
        assert scale * 12 >= 13
        assert page.evaluate("document.documentElement.scrollHeight <= innerHeight")


@pytest.mark.slow
@pytest.mark.parametrize("address", ["energy?range=month&picture=cost&each=true", "data", "commissioning"])
def test_no_column_is_cut_off_on_a_wall(mill: Mill, browser: Browser, address: str) -> None:
    """Found by looking: the last column of two tables was torn in the middle."""
    with opened(browser, f"{mill.address}/{address}{'&' if '?' in address else '?'}wall=0", size=SCREEN) as page:
        cut = page.evaluate("""
          () => [...document.querySelectorAll(".wide")].filter((one) => one.getBoundingClientRect().left < innerWidth)
            .filter((one) => one.scrollWidth > one.clientWidth + 1).map((one) => one.getAttribute("aria-labelledby"))""")
        assert cut == []
        table = page.locator("main table").first.bounding_box()
        assert table is not None
        assert table["x"] < SCREEN[0]
        assert page.locator("section:visible > h2:visible:last-child").count() == 0, "a heading with nothing below it"


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "de"])
def test_the_month_of_pv_is_not_cut_off_on_a_wall(tmp_path: Path, browser: Browser, language: str) -> None:
    """Found by looking: of the last column two letters were left."""
    with (
        serving(tmp_path / "s.sqlite", wall=("pv",)) as address,
        opened(browser, f"{address}/pv?wall=0", size=SCREEN, language=language) as page,
    ):
        table = page.locator(".wide[aria-labelledby=netting]")
        box = table.bounding_box()
        assert box is not None
        assert box["x"] < SCREEN[0]
        assert table.evaluate("one => one.scrollWidth - one.clientWidth") <= 1
