"""What the style sheet is for, in a browser and on paper: nothing is written over something else, sums stand once."""

import io
import re
from contextlib import suppress
from pathlib import Path

import httpx
import pypdf
import pytest
from playwright.sync_api import Browser

from tests.adapters.web.browser import PHONE, opened
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
