"""Sheet "why": figures of small stores made again, and the sheet in a browser from the balance down to the readings."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
from playwright.sync_api import Browser, expect
from starlette.exceptions import HTTPException

from meterd import pipeline
from meterd.app.bookkeeper import Bookkeeper
from meterd.app.daemon import Daemon
from meterd.app.desk import DaemonDesk
from meterd.correction import Correction
from meterd.interval import to_ms
from meterd.page import UserRole, Viewer
from meterd.page.access import Sessions, UserFile
from meterd.page.asking import Office
from meterd.page.moments import moment
from meterd.page.why import WhyView, look
from meterd.page.why_balance import BalanceWhy
from meterd.page.why_figure import FigureWhy
from meterd.reading import IMPORT, Reading
from meterd.site import Site
from meterd.store.sqlite import SqliteStore
from tests.page.conftest import Mill
from tests.page.look import DESK, PHONE, accessibility_faults, opened, overflows
from tests.page.offices import BEGIN, HOURS, MINUTE, SITE, office, shot, steady

NOBODY, SOMEBODY = Viewer(), Viewer("ada", UserRole.LOOK)
QUARTER = 15 * MINUTE
VIENNA = ZoneInfo("Europe/Vienna")
MARCH = replace(SITE, instruments=())  # those of the small site were fitted in April


def asked(found: Office, viewer: Viewer = SOMEBODY, **query: str) -> WhyView:
    """What the sheet answers to a query."""
    return look(found, viewer, shot(found), **query)  # type: ignore[arg-type]


def figure(found: Office, **query: str) -> FigureWhy:
    answer = asked(found, **query).figure
    assert answer is not None
    return answer


def board(found: Office, **query: str) -> BalanceWhy:
    answer = asked(found, board="north", **query).balance
    assert answer is not None
    return answer


@pytest.fixture(scope="module")
def march(tmp_path_factory: pytest.TempPathFactory) -> Office:
    """A feeder of 4 kW read every full hour from the end of February to 2 April 2026, over the change of clocks."""
    path = tmp_path_factory.mktemp("march") / "s.sqlite"
    first, last = (to_ms(datetime(2026, m, d, tzinfo=UTC)) for m, d in ((2, 28), (4, 2)))
    times = np.arange(first, last + 1, 60 * MINUTE, dtype=np.int64)
    store = SqliteStore.writer(path)
    books = Bookkeeper(store, MARCH, VIENNA)
    books.import_history(("q01", IMPORT), times, (times - first) // 60 * 67, last)
    books.settle(last, last)
    daemon = Daemon(MARCH, path)
    daemon.snapshot = pipeline.snapshot(books.state, last, closed={}, pv_day=None, findings=())
    store.close()
    users = UserFile(path.with_name("users"))
    return Office(DaemonDesk(daemon), users, Sessions(users))


def test_an_interval_is_made_again_from_its_readings(tmp_path: Path) -> None:
    """1 kWh a quarter hour; the readings of both ends, the instrument of then, one version; it agrees."""
    found = figure(
        office(tmp_path / "s.sqlite", steady("q01", 4000.0)), point="q01", start=str(BEGIN + 4 * QUARTER + 5)
    )
    assert (found.start_ms, found.energy_mwh, found.flags) == (BEGIN + 4 * QUARTER, 1_000_000, [])
    assert (found.word, found.again_mwh) == ("agrees", 1_000_000)
    assert found.interval is not None
    assert (found.interval.start.found, found.interval.end.counted_mwh) == ("exact", 5_000_000)
    assert (found.interval.between, found.interval.refused) == (16, 0)
    rests = {line.at_ms: line for line in found.interval.readings}
    assert rests[found.end_ms].shown_milli == 5_000_000
    assert rests[found.end_ms].received_ms == found.end_ms
    assert [one.serial for one in found.instruments] == ["A-2"]
    assert [(one.version, one.reason) for one in found.versions] == [(1, "closed")]


@pytest.mark.parametrize(
    ("period", "parts", "mwh"),
    [
        ("interval", 0, 1_005_000), ("hour", 4, 4_020_000), ("day", 23, 92_460_000), ("month", 31, 743 * 4_020_000),
        ("week", 7, 167 * 4_020_000),
    ],
)  # fmt: skip
def test_longer_periods_are_the_sum_of_their_parts(march: Office, period: str, parts: int, mwh: int) -> None:
    """On 29 March the day has 23 hours, its week 167, the month 743; each sum is made again to the mWh."""
    start = {"month": "2026-03", "day": "2026-03-29", "week": "2026-03-29"}.get(period, "2026-03-29T12:00")
    found = figure(march, point="q01", period=period, start=start)
    assert (found.energy_mwh, found.word) == (mwh, "agrees")
    assert len(found.parts) == parts
    if parts:
        assert sum(part.energy_mwh or 0 for part in found.parts) == mwh
    for part in found.parts[-1:]:
        below = figure(march, point="q01", period=found.part_period, start=str(part.start_ms))
        assert (below.energy_mwh, below.start_ms) == (part.energy_mwh, part.start_ms)


def test_the_old_name_leads_to_the_same_figure(march: Office) -> None:
    """Renamed points keep their links."""
    assert figure(march, point="old-ovens", start="2026-03-29T12:00").point == "q01"


def test_an_estimated_boundary_is_said(march: Office) -> None:
    """Read once an hour: the quarter hours in between share an hour whose course nobody knows."""
    found = figure(march, point="q01", start="2026-03-29T12:15")
    assert found.interval is not None
    assert (found.interval.start.found, found.interval.end.found) == ("gap", "gap")
    assert (found.flags, found.again_flags, found.word) == (["start", "end"], ["start", "end"], "agrees")


def test_a_missing_figure_is_said_and_why(tmp_path: Path) -> None:
    """The meter fell silent: no reading after it, missing in the books, missing again, and so is the hour."""
    there = office(tmp_path / "s.sqlite", steady("q01", 4000.0, minutes=range(91)))
    found = figure(there, point="q01", start=str(BEGIN + 7 * QUARTER))
    assert (found.kept, found.energy_mwh, found.again_mwh, found.word) == (True, None, None, "agrees")
    assert found.interval is not None
    assert (found.interval.start.found, found.interval.end.found) == ("after", "after")
    hour = figure(there, point="q01", period="hour", start=str(BEGIN + 4 * QUARTER))
    assert (hour.energy_mwh, hour.word) == (None, "agrees")
    assert [part.energy_mwh for part in hour.parts] == [1_000_000, 1_000_000, None, None]


def test_what_is_not_kept_is_open(tmp_path: Path) -> None:
    """The day is not over; a time before everything has nothing; a register that never spoke is silent."""
    there = office(tmp_path / "s.sqlite", steady("q01", 4000.0))
    day = figure(there, point="q01", period="day", start=str(BEGIN))
    assert (day.kept, day.word, day.reason) == (False, "unknown", "open")
    assert figure(there, point="q01", start="2001").word == "unknown"
    assert figure(there, point="q02", start=str(BEGIN)).interval is None


def test_a_correction_is_there_with_what_it_adds_and_the_version_before(tmp_path: Path) -> None:
    """Times 5/3 from the second hour on: 1 kWh becomes 1.666666, version 1 is still told."""
    there = office(tmp_path / "s.sqlite", steady("q01", 4000.0))
    now_ms = BEGIN + HOURS * 60 * MINUTE + 62_000
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    books = Bookkeeper(store, SITE, VIENNA)
    one = Correction(0, "q01", IMPORT, BEGIN + 4 * QUARTER, None, "5/3", "ratio of the plate", "bea", now_ms)
    books.correct(("q01", IMPORT), (one.from_ms, one.end_ms), now_ms, lambda: store.corrections.add(one))
    while books.correct_on(now_ms) is not None:
        pass
    store.close()
    found = figure(there, point="q01", start=str(BEGIN + 4 * QUARTER))
    assert (found.energy_mwh, found.word) == (1_666_666, "agrees")
    assert found.interval is not None
    assert found.interval.gain_mwh == 666_666
    assert [(c.factor, c.person) for c in found.corrections] == [("5/3", "bea")]
    assert [(v.energy_mwh, v.reason) for v in found.versions] == [(1_000_000, "closed"), (1_666_666, "correction 1")]
    before = figure(there, point="q01", start=str(BEGIN))
    assert (before.energy_mwh, before.corrections) == (1_000_000, [])


def test_a_corrected_reading_is_shown_as_it_was_read_and_what_it_is_taken_for(tmp_path: Path) -> None:
    """The energies around it follow and agree; left out by a newer correction, it is not used."""
    there = office(tmp_path / "s.sqlite", steady("q01", 4000.0))
    now_ms, at_ms = BEGIN + HOURS * 60 * MINUTE + 62_000, BEGIN + 4 * QUARTER
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    (kept,) = store.readings_between(("q01", IMPORT), at_ms, at_ms + 1, most=1)
    books = Bookkeeper(store, SITE, VIENNA)
    more = f"{(kept.value + 100_000) / 1000:.3f}"
    for reads, begin_mwh in ((more, 900_000), ("strike", 1_000_000)):
        one = Correction(0, "q01", IMPORT, at_ms, at_ms + 1, "", "typed wrongly", "bea", now_ms, reads=reads)
        books.correct_reading(("q01", IMPORT), at_ms, now_ms, lambda one=one: store.corrections.add(one))  # type: ignore[misc]
        found = figure(there, point="q01", start=str(at_ms))
        assert (found.energy_mwh, found.word) == (begin_mwh, "agrees")
        assert found.interval is not None
        (line,) = [line for line in found.interval.readings if line.at_ms == at_ms]
        taken = None if reads == "strike" else kept.value + 100_000
        assert (line.shown_milli, line.corrected, line.taken_milli) == (kept.value, True, taken)
        assert line.used == (reads != "strike")
        assert (found.corrections[-1].reads, found.corrections[-1].factor) == (reads, "")
    store.close()


def test_a_figure_that_the_plan_of_today_would_not_give_does_not_agree(tmp_path: Path) -> None:
    """The ratio was added to the plan, the books not made again yet: twenty times as much."""
    office(tmp_path / "s.sqlite", steady("q01", 4000.0))
    rows = tuple(replace(row, per_ct=row.point == "q01") for row in SITE.inputs)
    fitted = tuple(replace(one, ct_primary_a=100.0, ct_secondary_a=5.0) for one in SITE.instruments)
    found = figure(_with_plan(tmp_path, replace(SITE, inputs=rows, instruments=fitted)), point="q01", start=str(BEGIN))
    assert (found.energy_mwh, found.again_mwh, found.word) == (1_000_000, 20_000_000, "differs")


def _with_plan(folder: Path, site: Site) -> Office:
    daemon = Daemon(site, folder / "s.sqlite")
    daemon.snapshot = pipeline.snapshot(pipeline.begin(site, VIENNA, None), BEGIN, closed={}, pv_day=None, findings=())
    users = UserFile(folder / "users")
    return Office(DaemonDesk(daemon), users, Sessions(users))


def test_figures_whose_readings_were_deleted_are_final(tmp_path: Path) -> None:
    """Nothing is made of what is left; the figure stands with its versions."""
    there = office(tmp_path / "s.sqlite", steady("q01", 4000.0))
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    with store.transaction():
        store.set_fact("figures_from_ms", str(BEGIN + QUARTER))
    store.close()
    found = figure(there, point="q01", start=str(BEGIN))
    assert (found.energy_mwh, found.word, found.reason, found.interval) == (1_000_000, "unknown", "final", None)


@pytest.mark.parametrize("period", ["interval", "hour"])
def test_a_balance_is_made_again_from_its_terms(tmp_path: Path, period: str) -> None:
    """5 kW in, 4.8 kW out: residual, band and verdict as in the books; each term with its registers."""
    readings = [*steady("t1", 5000.0), *steady("q01", 4000.0), *steady("q02", 800.0)]
    found = board(office(tmp_path / "s.sqlite", readings), period=period, start=str(BEGIN))
    hours = 0.25 if period == "interval" else 1
    assert (found.residual_mwh, found.again_residual_mwh) == (200_000 * hours, 200_000 * hours)
    assert (found.band_mwh, found.verdict) == (found.again_band_mwh, found.again_verdict)
    assert found.word == "agrees"
    assert [(t.point, t.sign, t.energy_mwh) for t in found.terms] == [
        ("t1", 1, 5_000_000 * hours), ("q01", -1, 4_000_000 * hours), ("q02", -1, 800_000 * hours)
    ]  # fmt: skip
    assert [r.register_code for r in found.terms[1].registers] == ["1.8.0", "2.8.0"]
    squares = sum((t.u_mwh or 0) ** 2 for t in found.terms)
    assert found.band_mwh == pytest.approx(2 * squares**0.5, abs=5)


def test_a_balance_with_a_silent_meter_says_which(tmp_path: Path) -> None:
    """Not computable in the books, and again."""
    found = board(office(tmp_path / "s.sqlite", [*steady("t1", 5000.0), *steady("q01", 4000.0)]), start=str(BEGIN))
    assert (found.verdict, found.again_verdict, found.word) == ("not computable", "not computable", "agrees")
    assert (found.missing, found.residual_mwh, found.again_residual_mwh) == (["q02"], None, None)
    assert (found.terms[2].energy_mwh, found.terms[2].u_mwh) == (None, None)


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
def test_questions_that_cannot_be_are_refused_with_words(march: Office, query: dict[str, str], code: int) -> None:
    """404 for what is not there, 422 for what cannot be."""
    with pytest.raises(HTTPException) as caught:
        asked(march, **query)
    assert caught.value.status_code == code
    assert caught.value.detail


def test_a_room_is_only_for_whoever_may_see_it(tmp_path: Path) -> None:
    """403 without login."""
    there = office(tmp_path / "s.sqlite", steady("room-1", 300.0))
    with pytest.raises(HTTPException) as caught:
        asked(there, NOBODY, point="room-1", start=str(BEGIN))
    assert caught.value.status_code == 403
    assert figure(there, point="room-1", start=str(BEGIN)).energy_mwh == 75_000


@pytest.mark.parametrize(
    ("words", "local"),
    [
        ("2026", (2026, 1, 1, 0, 0)), ("2026-03", (2026, 3, 1, 0, 0)), ("2026-03-29", (2026, 3, 29, 0, 0)),
        ("2026-03-29T12:45", (2026, 3, 29, 12, 45)),
    ],
)  # fmt: skip
def test_a_local_date_begins_where_its_period_begins(words: str, local: tuple[int, int, int, int, int]) -> None:
    """In the time zone of the site."""
    assert moment(words, VIENNA, "en") == to_ms(datetime(*local, tzinfo=VIENNA))


def test_bounded_reading_is_bounded(tmp_path: Path) -> None:
    """The first few of a stretch, with their arrival and how their time was known."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = [Reading("q01", IMPORT, at, at * 10, at + 7, device_time=at != 3, old=at == 4) for at in range(1, 9)]
    with store.transaction():
        store.add_readings(rows)
    assert store.readings_between(("q01", IMPORT), 3, 8, most=3) == rows[2:5]
    assert store.readings_between(("q01", IMPORT), 7, 8, most=3) == rows[6:7]
    assert store.readings_between(("none", IMPORT), 0, 8, most=3) == []
    store.close()


