"""Page "point": the values of one point from small stores, and the page in a browser beside planted faults."""

import re
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.texts import wording
from meterd.adapters.web.pages.point import view
from meterd.app.daemon.web_backend import served
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Copied, Page, Point, Role
from meterd.core.model.reading import REGISTERS
from tests.adapters.web.browser import DESK, PHONE, opened, unreadable
from tests.adapters.web.conftest import Mill
from tests.adapters.web.request_contexts import LAST, MINUTE, SOMEBODY, context_of, shot, steady
from tests.adapters.web.web_backends import kept, small_site


def test_the_list_has_what_hangs_below_after_its_feeder(tmp_path: Path) -> None:
    """Board by board, with the newest value and the open findings."""
    context = context_of(
        tmp_path / "s.sqlite", steady("q01", 4000.0), [Finding("stale", "q01", LAST, "q01: x", "", ("q01",))]
    )
    board = view(context, SOMEBODY, shot(context)).boards[0]
    assert [line.point for line in board.points] == ["t1", "q01", "room-1", "room-2", "q02"]
    ovens = board.points[1]
    assert (ovens.watt, ovens.findings, ovens.at_ms) == (4000, 1, LAST + MINUTE)


def test_every_register_that_a_point_may_have_has_a_name() -> None:
    """Found by looking: the page of a point with an irradiance was an error."""
    for language in wording.LANGUAGES:
        names = {kind.name: wording.say(language, f"point.r_{kind.name}") for kind in REGISTERS.values()}
        assert len(set(names.values())) == len(names)
    assert names["irradiance"] == "Einstrahlung"


def test_equal_rooms_are_one_line_that_says_what_they_share(tmp_path: Path) -> None:
    """Found by looking: 51 rooms that had not reported yet were as many rows below the board."""
    names = tuple(f"room-{number:02d}" for number in range(1, 15))
    rooms = tuple(Point(name, "main", Role.SUB, below="joinery", title=f"Room {name[5:]}") for name in names)
    site = small_site(Page(port=free_port(), rooms="open"))
    site = replace(site, points=(*site.points, *rooms), copied=(Copied("room", "room-{n}", names),))
    daemon = kept(site, tmp_path / "s.sqlite")
    assert daemon.snapshot is not None
    silent = names[4:9]
    findings = tuple(Finding("stale", name, LAST, f"{name}: x", "", (name,)) for name in names[9:])
    daemon.snapshot = replace(
        daemon.snapshot,
        instant={channel: now for channel, now in daemon.snapshot.instant.items() if channel[0] not in silent},
        counters={channel: now for channel, now in daemon.snapshot.counters.items() if channel[0] not in silent},
        findings=findings,
    )
    with served(daemon) as address:
        html = httpx.get(f"{address}point", headers={"accept-language": "de"}, timeout=60).text
    lines = [" ".join(re.sub("<[^>]+>", "", item).split()) for item in re.findall(r"<summary>(.*?)</summary>", html)]
    assert lines[:3] == [
        "5 × Room: in Betrieb, Wert fehlt",
        "5 × Room: in Betrieb, je 1 Befund",
        "4 × Room: nichts Besonderes",
    ]
    assert all(html.count(f"/point?point={name}") == 1 for name in names)
    assert html.index("nichts Besonderes") > html.index("<table") > html.index("je 1 Befund"), (
        "who needs somebody is first"
    )


# -- in a browser ------------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("address", ["point", "point?point=t1", "data"])
def test_ages_on_an_open_page_grow_no_older_than_a_minute(mill: Mill, browser: Browser, address: str) -> None:
    """ "4 s ago" is not left standing for a quarter of an hour: the page asks again by itself."""
    page = browser.new_page()
    page.clock.install()
    page.goto(f"{mill.address}/{address}")
    with page.expect_navigation(timeout=60_000):
        page.clock.run_for(63_000)
    assert page.locator("main").inner_text()
    page.close()


@pytest.mark.slow
def test_the_silent_meter_is_seen_in_the_list_and_on_its_page(mill: Mill, browser: Browser) -> None:
    """The list marks it; its page has the finding first and a chart of the days before."""
    with opened(browser, f"{mill.address}/point") as page:
        row = page.locator("tr", has=page.locator("a[href='/point?point=lifts-north']"))
        for _ in range(30):
            if row.locator(".mark.outside").count():
                break
            page.wait_for_timeout(1000)
            page.reload()
        expect(row).to_contain_text("1 finding")
        row.locator("a").first.click()
        expect(page.locator("h1")).to_have_text("What is Lifts north?")
        expect(page.locator("section[aria-labelledby=open]")).to_contain_text("Meter is silent: Lifts north")
        expect(page.locator("svg.picture.broad")).to_be_visible()


@pytest.mark.slow
def test_an_old_name_leads_to_the_point_with_all_its_instruments(mill: Mill, browser: Browser) -> None:
    """q01 is bakery-ovens today; the climbing hall shows the removed meter with its closing reading."""
    with opened(browser, f"{mill.address}/point?point=q01") as page:
        expect(page.locator("h1")).to_have_text("What is Bakery, ovens?")
        expect(page.locator(".facts")).to_contain_text("q01")
        expect(page.locator("section[aria-labelledby=agree]")).to_contain_text("Register and power agree")
        page.goto(f"{mill.address}/point?point=climbing-hall")
        rows = page.locator("section[aria-labelledby=instruments] tbody tr")
        expect(rows).to_have_count(2)
        expect(rows.nth(1)).to_contain_text("HM-1023")
        expect(rows.nth(1)).to_contain_text("412,345.680 kWh")


@pytest.mark.slow
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off; in German, with every part of a page that a feed fills."""
    with opened(browser, f"{mill.address}/point?point=t1", language="de-AT") as page:
        expect(page.locator("h1")).to_have_text("Was ist Transformer T1?")
        expect(page.locator("section[aria-labelledby=phases]")).to_contain_text("Unsymmetrie")
        assert unreadable(page, at_night=PHONE, by_day=DESK) == []
        page.goto(f"{mill.address}/point")
        assert unreadable(page, at_night=PHONE, by_day=DESK) == []


@pytest.mark.slow
def test_programs_get_the_same_values(mill: Mill) -> None:
    """Every point of the plan answers, and an unknown one is reported."""
    with httpx.Client(base_url=mill.address, timeout=20) as client:
        boards = client.get("/api/point").json()["boards"]
        names = [line["point"] for board in boards for line in board["points"]]
        assert len(names) == 78
        for name in ("yard-light", "pv-hall", "studio-07", "print-shop"):
            answer = client.get("/api/point", params={"point": name}).json()
            assert answer["chosen"]["point"] == name
            assert answer["one"] == answer["chosen"], "its name of version 0.2"
            assert client.get("/point", params={"point": name}).status_code == 200
        assert client.get("/api/point", params={"point": "nope"}).status_code == 404
