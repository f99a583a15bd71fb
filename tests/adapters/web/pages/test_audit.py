"""Page "why": figures of small stores recalculated, and the page in a browser from the balance down to the readings."""

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from playwright.sync_api import Browser, expect
from starlette.exceptions import HTTPException

from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.time_input import moment
from meterd.core.model.periods import to_ms
from tests.adapters.web.browser import DESK, PHONE, opened, unreadable
from tests.adapters.web.conftest import Mill
from tests.adapters.web.pages.audited_figures import VIENNA, asked, figure
from tests.adapters.web.request_contexts import BEGIN, NOBODY, context_of, steady


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ({"point": "nope", "start": "2026"}, 404), ({"board": "nope", "start": "2026"}, 404),
        ({"point": "q01", "register": "16.7.0", "start": "2026"}, 422), ({"point": "q01", "register": "x", "start": "2026"}, 422),
        ({"point": "room-1", "register": "2.8.0", "start": "2026"}, 404), ({"point": "q01"}, 422),
        ({"point": "q01", "start": "2026-02-30"}, 422), ({"point": "q01", "start": "99999999999999"}, 422),
        ({"point": "q01", "start": "٢٠٢٦"}, 422), ({"point": "q01", "board": "north", "start": "2026"}, 422),
    ],
)  # fmt: skip
def test_questions_that_cannot_be_are_refused_with_words(
    march: RequestContext, query: dict[str, str], code: int
) -> None:
    """404 for what is not there, 422 for what cannot be."""
    with pytest.raises(HTTPException) as caught:
        asked(march, **query)
    assert caught.value.status_code == code
    assert caught.value.detail


def test_a_missing_time_is_no_wrong_one(march: RequestContext) -> None:
    """Found by looking: an empty pair of quotation marks was no valid time."""
    with pytest.raises(HTTPException) as caught:
        asked(march, point="q01")
    assert caught.value.detail.startswith("a time is missing; write 2026-05-04")


def test_a_room_is_only_for_whoever_may_see_it(tmp_path: Path) -> None:
    """403 without login."""
    there = context_of(tmp_path / "s.sqlite", steady("room-1", 300.0))
    with pytest.raises(HTTPException) as caught:
        asked(there, NOBODY, point="room-1", start=str(BEGIN))
    assert caught.value.status_code == 403
    assert figure(there, point="room-1", start=str(BEGIN)).energy_mwh == 75_000


@pytest.mark.parametrize(
    ("text", "local"),
    [
        ("2026", (2026, 1, 1, 0, 0)), ("2026-03", (2026, 3, 1, 0, 0)), ("2026-03-29", (2026, 3, 29, 0, 0)),
        ("2026-03-29T12:45", (2026, 3, 29, 12, 45)), ("29.3.2026", (2026, 3, 29, 0, 0)),
        ("29.03.2026 9:05", (2026, 3, 29, 9, 5)),
    ],
)  # fmt: skip
def test_a_local_date_begins_where_its_period_begins(text: str, local: tuple[int, int, int, int, int]) -> None:
    """In the time zone of the site."""
    assert moment(text, VIENNA, "en") == to_ms(datetime(*local, tzinfo=VIENNA))


# -- in a browser ------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_from_the_balance_down_to_the_readings(mill: Mill, browser: Browser) -> None:
    """An energy of the day, its hours, a quarter hour: each is recalculated and agrees."""
    with opened(browser, f"{mill.address}/balance?board=north&period=day") as page:
        row = page.locator("section[aria-labelledby=branches] tr", has=page.get_by_role("link", name="Cold store"))
        row.locator("a.why").click()
        for _ in range(2):
            expect(page.locator(".answer")).to_contain_text("agrees")
            expect(page.locator(".answer")).not_to_contain_text("does not")
            page.locator("section[aria-labelledby=parts] a.why").nth(2).click()
        expect(page.locator(".answer")).to_contain_text("agrees")
        expect(page.locator("section[aria-labelledby=ends]")).to_contain_text("interpolated between two readings")
        expect(page.locator("section[aria-labelledby=instrument]")).to_contain_text("HM-")


@pytest.mark.slow
def test_a_balance_shows_its_terms_and_its_band(mill: Mill, browser: Browser) -> None:
    """As many terms as points count; the band is recalculated; the way to a term's energy."""
    covered = httpx.get(f"{mill.address}/api/balance?board=south&period=day", timeout=20).json()["gap"]["covered"]
    with opened(browser, f"{mill.address}/balance?board=south&period=day") as page:
        page.locator(".answer a[href^='/why']").click()
        expect(page.locator(".answer")).to_contain_text("agrees")
        expect(page.locator("section[aria-labelledby=terms] tbody tr")).to_have_count(covered)
        page.locator("section[aria-labelledby=terms] a.why").first.click()
        expect(page.locator("section[aria-labelledby=parts] tbody tr").last).to_contain_text("Sum")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("language", "to_come", "missing"), [("en", "not over yet", "missing"), ("de", "noch nicht vorbei", "fehlt")]
)
def test_hours_to_come_are_not_missing(mill: Mill, language: str, to_come: str, missing: str) -> None:
    """Found by looking: of a day that is not over, the hours of the evening were missing."""
    now_ms = httpx.get(f"{mill.address}/api/now", timeout=20).json()["basis"]["at_ms"]
    address = f"{mill.address}/why?point=t1&period=day&start={now_ms}"
    page = httpx.get(address, headers={"Accept-Language": language}, timeout=20).text
    parts = page[page.index('id="parts"') : page.index("</table>", page.index('id="parts"'))]
    hour = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone_of(mill))).hour
    assert 24 - hour <= parts.count(to_come) - 1 <= 25 - hour, (
        "of the sum once, and of the hours that may be about to close"
    )
    assert missing not in parts


def zone_of(mill: Mill) -> str:
    """The time zone of the site."""
    return str(httpx.get(f"{mill.address}/api/now", timeout=20).json()["basis"]["zone"])


@pytest.mark.slow
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off: an interval, a week, a balance, the empty page; in German."""
    day = httpx.get(f"{mill.address}/api/balance?board=north&period=day", timeout=20).json()["gap"]["start_ms"]
    with opened(browser, f"{mill.address}/why", language="de") as page:
        expect(page.locator("h1")).to_have_text("Woher kommt diese Zahl?")
        for query in (
            "",
            f"?point=t1&start={day}",
            f"?point=t1&period=day&start={day}",
            f"?board=north&period=day&start={day}",
        ):
            page.goto(f"{mill.address}/why{query}")
            assert unreadable(page, at_night=PHONE, by_day=DESK) == []
        expect(page.locator(".answer")).to_contain_text("stimmt überein")


@pytest.mark.slow
def test_programs_are_refused_a_room_and_told_why(mill: Mill) -> None:
    """403 without login, for people and for programs."""
    for way in ("/why", "/api/why"):
        answer = httpx.get(f"{mill.address}{way}", params={"point": "studio-07", "start": "2026-05-04"}, timeout=20)
        assert answer.status_code == 403
        assert "role" in answer.text
