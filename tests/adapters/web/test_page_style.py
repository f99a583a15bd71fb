"""What the style sheet is for, in a browser and on paper: nothing is written over something else, sums stand once."""

import io
import re
from contextlib import suppress
from pathlib import Path

import httpx
import pypdf
import pytest
from playwright.sync_api import Browser, expect

from tests.adapters.web.browser import DESK, PHONE, accessibility_faults, look, opened, overflows
from tests.adapters.web.conftest import Mill
from tests.adapters.web.web_backends import serving
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import Child, write_plan

LARGE = (1920, 1080)
# cells whose words reach beyond them, and words of a chart that reach beyond its picture
_BEYOND = """
() => [...document.querySelectorAll("td, th")].filter((cell) => cell.scrollWidth > cell.clientWidth + 1)
  .concat([...document.querySelectorAll("svg.picture text")].filter((words) => {
    const own = words.getBoundingClientRect(), all = words.ownerSVGElement.getBoundingClientRect();
    return own.width > 0 && (own.left < all.left - 0.5 || own.right > all.right + 0.5);
  })).map((one) => one.textContent.trim())
"""
_SCROLLING = """
() => [...document.querySelectorAll(".wide:has(table)")].filter((one) => one.scrollWidth > one.clientWidth + 1)
  .map((one) => one.getAttribute("aria-labelledby"))
"""


_SMALL = """
() => [...document.querySelectorAll("button, input, select, summary, textarea, a.plain, nav a, .row-list a, .hits a")]
  .filter((one) => one.type !== "hidden" && getComputedStyle(one).opacity !== "0" && one.closest("label") === null)
  .filter((one) => { const box = one.getBoundingClientRect(); return box.height > 0 && box.height < 43.5; })
  .map((one) => one.tagName + " " + one.textContent.trim().slice(0, 30))
"""


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "de"])
def test_nothing_is_written_over_a_column_on_a_phone(tmp_path: Path, browser: Browser, language: str) -> None:
    """Found by looking: of a site that has heard nothing "no value since the start" covered the next column."""
    port = free_port()
    with Mosquitto() as broker:
        plan = write_plan(tmp_path, broker.port, limits="")
        plan.write_text(f"page = {{ port = {port} }}\n" + plan.read_text(encoding="utf-8"), encoding="utf-8")
        address = f"http://127.0.0.1:{port}/data"

        def there() -> bool:
            with suppress(httpx.TransportError):
                return httpx.get(address).status_code == 200
            return False

        with Child(plan, tmp_path / "mill.sqlite"):
            assert until(there, 180)
            with opened(browser, address, size=PHONE, language=language) as page:
                assert page.locator("td > .mark").count() >= 5
                assert page.evaluate(_BEYOND) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    "address", ["data", "balance?board=south", "demand", "point", "point?point=t1", "energy?range=week"]
)
def test_all_words_of_cells_and_charts_are_inside(mill: Mill, browser: Browser, address: str) -> None:
    """On a phone, in German, whose words are longer."""
    with opened(browser, f"{mill.address}/{address}", size=PHONE, language="de") as page:
        assert page.evaluate(_BEYOND) == []


@pytest.mark.slow
@pytest.mark.parametrize("address", ["energy?range=yesterday&picture=lines", "balance?period=day", "now", "demand"])
def test_no_table_scrolls_on_a_large_screen(mill: Mill, browser: Browser, address: str) -> None:
    """Found by looking: the larger letters of a large screen left its tables less room than a small one."""
    with opened(browser, f"{mill.address}/{address}", size=LARGE, language="de") as page:
        assert page.evaluate(_SCROLLING) == []


@pytest.mark.slow
def test_a_sum_is_printed_once(mill: Mill, browser: Browser) -> None:
    """Found by looking: the sum of a table of two pages stood at the foot of the first one too, below half of its rows."""
    with opened(browser, f"{mill.address}/energy?range=month&picture=cost&each=true") as page:
        printed = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))
    texts = [" ".join(sheet.extract_text().split()) for sheet in printed.pages]  # a heading may take two lines
    assert len(texts) > 1
    assert sum(text.count("Sum of what is shown") for text in texts) == 1


