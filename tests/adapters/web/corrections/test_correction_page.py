"""Pages "change" and "change-meter": what is previewed, who may enter it, what is reported at a field; in a browser."""

import re
import threading
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from meterd.app.operations.preview import preview_correction
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import ChangedFigure, Correction, CorrectionPreview
from tests.adapters.web.browser import PHONE, accessibility_faults, log_in, opened, overflows
from tests.adapters.web.conftest import PASSWORD, Mill
from tests.adapters.web.corrections.correction_requests import HOUR, WISH, asked, come_in, energies, seen, three_hours
from tests.adapters.web.request_contexts import BEGIN, SITE

Q01 = ("q01", IMPORT)


# -- what is previewed -------------------------------------------------------------------------------------------------


@pytest.mark.slow  # a child process works it out
def test_the_preview_is_what_the_command_shows_and_changes_nothing(
    tmp_path: Path,
) -> None:
    """Worked out by a process of its own from the same functions; whole mWh, verdicts as words."""
    path = tmp_path / "s.sqlite"
    context = three_hours(path)
    view = seen(context, asked())
    assert view.wanted is not None
    assert view.preview is not None
    correction = Correction(0, "q01", IMPORT, BEGIN + HOUR, BEGIN + 2 * HOUR, "250/200", "", "", 0)
    assert (view.wanted.point, view.wanted.from_ms, view.wanted.until_ms) == (
        "q01",
        correction.from_ms,
        correction.until_ms,
    )
    figures = [ChangedFigure(f.what, f.period, f.subject, f.before, f.after) for f in view.preview.figures]
    assert (view.preview.state, figures) == ("done", list(preview_correction(path, SITE, correction).figures))
    assert figures[0] == ChangedFigure("energy", "2026-05", "q01 import", 12_000_000, 13_000_000)
    assert ("balance", "north verdict", "inside", "outside") in [
        (f.what, f.subject, f.before, f.after) for f in figures
    ]
    assert energies(path) == [1_000_000] * 12
    assert view.corrections == []


@pytest.mark.slow  # a child process works it out
def test_who_waits_is_informed_without_a_script(tmp_path: Path) -> None:
    """While that of somebody else is worked out: in words, with a way to look again, and a page that comes again by itself."""
    go = threading.Event()

    class Slow:
        """Works as long as the test wants."""

        def preview(self, correction: Correction) -> CorrectionPreview:
            """Nothing becomes different."""
            assert go.wait(60), correction
            return CorrectionPreview((), ())

    with come_in(tmp_path / "s.sqlite") as (context, asking, _):
        context.preview_job.ask(Slow(), Correction(0, "q02", IMPORT, BEGIN, None, "2", "", "", 0))
        reported = asking.get("/change", params={**WISH, "check": "yes"}).text
        go.set()
        assert "Another calculation is running; yours is next" in reported
        assert '<noscript><meta http-equiv="refresh" content="3"></noscript>' in reported
        assert ' data-again="2"' in reported
        assert 'value="250/200"' in reported
        assert "Enter this correction" not in reported
        assert seen(context, asked()).preview is not None
        reported = asking.get("/change", params={**WISH, "check": "yes"}).text
    assert "Enter this correction" in reported
    assert "http-equiv" not in reported


# -- in a browser ------------------------------------------------------------------------------------------------------


def made(page: Page) -> None:
    """Wait on the page of corrections until nothing is recalculated any more: it looks again by itself."""
    expect(page.locator("#corrections ~ div")).to_be_visible()
    expect(page.get_by_text("figures are being recalculated")).to_have_count(0, timeout=90_000)


def look_at(place: Locator, text: str | re.Pattern[str]) -> None:
    """Wait for words; figures of a correction are there within seconds, on a busy machine within a minute."""
    expect(place).to_contain_text(text, timeout=90_000)


def day_of(page: Page, mill: Mill, start_ms: int) -> Locator:
    """The energy of a local day on the page of the point."""
    page.goto(f"{mill.address}/point?point=cafe")
    page.locator("section[aria-labelledby=week] summary").click()
    return page.locator(f"a.why[href*='period=day'][href$='start={start_ms}']")


@pytest.mark.slow
def test_a_correction_from_the_form_to_the_figures_and_back(mill: Mill, browser: Browser) -> None:
    """In the running demo, by keyboard: a slip is reported, then the preview, the order, the figures, the way back."""
    reported = httpx.get(f"{mill.address}/api/point?point=cafe", timeout=60).json()
    days, zone = reported["chosen"]["figures"]["days"], ZoneInfo(reported["basis"]["zone"])
    day = [item for item in days if not item["so_far"]][2]
    first, after = (f"{datetime.fromtimestamp(day[k] / 1000, zone):%Y-%m-%d}" for k in ("start_ms", "end_ms"))
    with opened(browser, f"{mill.address}/now") as page:
        log_in(page, mill.address, "change", PASSWORD)
        before = day_of(page, mill, day["start_ms"]).inner_text()
        page.click("nav >> text=Corrections")
        page.locator("#point").select_option("cafe")
        for name, text in (("from", first), ("until", after), ("factor", "1.5.0"), ("reason", "plate says 300/5")):
            page.locator(f"#{name}").fill(text)
        page.locator("#reason").press("Enter")
        look_at(page.locator("#wrong-factor"), "is not a valid factor")
        assert page.input_value("#reason") == "plate says 300/5"
        page.locator("#factor").fill("300/200")
        page.locator("#factor").press("Enter")
        look_at(page.locator("section[aria-labelledby=preview]"), "figures will change. Nothing has been changed")
        look_at(page.locator("section[aria-labelledby=preview] tbody"), "Cafe: import")
        assert accessibility_faults(page) == []
        page.get_by_role("button", name="Enter this correction").press("Enter")
        look_at(page.locator("main"), "The correction is entered")
        made(page)
        changed = day_of(page, mill, day["start_ms"])
        assert changed.inner_text() != before
        changed.click()
        look_at(page.locator("section[aria-labelledby=corrections]"), "300/200")
        look_at(page.locator("section[aria-labelledby=corrections]"), "plate says 300/5")
        look_at(page.locator(".answer"), "agrees")
        page.goto(f"{mill.address}/change")
        page.locator("a[href^='/change?withdraw=']").first.press("Enter")
        look_at(page.locator("section[aria-labelledby=withdraw]"), "figures will change")
        assert accessibility_faults(page) == []
        page.locator("#reason").fill("wrong cabinet")
        page.locator("#reason").press("Enter")
        look_at(page.locator("main"), "The correction is withdrawn")
        made(page)
        look_at(page.locator("#corrections ~ div"), "by change: wrong cabinet")
        assert day_of(page, mill, day["start_ms"]).inner_text() == before


@pytest.mark.slow
def test_both_pages_are_readable_on_a_phone_in_german(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, nothing is cut off, with and without faults."""
    with opened(browser, f"{mill.address}/now", size=PHONE, dark=True, language="de-AT") as page:
        log_in(page, mill.address, "change", PASSWORD)
        for way in ("change", "change?check=yes", "change-meter", "change-meter?point=bakery-ovens&check=yes"):
            page.goto(f"{mill.address}/{way}")
            assert accessibility_faults(page) == [], way
            assert not overflows(page), way
        expect(page.locator("h1")).to_have_text("Welcher Zähler wurde getauscht?")
