"""Sheet "point": the values of one point from small stores, and the sheet in a browser beside planted faults."""

from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, expect
from starlette.exceptions import HTTPException

from meterd.correction import Correction
from meterd.finding import Finding
from meterd.page import UserRole, Viewer
from meterd.page.point import PointView, look
from meterd.page.point_detail import Figures, PointDetail
from meterd.reading import Reading
from meterd.store.records import Record
from meterd.store.sqlite import SqliteStore
from tests.page.conftest import Mill
from tests.page.look import DESK, PHONE, accessibility_faults, opened, overflows
from tests.page.offices import BEGIN, HOURS, MINUTE, PHASES, office, shot, steady

NOBODY, SOMEBODY = Viewer(), Viewer("ada", UserRole.LOOK)
LAST = BEGIN + HOURS * 60 * MINUTE


def seen(path: Path, readings: list[Reading], point: str, viewer: Viewer = SOMEBODY) -> PointView:
    found = office(path / "s.sqlite", readings)
    return look(found, viewer, shot(found), point)


def one(view: PointView) -> PointDetail:
    assert view.one is not None
    return view.one


def figures(path: Path, readings: list[Reading], point: str = "q01") -> Figures:
    found = one(seen(path, readings, point)).figures
    assert found is not None
    return found


def test_register_and_power_that_agree_say_so(tmp_path: Path) -> None:
    """Eight quarter hours of 4 kW, all within what is allowed; the day began before the first reading and is missing."""
    found = figures(tmp_path, steady("q01", 4000.0))
    assert [line.word for line in found.compared] == ["agrees"] * 8
    assert {line.register_mwh for line in found.compared} == {1_000_000}
    assert not found.differs
    assert found.along_mwh == 12_000_000
    assert (found.days[0].along_mwh, found.days[0].so_far) == (None, True)
    assert found.chart is not None
    assert found.chart.along[-3:] == [4.0, 4.0, 4.0]


def test_a_power_off_by_a_tenth_differs(tmp_path: Path) -> None:
    """Class B allows a few per cent, not ten."""
    found = figures(tmp_path, steady("q01", 4000.0, shown=0.9))
    assert found.differs
    assert found.compared[-1].difference_mwh == pytest.approx(100_000, abs=1000)


def test_a_power_of_the_wrong_sign_points_the_other_way(tmp_path: Path) -> None:
    """The register counts up, the power is negative."""
    assert figures(tmp_path, steady("q01", 4000.0, shown=-1.0)).sign == "disagrees"


def test_a_feeder_that_exports_asks_for_its_source(tmp_path: Path) -> None:
    """The plan has none behind it."""
    found = figures(tmp_path, steady("q02", -2000.0), "q02")
    assert found.sign == "feeder-exports"
    assert (found.along_mwh, found.against_mwh) == (0, 6_000_000)


def test_without_power_readings_nothing_is_compared(tmp_path: Path) -> None:
    """A room without a power register: its energies stand alone."""
    found = figures(tmp_path, steady("room-1", 300.0), "room-1")
    assert found.compared == []
    assert found.power_at_ms is None
    assert found.along_mwh == 900_000


def test_power_factor_comes_from_summed_energies(tmp_path: Path) -> None:
    """3 kWh and 4 kvarh each hour give 0.6, whatever the meter itself says at a moment."""
    reactive = [
        Reading("q01", "3.8.0", BEGIN + m * MINUTE, round(4_000_000 * m / 60), BEGIN + m * MINUTE)
        for m in range(HOURS * 60 + 2)
    ]
    found = figures(tmp_path, [*steady("q01", 3000.0), *reactive])
    assert found.power_factor == pytest.approx(0.6)
    assert found.power_factor_by == "energy"