@pytest.mark.slow
@pytest.mark.parametrize("address", ["now", "demand", "pv", "data", "balance?board=south", "point?point=cafe"])
def test_the_foot_of_a_printed_page_is_never_alone(mill: Mill, browser: Browser, address: str) -> None:
    """Found by looking: a sheet of its own had only the cautions. On paper a time needs its date, and "Page 6/13" misleads."""
    with opened(browser, f"{mill.address}/{address}") as page:
        printed = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))
        page.emulate_media(media="print")
        foot = " ".join(page.locator("footer").inner_text().split())
        page.emulate_media(media="null")
    last = " ".join(printed.pages[-1].extract_text().split())
    assert "Netting interval" in last
    assert "A value on a screen never proves" in last  # the foot is whole
    assert len(last) > len(foot) + 60, last
    assert re.search(r"As of \w{3}, \d{1,2} \w{3} \d{4}, \d\d:\d\d:\d\d", foot), foot
    assert not re.search(r"Page \d", foot)


@pytest.mark.slow
def test_a_drawing_does_not_make_the_rest_of_its_page_smaller(mill: Mill, browser: Browser, tmp_path: Path) -> None:
    """Found by looking: a diagram wider than the paper shrank all letters of a printed balance."""
    with serving(tmp_path / "s.sqlite") as small, opened(browser, f"{small}/data") as page:
        plain = _largest_letters(page.pdf(format="A4"))
        page.goto(f"{mill.address}/balance?board=north")
        assert _largest_letters(page.pdf(format="A4")) == pytest.approx(plain, rel=0.02)


def _largest_letters(printed: bytes) -> float:
    """The height of the letters of the first heading of a printed page."""
    sizes: list[float] = []

    def visit(_text: str, matrix: list[float], place: list[float], _font: object, size: float) -> None:
        sizes.append(size * abs(matrix[0] * place[0]))

    pypdf.PdfReader(io.BytesIO(printed)).pages[0].extract_text(visitor_text=visit)
    return max(sizes)


@pytest.mark.slow
@pytest.mark.parametrize("address", ["demand", "energy?range=yesterday", "energy?range=month&picture=cost"])
def test_no_line_of_a_card_begins_with_a_unit(mill: Mill, browser: Browser, address: str) -> None:
    """Found by looking: "between 10.4 kW and 25.0" and on the next line "kW"."""
    with opened(browser, f"{mill.address}/{address}", size=PHONE) as page:
        notes = page.locator(".figures small").all_text_contents()
        quantities = [match for note in notes for match in re.findall(r"\d\s(?:kW|W|EUR)\b", note)]
        assert quantities
        assert [item for item in quantities if " " in item] == []


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "de"])
def test_on_a_phone_a_table_of_few_rows_is_cards(mill: Mill, browser: Browser, language: str) -> None:
    """Found by looking: of the balance of each board only the verdict was in sight, of a preview neither before nor after."""
    with opened(browser, f"{mill.address}/now", size=PHONE, language=language) as page:
        table = page.locator("[aria-labelledby=boards] table")
        heads = table.locator("thead th").all_text_contents()
        expect(table).to_have_class("cards")
        assert page.evaluate(_SCROLLING) == []
        first = table.locator("tbody tr").first.locator("td")
        assert first.evaluate_all("all => all.map((one) => one.dataset.head)") == heads[1:]
        assert table.get_by_role("row").count() == 2, "a table for who hears it too"
        assert accessibility_faults(page) == []
        look(page, DESK, False)
        expect(table).not_to_have_class("cards")


