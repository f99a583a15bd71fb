"""Page "balance", looked at in a browser: the running demo, and a board whose ovens count a third since yesterday."""

import re
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.faults import fault
from meterd.adapters.simulator.history import collect, history
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.texts import wording
from meterd.adapters.web.server import PageServer
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import DaemonWebBackend
from meterd.app.operations.drift_job import MonitoredPart, examine, finding_of, visible_errors
from meterd.app.operations.finding_lifecycle import FindingKeeper
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.drift.detection_limits import Visible
from meterd.core.model.periods import DAY_MS, HOUR_MS
from meterd.core.model.plan import Limits, Page, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from tests.adapters.web.browser import DESK, PHONE, look, opened, overflows, unreadable
from tests.adapters.web.conftest import Mill
from tests.adapters.web.web_backends import serving

pytestmark = pytest.mark.slow

BEGIN = 1_772_319_600_000  # 2026-02-28 23:00 UTC: 1 March in Vienna
UNTIL = BEGIN + 2 * DAY_MS
PLAN = Path(__file__).parents[4] / "config" / "harrow-mill"


class ExaminedBackend(DaemonWebBackend):
    """The backend of a daemon whose drift watch has just been through all days."""

    def __init__(self, daemon: Daemon, watched: tuple[MonitoredPart, ...]) -> None:
        super().__init__(daemon)
        self._watched = watched

    def visible_errors(self) -> tuple[tuple[Visible, ...], str]:
        """As the drift watch finds them."""
        return visible_errors(self._watched)


def north() -> Site:
    """The north board of Harrow Mill without its studios, read every quarter hour."""
    site = load_plan(PLAN).site
    points = tuple(p for p in site.points if p.board == "north" and p.role is not Role.SUB)
    names = {p.name for p in points}
    return replace(
        site,
        boards=tuple(b for b in site.boards if b.name == "north"),
        points=points,
        instruments=tuple(i for i in site.instruments if i.point in names),
        inputs=tuple(i for i in site.inputs if i.point in names and i.register in (IMPORT, EXPORT)),
        consumers=(),
        limits=replace(Limits(), gap_exact_s=1000),
        page=Page(port=free_port()),
    )


