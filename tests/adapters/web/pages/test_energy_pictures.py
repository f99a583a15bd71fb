"""The pictures of the page of energies, looked at in a browser: zoom, reasons, image, for everyone."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect

from tests.adapters.web.browser import DESK, PHONE, WALL, accessibility_faults, look, opened, overflows
from tests.adapters.web.conftest import Mill
from tests.adapters.web.web_backends import serving

pytestmark = pytest.mark.slow
Place = tuple[float, float]
WORDS_OUTSIDE = """() => [...document.querySelectorAll("svg.picture")].flatMap((svg) => {
    const box = svg.getBoundingClientRect();
    return [...svg.querySelectorAll("text")].filter((word) => {
        const own = word.getBoundingClientRect();
        return own.width > 0 && (own.left < box.left - 1 || own.right > box.right + 1);
    }).map((word) => word.textContent);
})"""
PICTURES = ("stacked", "lines", "bars", "duration", "heat", "flow")


def test_zoom_by_drag_and_by_keyboard(mill: Mill, browser: Browser) -> None:
    """Both lead to an address that holds the choice; zooming out leads back to more."""
    with opened(browser, f"{mill.address}/energy?range=yesterday&of=point:cold-store&picture=lines") as page:
        page.locator("#plot-broad").scroll_into_view_if_needed()
        box = page.locator("#plot-broad").bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] * 0.3, box["y"] + 100)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 100, steps=4)
        page.mouse.up()
        page.wait_for_url("**range=span**")
        assert "of=point:cold-store" in page.url
        assert "picture=lines" in page.url
        view = httpx.get(page.url.replace("/energy?", "/api/energy?"), timeout=30).json()
        assert 6 < (view["until_ms"] - view["from_ms"]) / 3_600_000 < 9
        page.focus(".plot")
        page.keyboard.press("ArrowLeft")
        expect(page.locator("output.reading")).to_contain_text("kW")
        before = page.url
        page.keyboard.press("+")
        page.wait_for_url(lambda url: url != before)
        zoomed = page.url
        page.focus(".plot")
        page.keyboard.press("-")
        page.wait_for_url(lambda url: url != zoomed)
        assert "range=span" in page.url


def test_hours_of_which_none_is_known_are_not_too_many(mill: Mill) -> None:
    """Found by looking at a new site: a map of one hour was "at most 400 days"."""
    now_ms = httpx.get(f"{mill.address}/api/now", timeout=30).json()["basis"]["at_ms"]
    span = f"from={now_ms - now_ms % 900_000}&until={now_ms - now_ms % 900_000 + 3_600_000}"
    page = httpx.get(f"{mill.address}/energy?range=span&{span}&picture=heat&of=point:t1", timeout=30).text
    assert "400 days" not in page
    assert "No figure of what is chosen is known in this range." in page


def span_h(page: Page, address: str) -> tuple[float, float]:
    """Begin and length of what the page shows, in hours, the begin counted from what an address shows."""
    here, there = (httpx.get(at.replace("/energy?", "/api/energy?"), timeout=30).json() for at in (page.url, address))
    return (here["from_ms"] - there["from_ms"]) / 3_600_000, (here["until_ms"] - here["from_ms"]) / 3_600_000


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_two_fingers_zoom_in_and_out(mill: Mill, browser: Browser, size: tuple[int, int]) -> None:
    """What lay below each finger lies below it afterwards, also if they move up and down; two fingers never scroll."""
    address = f"{mill.address}/energy?range=yesterday&of=point:cold-store&picture=lines"
    with opened(browser, address, size=size) as page, touch_screen(page) as touch:
        chart = page.locator("#plot-broad" if size is DESK else "#plot-narrow")
        chart.scroll_into_view_if_needed()
        box, edges = (
            chart.bounding_box(),
            chart.evaluate("svg => [+svg.dataset.left, +svg.dataset.right, svg.viewBox.baseVal.width]"),
        )
        assert box is not None
        left, right = (box["x"] + box["width"] * edge / edges[2] for edge in edges[:2])

        def at(hour: float, y: float) -> tuple[float, float]:
            return left + (right - left) * hour / 24, box["y"] + box["height"] * y

        top = page.evaluate("scrollY")
        assert touch([at(9, 0.4), at(15, 0.4)], [at(6, 0.7), at(18, 0.2)]) == top
        page.wait_for_url("**range=span**")
        begin, length = span_h(page, address)
        assert (begin, length) == (pytest.approx(6, abs=0.3), pytest.approx(12, abs=0.3))
        before = page.url
        chart.scroll_into_view_if_needed()
        touch([at(6, 0.5), at(18, 0.5)], [at(9, 0.5), at(15, 0.5)])
        page.wait_for_url(lambda url: url != before)
        begin, length = span_h(page, address)
        assert (begin, length) == (pytest.approx(0, abs=1), pytest.approx(24, abs=1))


@contextmanager
def touch_screen(page: Page) -> Iterator[Callable[[list[Place], list[Place]], float]]:
    """Two fingers that go from two places to two others and are lifted; the answer is how far the page has scrolled."""
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setTouchEmulationEnabled", {"enabled": True, "maxTouchPoints": 2})

    def send(kind: str, places: list[Place]) -> None:
        points = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(places)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def touch(first: list[Place], last: list[Place]) -> float:
        send("touchStart", first[:1])
        send("touchStart", first)
        for step in (0.25, 0.5, 0.75, 1):
            pairs = zip(first, last, strict=True)
            send("touchMove", [(x + (x2 - x) * step, y + (y2 - y) * step) for (x, y), (x2, y2) in pairs])
        scrolled = float(page.evaluate("scrollY"))
        send("touchEnd", [])
        return scrolled

    yield touch
    session.send("Emulation.setTouchEmulationEnabled", {"enabled": False})
    session.detach()


def test_two_feeders_in_one_chart_by_three_clicks(mill: Mill, browser: Browser) -> None:
    """From the first page on: the page of energies, a feeder of the ranking, one more beside it."""
    with opened(browser, f"{mill.address}/now") as page:
        page.locator("nav a", has_text="Energy").click()
        page.locator(".ranking a", has_text="Cold store").first.click()
        page.locator(".chips a", has_text="Climbing hall").click()
        expect(page.locator(".legend li").filter(has_text="Cold store")).to_be_visible()
        expect(page.locator(".legend li").filter(has_text="Climbing hall")).to_be_visible()
        assert "picture=lines" in page.url
        assert accessibility_faults(page) == []


def test_a_figure_of_the_chart_leads_to_its_reasons(mill: Mill, browser: Browser) -> None:
    """With the mouse and with the keyboard alone; in the ranking too."""
    address = f"{mill.address}/energy?range=yesterday&of=point:cold-store&picture=bars"
    with opened(browser, address) as page:
        page.locator("#plot-broad").scroll_into_view_if_needed()
        box = page.locator("#plot-broad").bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + box["width"] * 0.52, box["y"] + box["height"] * 0.8)
        page.wait_for_url("**/why?point=cold-store**period=hour**")
        page.goto(address)
        page.focus(".plot")
        page.keyboard.press("Home")
        page.keyboard.press("Enter")
        page.wait_for_url("**/why?point=cold-store**")
        page.goto(address)
        page.click(".ranking a.why")
        expect(page.locator("main")).to_contain_text("Cold store")
        assert "period=day" in page.url


def test_the_picture_is_saved_as_an_image(mill: Mill, browser: Browser) -> None:
    """A PNG of twice the size of the picture, not an empty one."""
    with opened(browser, f"{mill.address}/energy?range=yesterday") as page:
        with page.expect_download() as download:
            page.click("#png")
        path = download.value.path()
        content = path.read_bytes()
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        assert int.from_bytes(content[16:20], "big") == 2 * 960
        assert len(content) > 10_000


@pytest.mark.parametrize("picture", PICTURES)
def test_every_picture_is_readable_for_everyone(mill: Mill, browser: Browser, picture: str) -> None:
    """axe-core finds nothing, nothing is cut off, no script fails; on a phone, a desk at night and a wall; in German."""
    address = f"{mill.address}/energy?range=yesterday&picture={picture}"
    part = "" if picture == "stacked" else "section[aria-labelledby=picture]"  # the rest is the same for all pictures
    with opened(browser, address, language="de") as page:
        expect(page.locator("h1")).to_have_text("Energie in Bildern")
        for size in (PHONE, DESK, WALL):
            look(page, size, dark=size == DESK)
            expect(page.locator("svg.picture").locator("visible=true").first).to_be_visible()
            assert size == WALL or accessibility_faults(page, part) == []  # a wall has the picture of the desk
            assert not overflows(page)
            assert page.evaluate(WORDS_OUTSIDE) == []


def test_a_fresh_site_has_an_empty_state(tmp_path: Path, browser: Browser) -> None:
    """Words instead of a picture, for every kind of one; what is known after two hours is shown."""
    with serving(tmp_path / "s.sqlite") as address, opened(browser, f"{address}/energy?range=last-year") as page:
        for picture in PICTURES:
            page.goto(f"{address}/energy?range=last-year&picture={picture}")
            expect(page.locator("section[aria-labelledby=picture]")).to_contain_text(
                "over before the history begins on 4 May 2026"
            )
        page.goto(f"{address}/energy?range=all")
        expect(page.locator(".ranking tbody tr").first).to_be_visible()
