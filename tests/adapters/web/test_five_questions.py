"""Five questions of people who were never shown the page, answered by clicking what they read: at most three clicks each.

In English and German, on a laptop and on a phone. The answers come on a second way: from the store, by the commands.
"""

import csv
import json
from collections import defaultdict
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.texts import wording
from meterd.app.cli.main import main
from meterd.core.model.periods import to_ms
from meterd.core.model.plan import Role, Site
from tests.adapters.web.browser import DESK, PHONE, opened
from tests.adapters.web.conftest import Mill
from tests.brokers import until

pytestmark = pytest.mark.slow
MOST_CLICKS = 3
Lines = Callable[..., list[dict[str, Any]]]


class Visitor:
    """Somebody who reads and clicks; what is to be clicked must be visible, and is found by its words alone."""

    def __init__(self, page: Page, language: str) -> None:
        self.page, self.language, self.clicks = page, language, 0

    def words(self, key: str) -> str:
        """What a text of the page is called in this language."""
        return wording.say(self.language, key)

    def click(self, what: Locator) -> None:
        """One click, which is counted."""
        self.clicks += 1
        assert self.clicks <= MOST_CLICKS, "too many clicks"
        what.click()

    def link(self, text: str, within: str = "main") -> Locator:
        """The link whose words begin so."""
        return self.page.locator(f"{within} a").filter(has_text=text).locator("visible=true").first

    def open(self, key: str) -> None:
        """A page by its title."""
        self.click(self.link(self.words(f"{key}.title"), "nav"))
        expect(self.page.locator("nav a[aria-current=page]")).to_contain_text(self.words(f"{key}.title"))


@pytest.fixture(params=[(lang, size) for lang in ("en-GB", "de-DE") for size in (DESK, PHONE)], ids=str)
def visitor(request: pytest.FixtureRequest, mill: Mill, browser: Browser) -> Iterator[Visitor]:
    """On the first page, as an address without anything behind it opens it."""
    language, size = request.param
    with opened(browser, mill.address, size=size, language=language) as page:
        page.wait_for_url("**/now")
        yield Visitor(page, language[:2])


@pytest.fixture
def site(mill: Mill) -> Site:
    return load_plan(plan_of(mill)).site


def plan_of(mill: Mill) -> Path:
    """The plan that the demo wrote beside its store."""
    return mill.store.with_suffix(".plan")


@pytest.fixture
def lines(mill: Mill, capsys: pytest.CaptureFixture[str]) -> Lines:
    """Lines of a command that reads the store."""

    def asked(command: str, *options: str) -> list[dict[str, Any]]:
        capsys.readouterr()
        assert main([command, str(plan_of(mill)), "--store", str(mill.store), "--format", "json", *options]) == 0
        result: list[dict[str, Any]] = json.loads(capsys.readouterr().out)
        return result

    return asked


def feeders(site: Site) -> dict[str, str]:
    """Names and titles of the outgoing feeders."""
    return {p.name: p.title for p in site.points if p.role is Role.FEEDER and p.below is None and p.counts}


def weeks(lines: Lines, site: Site) -> list[tuple[str, bool]]:
    """The title of the feeder that took most in each week that is over, the newest last, and whether all of it is known."""
    now = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
    taken: dict[str, dict[str, dict[str, Any]]] = defaultdict(dict)
    for line in lines("energy", "--period", "week"):
        if line["point"] in feeders(site) and line["register"] == "import" and line["end"] <= now:
            taken[line["period"]][line["point"]] = line
    results = []
    for _, own in sorted(taken.items()):
        most = max(own, key=lambda name: own[name]["energy_wh"] or 0)
        results.append((feeders(site)[most], all(line["quality"] in ("good", "estimated") for line in own.values())))
    return results


def test_which_feeder_used_most_last_week_and_the_week_before(visitor: Visitor, lines: Lines, site: Site) -> None:
    """Energy, last week, and the week before it by one more click."""
    *_, before, last = weeks(lines, site)
    visitor.open("energy")
    visitor.click(visitor.link(visitor.words("energy.range_last-week")))
    first = visitor.page.locator("table.ranking tbody th").first
    expect(first).to_have_text(last[0])
    visitor.click(visitor.link(visitor.words("energy.earlier")))
    if before[1]:
        expect(first).to_have_text(before[0])
    else:  # the history of the demo begins in that week: it says so instead of naming one
        since = visitor.words("energy.begins").partition("{")[0]
        expect(visitor.page.locator("section[aria-labelledby=range]")).to_contain_text(since)
    assert visitor.clicks == MOST_CLICKS