@pytest.mark.slow
@pytest.mark.parametrize("address", ["point", "data", "demand", "energy?range=yesterday&of=feeders&picture=lines"])
def test_on_a_phone_many_rows_are_rows_of_few_lines(mill: Mill, browser: Browser, address: str) -> None:
    """Found by looking: tables of more than twelve rows scrolled to the side, and only their first values were in sight."""
    with opened(browser, f"{mill.address}/{address}", size=PHONE, language="de") as page:
        assert page.evaluate(_SCROLLING) == []
        assert page.evaluate(_BEYOND) == []
        table = page.locator("table.cards.rows").first
        row = table.locator("tbody tr").first
        box = row.bounding_box()
        assert box is not None
        assert box["height"] < 180, "eight values with their heads in German"
        heads = table.locator("thead th").all_text_contents()
        assert row.locator("td").evaluate_all("all => all.map((one) => one.dataset.head)") == heads[1:]
        assert accessibility_faults(page) == []


@pytest.mark.slow
def test_on_a_phone_a_value_does_not_touch_the_time_before_it(mill: Mill, browser: Browser) -> None:
    """Found by looking: "01:00Energy 16.100542 kWh" in one line."""
    start = httpx.get(f"{mill.address}/api/energy?range=yesterday", timeout=60).json()["from_ms"]
    why = f"why?point=bakery-ovens&register=1.8.0&period=day&start={start}"
    with opened(browser, f"{mill.address}/{why}", size=PHONE, language="de") as page:
        table = page.locator("table.cards.rows").first
        expect(table).to_be_visible()
        gaps = table.locator("tbody tr").evaluate_all("""rows => rows.map((row) => {
          const name = document.createRange(), cell = row.cells[1].getBoundingClientRect();
          name.selectNodeContents(row.cells[0]);
          const words = name.getBoundingClientRect();
          return cell.top >= words.bottom - 1 ? 99 : cell.left - words.right;
        })""")
        assert min(gaps) >= 4


@pytest.mark.slow
def test_on_a_phone_a_very_long_table_begins_with_some_rows(mill: Mill, browser: Browser) -> None:
    """What stands below it stays within reach; a button shows all rows, on paper and on a desk they are there at once."""
    with opened(browser, f"{mill.address}/energy?range=yesterday&step=interval&table=true", size=PHONE) as page:
        rows = page.locator("[aria-labelledby=figures] tbody tr")
        every = rows.count()
        assert every > 90
        expect(rows.locator("visible=true")).to_have_count(20)
        page.emulate_media(media="print")
        expect(rows.locator("visible=true")).to_have_count(every)
        page.emulate_media(media="null")
        button = page.get_by_role("button", name=f"All {every} rows")
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 44
        button.click()
        expect(rows.locator("visible=true")).to_have_count(every)
        expect(button).to_have_count(0)
        look(page, DESK, False)
        expect(page.locator("table.cards")).to_have_count(0)


@pytest.mark.slow
@pytest.mark.parametrize("board", ["north", "south"])
def test_on_a_phone_a_board_is_a_list_with_the_signs_of_the_drawing(mill: Mill, browser: Browser, board: str) -> None:
    """The drawing is three times as wide as a phone."""
    with opened(browser, f"{mill.address}/balance?board={board}", size=PHONE) as page:
        expect(page.locator(".drawing")).to_be_hidden()
        rows = page.locator(".branches-list li")
        names = page.locator("svg.single-line text.title").count()
        assert rows.count() == names > 10
        for row in rows.all():
            box = row.locator("svg").bounding_box()
            assert box is not None
            assert box["height"] >= 44
            assert row.locator("svg use").count() >= 2
        assert not overflows(page)
        look(page, DESK, False)
        expect(page.locator(".branches-list")).to_be_hidden()


@pytest.mark.slow
@pytest.mark.parametrize("address", ["energy?range=week", "find?q=bakery", "data", "commissioning", "pv"])
def test_what_a_finger_must_hit_is_large_enough(mill: Mill, browser: Browser, address: str) -> None:
    """44 pixels; what is folded is opened first."""
    with opened(browser, f"{mill.address}/{address}", size=PHONE) as page:
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        small = page.evaluate(_SMALL)
        assert small == []
