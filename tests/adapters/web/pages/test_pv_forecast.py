"""The forecast on the sheet "pv": what is shown follows the picture, and a person reads it in a browser."""

from dataclasses import replace

import httpx
import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.web.pages.pv_forecast import forecast_view, score_lines
from meterd.core.model.forecast import (
    Course,
    ForecastInput,
    ForecastScore,
    OutsideQuantity,
    OutsideUse,
    Quantity,
    SiteForecast,
)
from meterd.core.model.plan import Site
from tests.adapters.web.browser import opened
from tests.adapters.web.conftest import Mill
from tests.snapshots import QUARTER_MS, START_MS, snapshot

SITE = Site("mill", "Europe/Vienna", forecast=ForecastInput("s", "w", OutsideQuantity.IRRADIANCE))
COURSE = Course((3000,) * 192, (4000,) * 192, (5000,) * 192)


def made(issued_ms: int) -> SiteForecast:
    """Of the load alone, young."""
    return SiteForecast(issued_ms, QUARTER_MS, True, 12, ((Quantity.LOAD, COURSE),))


def test_hours_ahead_are_energies_with_the_band_of_their_last_interval() -> None:
    """4 kW for 3 hours are 12 kWh."""
    view = forecast_view(replace(snapshot(), forecast=made(START_MS)), SITE)
    assert view is not None
    three = next(line for line in view.ahead if line.hours == 3)
    assert (three.energy, three.low_w, three.middle_w, three.high_w) == (12_000_000, 3000, 4000, 5000)
    assert (view.young, view.days, len(view.courses[0].middle)) == (True, 12, 192)


def test_a_forecast_from_outside_is_shown_with_its_weights_and_ours_without_it_is_not() -> None:
    """The hours are those of the weights; the courses are the three that are published."""
    use = OutsideUse(START_MS, 9, ((1, 0.2), (3, 0.9)))
    courses = tuple((quantity, COURSE) for quantity in Quantity)
    shown = forecast_view(replace(snapshot(), forecast=replace(made(START_MS), courses=courses, outside=use)), SITE)
    assert shown is not None
    assert [course.quantity for course in shown.courses] == ["pv", "load", "surplus"]
    assert shown.outside is not None
    assert (shown.outside.quantity, shown.outside.known_ms, shown.outside.days) == ("irradiance", START_MS, 9)
    assert (shown.outside.hours, shown.outside.weights, shown.outside.least_days) == ([1, 3], [0.2, 0.9], 7)


def test_an_old_forecast_is_not_shown() -> None:
    """Half an hour after its moment it says nothing any more."""
    assert forecast_view(replace(snapshot(), forecast=None), SITE) is None
    assert forecast_view(replace(snapshot(), forecast=made(START_MS - 3 * QUARTER_MS)), SITE) is None


def test_scores_keep_their_figures() -> None:
    """Nothing is rounded or renamed on the way."""
    score = ForecastScore(Quantity.PV, 3, 200, 812.5, "as now", 1300.25, 0.79)
    (line,) = score_lines([score])
    assert (line.quantity, line.error_w, line.naive_w, line.inside, line.count) == ("pv", 812.5, 1300.25, 0.79, 200)


@pytest.mark.slow
def test_a_person_reads_the_forecast_and_that_it_is_young(mill: Mill, browser: Browser) -> None:
    """Harrow Mill after sixteen days: a chart, hours ahead in both languages, the word young."""
    for language, text in (
        ("en", "The forecast rests on little history"),
        ("de", "Die Prognose hat noch wenig Grundlage"),
    ):
        with opened(browser, f"{mill.address}/pv", language=language) as page:
            section = page.locator("section[aria-labelledby=forecast]")
            expect(section).to_contain_text(text, timeout=30_000)
            expect(section.locator("svg.picture.broad")).to_be_visible()
            assert section.locator(".wide tbody tr").count() == 12
    view = httpx.get(f"{mill.address}/api/pv", timeout=20).json()
    pv = next(course for course in view["forecast"]["courses"] if course["quantity"] == "pv")
    assert len(pv["middle"]) == 192
    assert max(pv["middle"]) > 1000