def test_yesterdays_peak_when_and_who(visitor: Visitor, lines: Lines, site: Site) -> None:
    """Energy, yesterday: the figure bears the power, the time, and the three largest."""
    zone = ZoneInfo(site.zone)
    visitor.open("energy")
    visitor.click(visitor.link(visitor.words("energy.range_yesterday")))
    peak = visitor.page.locator("dl.figures div").filter(has_text=visitor.words("energy.peak_interval"))
    expect(peak).to_be_visible()
    today = datetime.now(zone).date()
    span = ("--from", str(today - timedelta(days=1)), "--until", str(today))
    sums: dict[str, float] = defaultdict(float)
    own: dict[str, dict[str, float]] = defaultdict(dict)
    for line in lines("energy", "--period", "interval", *span):
        if line["point"] in feeders(site) and line["register"] == "import":
            sums[line["start"]] += line["energy_wh"]
            own[line["start"]][line["point"]] = line["energy_wh"]
    highest = max(sums, key=lambda at: sums[at])
    assert wording.power(visitor.language, sums[highest] * 4) in peak.inner_text()
    assert wording.moment(visitor.language, to_ms(datetime.fromisoformat(highest)), zone) in peak.inner_text()
    for name in sorted(own[highest], key=lambda name: -own[highest][name])[:3]:
        assert feeders(site)[name] in peak.inner_text()
    assert visitor.clicks == 2


def test_two_feeders_in_one_chart(visitor: Visitor) -> None:
    """Energy, one feeder of the ranking, another one beside it."""
    visitor.open("energy")
    visitor.click(visitor.link("Cold store", "table.ranking"))
    visitor.click(visitor.link("Climbing hall", ".chips"))
    legend = visitor.page.locator("section[aria-labelledby=picture] .legend li")
    for title in ("Cold store", "Climbing hall"):
        expect(legend.filter(has_text=title)).to_be_visible()
    drawn = visitor.page.locator("section[aria-labelledby=picture] svg.picture").locator("visible=true")
    expect(drawn).to_have_count(1)
    assert drawn.locator(".stroke").count() >= 2


def test_what_the_own_pv_was_worth_this_month(visitor: Visitor, lines: Lines, site: Site) -> None:
    """Photovoltaics, and the link to what it saves and earns: both, and the sum of what is shown."""
    visitor.open("pv")
    visitor.click(visitor.link(visitor.words("pv.worth")))
    worth = visitor.page.locator("dl.figures div").filter(has_text=visitor.words("energy.cost_pv"))
    month = f"{datetime.now(ZoneInfo(site.zone)):%Y-%m}"

    def told() -> bool:
        """As the command says; the month goes on meanwhile."""
        visitor.page.reload()
        rows = [line for line in lines("energy", "--cost", "--from", month) if line["of"] == "PV"]
        saved, earned = (round(100 * line["amount"]) for line in rows)
        shown = worth.inner_text().replace("\u00a0", " ")  # a unit stays with its number
        amounts = (wording.money(visitor.language, coins, "EUR") for coins in (saved + earned, saved, earned))
        return all(amount in shown for amount in amounts)

    assert until(told, 60), worth.inner_text()
    assert visitor.clicks == 2


def test_the_figures_of_a_chart_as_a_file(visitor: Visitor, lines: Lines, site: Site) -> None:
    """Energy, yesterday, save: every step of every feeder, as the store has them."""
    visitor.open("energy")
    visitor.click(visitor.link(visitor.words("energy.range_yesterday")))
    with visitor.page.expect_download() as download:
        visitor.click(visitor.link(visitor.words("energy.csv")))
    with Path(download.value.path()).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    today = datetime.now(ZoneInfo(site.zone)).date()
    span = ("--from", str(today - timedelta(days=1)), "--until", str(today))
    wanted = {
        (line["start"], line["point"]): line["energy_wh"]
        for line in lines("energy", "--period", "interval", *span)
        if line["point"] in feeders(site) and line["register"] == "import"
    }
    results = {(row["start"], row["item"].removeprefix("point:")): float(row["energy_wh"]) for row in rows}
    assert results == wanted
    assert len(results) > 90 * len(feeders(site)) - 90