# -- in a browser ------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_from_the_balance_down_to_the_readings(mill: Mill, browser: Browser) -> None:
    """An energy of the day, its hours, a quarter hour: each is made again and agrees."""
    with opened(browser, f"{mill.address}/balance?board=north&period=day") as page:
        row = page.locator("section[aria-labelledby=branches] tr", has=page.get_by_role("link", name="Cold store"))
        row.locator("a.why").click()
        for _ in range(2):
            expect(page.locator(".answer")).to_contain_text("agrees")
            expect(page.locator(".answer")).not_to_contain_text("does not")
            page.locator("section[aria-labelledby=parts] a.why").nth(2).click()
        expect(page.locator(".answer")).to_contain_text("agrees")
        expect(page.locator("section[aria-labelledby=ends]")).to_contain_text("on the line between two readings")
        expect(page.locator("section[aria-labelledby=instrument]")).to_contain_text("HM-")


@pytest.mark.slow
def test_a_balance_shows_its_terms_and_its_band(mill: Mill, browser: Browser) -> None:
    """As many terms as points count; the band is made again; the way to a term's energy."""
    covered = httpx.get(f"{mill.address}/api/balance?board=south&period=day", timeout=20).json()["gap"]["covered"]
    with opened(browser, f"{mill.address}/balance?board=south&period=day") as page:
        page.locator(".answer a[href^='/why']").click()
        expect(page.locator(".answer")).to_contain_text("agrees")
        expect(page.locator("section[aria-labelledby=terms] tbody tr")).to_have_count(covered)
        page.locator("section[aria-labelledby=terms] a.why").first.click()
        expect(page.locator("section[aria-labelledby=parts] tbody tr").last).to_contain_text("Sum")