def test_phases_with_their_imbalance(tmp_path: Path) -> None:
    """220, 230 and 240 V: 10 V from the mean. A phase that was not read is missing, and there is no imbalance then."""
    volts = [Reading("q01", obis, LAST, 220.0 + 10 * i, LAST) for i, obis in enumerate(PHASES)]
    (line,) = figures(tmp_path, [*steady("q01", 1000.0), *volts]).phases
    assert line.values == [220.0, 230.0, 240.0]
    assert line.imbalance == pytest.approx(10 / 230)
    (tmp_path / "two").mkdir()
    (line,) = figures(tmp_path / "two", [*steady("q01", 1000.0), *volts[:2]]).phases
    assert line.values == [220.0, 230.0, None]
    assert line.imbalance is None


def test_hours_that_are_missing_make_the_sum_a_lower_bound(tmp_path: Path) -> None:
    """Silent after the first hour and a half: one hour is known."""
    found = figures(tmp_path, steady("q01", 4000.0, minutes=range(91)))
    assert found.along_mwh == 4_000_000
    assert not found.whole
    assert found.days[0].along_mwh is None


def test_a_point_that_never_sent_anything_has_no_figures(tmp_path: Path) -> None:
    """Missing, not zero."""
    found = figures(tmp_path, steady("t1", 100.0))
    assert (found.along_mwh, found.power_w, found.registers, found.sign) == (None, None, [], "unknown")


def test_what_the_plan_says_is_there_under_the_old_name_too(tmp_path: Path) -> None:
    """Instruments newest first, what is behind it, former names; an unknown name is told."""
    found = seen(tmp_path, steady("q01", 100.0), "old-ovens")
    detail = one(found)
    assert (detail.point, detail.aliases, detail.board_title) == ("q01", ["old-ovens"], "Main distribution")
    assert [i.serial for i in detail.instruments] == ["A-2", "A-1"]
    assert detail.instruments[1].closing[0].milli == 5_000_000
    assert detail.instruments[1].note == "display failed"
    assert [line.point for line in found.behind] == ["room-1", "room-2"]
    (tmp_path / "other").mkdir()
    assert one(seen(tmp_path / "other", [], "q02")).feeds == ["annex"]
    (tmp_path / "third").mkdir()
    with pytest.raises(HTTPException, match="no point nothing"):
        seen(tmp_path / "third", [], "nothing")


def test_what_people_did_here_is_told_newest_first(tmp_path: Path) -> None:
    """An exchange, a correction and that it was withdrawn; those of other points are not here."""
    found = office(tmp_path / "s.sqlite", steady("q01", 100.0))
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    with store.transaction():
        store.records.add(Record("exchange", "q01", BEGIN - 10**8, "ada", "display failed", BEGIN, {}))
        made = [
            store.corrections.add(Correction(0, point, "1.8.0", BEGIN, None, "5/3", "ratio", "bea", LAST))
            for point in ("q01", "q02")
        ]
        store.corrections.withdraw(made[0], LAST, person="cai", reason="was right")
    store.close()
    events = one(look(found, SOMEBODY, shot(found), "q01")).events
    assert [(e.kind, e.person, e.at_ms) for e in events] == [
        ("withdrawn", "cai", LAST),
        ("correction", "bea", BEGIN),
        ("exchange", "ada", BEGIN - 10**8),
    ]
    assert [e.words for e in events] == ["import × 5/3: was right", "import × 5/3: ratio", "display failed"]


def test_figures_of_single_rooms_are_for_whoever_may_see_them(tmp_path: Path) -> None:
    """In the list, behind a feeder, and on their own sheet; the plan's words are for everyone."""
    finding = Finding("stale", "room-1", LAST, "room-1: nothing", "", ("room-1",))
    found = office(tmp_path / "s.sqlite", steady("room-1", 300.0), [finding])
    closed, open_ = (look(found, viewer, shot(found), "room-1") for viewer in (NOBODY, SOMEBODY))
    assert one(closed).figures is None
    assert one(closed).findings == []
    assert one(open_).figures is not None
    assert [line.id for line in one(open_).findings] == ["stale-room-1"]
    lines = {line.point: line for board in look(found, NOBODY, shot(found)).boards for line in board.points}
    assert (lines["room-1"].hidden, lines["room-1"].register_mwh, lines["room-1"].at_ms) == (True, None, None)
    assert not lines["q01"].hidden