@pytest.fixture(scope="module")
def third(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The page after two days; on the second the ovens' meter has a current transformer the wrong way round."""
    site, path = north(), tmp_path_factory.mktemp("third") / "s.sqlite"
    planted = fault("reversed-ct", "bakery-ovens", start_s=(HOUR_MS + DAY_MS) / 1000)
    span = BEGIN - HOUR_MS, UNTIL + HOUR_MS  # the ends of both days lie between readings
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    for channel, series in collect(history(site, 16, *span, step_s=900, faults=[planted])).items():
        ledger.import_history(channel, series.at_ms, series.values, UNTIL)
    ledger.recompute_all(UNTIL, UNTIL)
    watched = examine(store, site)
    keeper = FindingKeeper(store, site)
    keeper.update([finding_of(suspicion, site) for part in watched for suspicion in part.suspicions], [], UNTIL)
    daemon = Daemon(site, path)
    daemon.snapshot = live.snapshot(
        ledger.state, UNTIL + 61_000, closed=ledger.closed, pv_day=None, findings=keeper.open
    )
    store.close()
    server = PageServer(ExaminedBackend(daemon, watched), path.with_name("users"))
    server.start()
    try:
        yield server.address.rstrip("/")
    finally:
        server.stop(3.0)


def test_the_planted_fault_is_where_a_person_looks(third: str, browser: Browser) -> None:
    """The gap is reported, the meter named with its cause, marked in the drawing and the table, and where to go stands there."""
    with opened(browser, f"{third}/balance?period=day") as page:
        expect(page.locator(".answer .big")).to_contain_text("No: the residual is larger")
        suspects = page.locator("section[aria-labelledby=suspects]")
        expect(suspects.locator(".finding")).to_contain_text("Bakery, ovens reads 0.33")
        expect(suspects.locator("li", has_text="fits: one current transformer reversed")).to_be_visible()
        expect(suspects).to_contain_text("Begin with Bakery, ovens (-Q11-P1, Bakery)")
        expect(suspects.locator("ol li").first).to_contain_text("display")
        expect(suspects).to_contain_text("never opened under load")
        expect(page.locator("svg.single-line text.mark")).to_have_text(["▲ suspect"])
        row = page.locator("section[aria-labelledby=branches] tbody tr", has_text="suspect")
        expect(row).to_have_count(1)
        expect(row).to_contain_text("Bakery, ovens")


def test_what_could_not_be_seen_is_reported(third: str, browser: Browser) -> None:
    """A line for each meter, smaller after a longer time, with the source of the figures; and what no balance can see."""
    with opened(browser, f"{third}/balance") as page:
        unseen = page.locator("section[aria-labelledby=unseen]")
        expect(unseen).to_contain_text("from the plan alone")
        expect(unseen).to_contain_text("No balance can detect an error that all meters")
        assert unseen.locator("tbody tr").count() == 15
    lines = httpx.get(f"{third}/api/balance", timeout=20).json()["unseen"]
    assert all(item["seen"][0] > item["seen"][1] > item["seen"][2] > 0 for item in lines)


def test_the_day_before_was_all_right(third: str, browser: Browser) -> None:
    """One walks back with a click, and forward again; a moment can be written too. The suspect stands below all of them."""
    with opened(browser, f"{third}/balance?period=day") as page:
        page.click("a[rel=prev]")
        expect(page.locator(".answer .big")).to_contain_text(
            "within what the meters can explain, but there are other signs"
        )
        page.click("a[rel=next]")
        expect(page.locator(".answer .big")).to_contain_text("No")
        page.fill("input[name=at]", "1.3.2026 14:00")
        page.click("form.choice > button")
        expect(page.locator(".answer .big")).to_contain_text("within what the meters can explain")


def test_it_is_readable_for_everyone(third: str, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off, everything unfolded; in German too."""
    with opened(browser, f"{third}/balance?period=hour", language="de") as page:
        expect(page.locator("h1")).to_have_text("Stimmt die Bilanz?")
        expect(page.locator("svg.single-line text.mark")).to_have_text(["▲ verdächtig"])
        assert unreadable(page, at_night=PHONE, by_day=DESK) == []
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert not overflows(page)
        look(page, PHONE, dark=True)
        assert not overflows(page)


def test_a_silent_meter_is_reported_as_the_reason(mill: Mill, browser: Browser) -> None:
    """The north board cannot be said while a meter is silent, and the page says which and why; the south board is all right."""
    with opened(browser, f"{mill.address}/balance?board=south") as page:
        expect(page.locator(".answer .big")).to_contain_text("Yes")
        page.select_option("select[name=board]", "north")
        page.click("form.choice > button")
        expect(page.locator(".answer .big")).to_contain_text("a reading is missing")
        expect(page.locator(".answer")).to_contain_text("Lifts north")
        expect(page.locator("section[aria-labelledby=suspects]")).to_contain_text("Lifts north")
        page.select_option("select[name=period]", "day")
        page.click("form.choice > button")
        # a quarter hour of that day may lie outside a band of k = 2 by chance: then it says so instead of "Yes"
        expect(page.locator(".answer .big")).to_contain_text(re.compile("Yes|within what the meters can explain"))


@pytest.mark.slow
def test_an_energy_and_what_it_is_composed_of_add_up_as_they_are_shown(mill: Mill, browser: Browser) -> None:
    """Found by looking: 126.08 of an import of 126.2 and an export of 0.07."""
    with opened(browser, f"{mill.address}/balance?board=south&period=day") as page:
        rows = page.locator("section[aria-labelledby=branches] tbody tr", has_text="export").all()
        texts = [(row.locator("td").first.inner_text(), row.locator("td").last.inner_text()) for row in rows]
    assert texts
    for energy, composed in texts:
        both = [Decimal(number) for number in re.findall(r"(?:import|export) ([\d.]+) kWh", composed.replace(",", ""))]
        assert len(both) == 2, composed
        shown = Decimal(energy.replace("−", "-").replace(",", ""))
        assert {number.as_tuple().exponent for number in (shown, *both)} == {-2}
        assert abs(both[0] - both[1] - shown) <= Decimal("0.01")  # each is rounded for itself


def test_the_diagram_shows_every_point_with_its_energy(mill: Mill, browser: Browser) -> None:
    """An SVG with a name; as many meters as the table has rows; the same energies."""
    with opened(browser, f"{mill.address}/balance?board=north&period=day") as page:
        svg = page.locator("svg.single-line")
        expect(svg).to_be_visible()
        rows = page.locator("section[aria-labelledby=branches] tbody tr")
        assert svg.locator("use[href^='#s-meter']").count() == rows.count()
        drawn = {text.strip() for text in svg.locator("text.energy").all_text_contents()}
        listed = {text.removeprefix("−") for text in rows.locator("td:nth-of-type(1) .figure").all_inner_texts()}
        expect(page.locator("section[aria-labelledby=branches] thead")).to_contain_text("Energy, kWh")
    answer = httpx.get(f"{mill.address}/api/balance?board=north&period=day", timeout=20).json()
    energies = [abs(branch["energy_mwh"]) for branch in answer["branches"]]
    assert len(energies) > 10
    assert drawn == {wording.energy("en", mwh) for mwh in energies}
    assert listed == {wording.number("en", mwh / 1e6, 2) for mwh in energies}


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("board=nowhere", 404), ("period=decade", 422), ("at=yesterday", 422), ("at=2026-02-30", 422), ("at=99999999999999", 422),
        ("period=month&at=1971-01", 200), ("at=0", 200), ("at=", 200),
    ],
)  # fmt: skip
def test_questions_that_cannot_be_are_refused(mill: Mill, query: str, code: int) -> None:
    """With words; a time before everything has no gap, not a wrong one."""
    answer = httpx.get(f"{mill.address}/api/balance?{query}", timeout=20)
    assert answer.status_code == code, answer.text
    if code == 200 and query != "at=":
        assert answer.json()["gap"] is None


def test_a_board_of_few_feeders_is_not_drawn_in_giant_letters(tmp_path: Path, browser: Browser) -> None:
    """Found by looking at a board of three feeders: the drawing was stretched to the width of the page."""
    with serving(tmp_path / "s.sqlite") as address, opened(browser, f"{address}/balance", size=DESK) as page:
        svg = page.locator("svg.single-line")
        expect(svg).to_be_visible()
        scale = svg.evaluate("one => one.getBoundingClientRect().width / one.viewBox.baseVal.width")
        assert scale < 1.5
        assert not overflows(page)