@pytest.mark.slow
@pytest.mark.parametrize(("size", "dark"), [(PHONE, True), (DESK, False)], ids=["phone at night", "desk"])
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser, size: tuple[int, int], dark: bool) -> None:
    """axe-core finds nothing, and nothing is cut off: an interval, a week, a balance, the empty sheet; in German."""
    day = httpx.get(f"{mill.address}/api/balance?board=north&period=day", timeout=20).json()["gap"]["start_ms"]
    with opened(browser, f"{mill.address}/why", size=size, dark=dark, language="de") as page:
        expect(page.locator("h1")).to_have_text("Woher kommt diese Zahl?")
        for query in (
            "",
            f"?point=t1&start={day}",
            f"?point=t1&period=day&start={day}",
            f"?board=north&period=day&start={day}",
        ):
            page.goto(f"{mill.address}/why{query}")
            assert accessibility_faults(page) == []
            assert not overflows(page)
        expect(page.locator(".answer")).to_contain_text("stimmt überein")


@pytest.mark.slow
def test_programs_are_refused_a_room_and_told_why(mill: Mill) -> None:
    """403 without login, for people and for programs."""
    for way in ("/why", "/api/why"):
        answer = httpx.get(f"{mill.address}{way}", params={"point": "studio-07", "start": "2026-05-04"}, timeout=20)
        assert answer.status_code == 403
        assert "role" in answer.text