def test_the_list_has_what_hangs_below_after_its_feeder(tmp_path: Path) -> None:
    """Board by board, with the newest value and the open findings."""
    found = office(
        tmp_path / "s.sqlite", steady("q01", 4000.0), [Finding("stale", "q01", LAST, "q01: x", "", ("q01",))]
    )
    board = look(found, SOMEBODY, shot(found)).boards[0]
    assert [line.point for line in board.points] == ["t1", "q01", "room-1", "room-2", "q02"]
    ovens = board.points[1]
    assert (ovens.watt, ovens.findings, ovens.at_ms) == (4000, 1, LAST + MINUTE)


# -- in a browser ------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_silent_meter_is_seen_in_the_list_and_on_its_sheet(mill: Mill, browser: Browser) -> None:
    """The list marks it; its sheet has the finding first and a chart of the days before."""
    with opened(browser, f"{mill.address}/point") as page:
        row = page.locator("tr", has=page.locator("a[href='/point?point=lifts-north']"))
        for _ in range(30):
            if row.locator(".mark.outside").count():
                break
            page.wait_for_timeout(1000)
            page.reload()
        expect(row).to_contain_text("1 finding")
        row.locator("a").first.click()
        expect(page.locator("h1")).to_have_text("What is lifts-north?")
        expect(page.locator("section[aria-labelledby=open]")).to_contain_text("stale-lifts-north")
        expect(page.locator("figure.chart canvas")).to_be_visible()


@pytest.mark.slow
def test_an_old_name_leads_to_the_point_with_all_its_instruments(mill: Mill, browser: Browser) -> None:
    """q01 is bakery-ovens today; the climbing hall shows the removed meter with its closing reading."""
    with opened(browser, f"{mill.address}/point?point=q01") as page:
        expect(page.locator("h1")).to_have_text("What is bakery-ovens?")
        expect(page.locator(".facts")).to_contain_text("q01")
        expect(page.locator("section[aria-labelledby=agree]")).to_contain_text("Register and power agree")
        page.goto(f"{mill.address}/point?point=climbing-hall")
        rows = page.locator("section[aria-labelledby=instruments] tbody tr")
        expect(rows).to_have_count(2)
        expect(rows.nth(1)).to_contain_text("HM-1023")
        expect(rows.nth(1)).to_contain_text("412,345.680 kWh")


@pytest.mark.slow
@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESK, False)], ids=["phone at night", "desk"])
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser, size: tuple[int, int], dark: bool) -> None:
    """axe-core finds nothing, and nothing is cut off; in German, with every part of a sheet that a feed fills."""
    with opened(browser, f"{mill.address}/point?point=t1", size=size, dark=dark, language="de-AT") as page:
        expect(page.locator("h1")).to_have_text("Was ist t1?")
        expect(page.locator("section[aria-labelledby=phases]")).to_contain_text("Unsymmetrie")
        assert accessibility_faults(page) == []
        assert not overflows(page)
        page.goto(f"{mill.address}/point")
        assert accessibility_faults(page) == []
        assert not overflows(page)


@pytest.mark.slow
def test_programs_get_the_same_values(mill: Mill) -> None:
    """Every point of the plan answers, and an unknown one is told."""
    with httpx.Client(base_url=mill.address, timeout=20) as client:
        boards = client.get("/api/point").json()["boards"]
        names = [line["point"] for board in boards for line in board["points"]]
        assert len(names) == 78
        for name in ("yard-light", "pv-hall", "studio-07", "print-shop"):
            assert client.get("/api/point", params={"point": name}).json()["one"]["point"] == name
            assert client.get("/point", params={"point": name}).status_code == 200
        assert client.get("/api/point", params={"point": "nope"}).status_code == 404
