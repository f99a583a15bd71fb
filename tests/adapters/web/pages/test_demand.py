"""Page "demand", looked at in a browser and asked for what it must refuse."""

import httpx
import pytest
from playwright.sync_api import Browser, expect

from tests.adapters.web.browser import DESK, PHONE, opened, unreadable
from tests.adapters.web.conftest import Mill

pytestmark = pytest.mark.slow


def test_it_says_whether_the_contract_holds_and_what_made_the_peak(mill: Mill, browser: Browser) -> None:
    """A verdict, the interval of the peak, the largest feeders first, with what is usual."""
    with opened(browser, f"{mill.address}/demand") as page:
        expect(page.locator(".answer")).to_contain_text("contract")
        rows = page.locator("section[aria-labelledby=peak] tbody tr")
        assert rows.count() >= 5
        expect(page.locator("section[aria-labelledby=uses] tbody tr").first).to_contain_text("Transformer T1")
        expect(page.locator("svg.picture.broad")).to_be_visible()


def test_it_is_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off; in German too."""
    with opened(browser, f"{mill.address}/demand", language="de-AT") as page:
        expect(page.locator("h1")).to_contain_text("Überschreitet")
        assert unreadable(page, at_night=DESK, by_day=PHONE) == []


def test_figures_of_the_page_agree_with_each_other(mill: Mill) -> None:
    """The peak is not below any feeder in it, and hours above 100 % are not more than those above 80 %."""
    view = httpx.get(f"{mill.address}/api/demand", timeout=20).json()
    peak = view["peak"]
    assert peak["watt"] > 0
    sizes = [item["peak_mwh"] for item in peak["contributors"]]
    assert sizes == sorted(sizes, reverse=True)
    assert all(item["usual_mwh"] is not None for item in peak["contributors"])  # on the first day of a month too
    assert all(item["hours"][0] >= item["hours"][1] for item in view["uses"])
    assert {item["kind"] for item in view["uses"]} == {"transformer", "feeder"}


@pytest.mark.parametrize(
    ("month", "code"), [("2026-13", 422), ("2026-1", 422), ("0000-01", 422), ("1999-05", 200), ("x", 422)]
)
def test_months_that_cannot_be_are_refused(mill: Mill, month: str, code: int) -> None:
    """With words; a month before everything is empty, not wrong."""
    answer = httpx.get(f"{mill.address}/api/demand", params={"month": month}, timeout=20)
    assert answer.status_code == code
    if code == 200:
        assert answer.json()["peak"] is None


def test_the_running_month_has_an_expected_peak_with_a_band(mill: Mill, browser: Browser) -> None:
    """Not below the peak it has (on the last day it may be that peak); a month that is over has none."""
    view = httpx.get(f"{mill.address}/api/demand", timeout=20).json()
    ahead = view["ahead"]
    assert view["peak"]["watt"] <= ahead["low_w"] <= ahead["middle_w"] <= ahead["high_w"] < 2 * ahead["middle_w"]
    before = httpx.get(f"{mill.address}/api/demand", params={"month": "1999-05"}, timeout=20).json()
    assert before["ahead"] is None
    with opened(browser, f"{mill.address}/demand") as page:
        expect(page.locator("section[aria-labelledby=peak]")).to_contain_text("the last 16 days")
