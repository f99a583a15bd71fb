"""Sheets "change" and "change-meter": what is previewed, who may enter it, what is told at a field; in a browser."""

import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from urllib.parse import parse_qs, parse_qsl, urlsplit
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from meterd.app.foreseen import foresee, foreseen_beside
from meterd.app.orders import Order, OrderFolder
from meterd.correction import ChangedFigure, Correction, Foreseen
from meterd.errors import ConfigError, StoreError
from meterd.interval import Period
from meterd.mqtt.broker import free_port
from meterd.page import UserRole, Viewer, change, change_told
from meterd.page.access import UserFile
from meterd.page.asking import Office
from meterd.page.change_fields import WrongError, moment_of
from meterd.page.change_work import FAILED_S, Foresight
from meterd.page.server import PageServer
from meterd.page.web import SESSION
from meterd.reading import IMPORT
from meterd.store.sqlite import SqliteStore
from tests.page.conftest import PASSWORD, Mill
from tests.page.look import PHONE, accessibility_faults, log_in, opened, overflows
from tests.page.offices import BEGIN, SITE, office, shot, steady

HOUR = 3_600_000
ADA = Viewer("ada", UserRole.CHANGE, "en")
Q01 = ("q01", IMPORT)
WISH = {"point": "old-ovens", "register": "import", "from": "2026-05-04 13:00", "until": "2026-05-04T14:00+02:00"}
WISH |= {"factor": "250/200", "reason": "plate says 250/5"}


def books(path: Path) -> Office:
    """Three hours: q01 takes 4 kW, q02 1 kW, the feed gives both."""
    return office(path, [*steady("t1", 5000.0), *steady("q01", 4000.0), *steady("q02", 1000.0)])


def asked(**fields: str) -> change.Asked:
    """What the form asks when it is sent."""
    names = {"from": "begin", "until": "end"}
    written = {names.get(name, name): value for name, value in {**WISH, **fields}.items()}
    return change.Asked(check="yes", **written)  # type: ignore[arg-type]


def seen(found: Office, wish: change.Asked, viewer: Viewer = ADA) -> change.ChangeView:
    """The sheet once its preview is there."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        view = change.look(found, viewer, shot(found), wish)
        if view.preview is None or view.preview.state not in ("working", "busy"):
            return view
    raise AssertionError("the preview did not end")


def energies(path: Path, point: str = "q01") -> list[int]:
    """Energies of the closed intervals of a point."""
    store = SqliteStore.reader(path)
    grid = np.arange(BEGIN, BEGIN + 3 * HOUR, 900_000, dtype=np.int64)
    found: list[int] = store.columns([(point, IMPORT)], Period.INTERVAL, grid).energy[:, 0].tolist()
    store.close()
    return found


@contextmanager
def come_in(path: Path, role: UserRole = UserRole.CHANGE) -> Iterator[tuple[Office, httpx.Client, str]]:
    """The page of the books over a socket, somebody who has logged in, and the token of the forms."""
    users = UserFile(path.with_name("users"))
    users.keep("ada", role, PASSWORD)
    made = books(path)
    server = PageServer(made.desk, users.path)
    server.office.desk._daemon.site = replace(SITE, page=replace(SITE.page, port=free_port()))  # type: ignore[attr-defined]
    server.start()
    try:
        cookie = server.office.sessions.begin(users.users()["ada"])
        with httpx.Client(base_url=server.address, cookies={SESSION: cookie}, timeout=60) as asking:
            session = server.office.sessions.of(cookie)
            assert session is not None
            yield server.office, asking, session.token
    finally:
        server.stop(5)


# -- what is previewed -------------------------------------------------------------------------------------------------


@pytest.mark.slow  # a child process works it out
def test_the_preview_is_what_the_command_shows_and_changes_nothing(
    tmp_path: Path,
) -> None:
    """Worked out by a process of its own from the same functions; whole mWh, verdicts as words."""
    path = tmp_path / "s.sqlite"
    found = books(path)
    view = seen(found, asked())
    assert view.wanted is not None
    assert view.preview is not None
    one = Correction(0, "q01", IMPORT, BEGIN + HOUR, BEGIN + 2 * HOUR, "250/200", "", "", 0)
    assert (view.wanted.point, view.wanted.from_ms, view.wanted.until_ms) == ("q01", one.from_ms, one.until_ms)
    figures = [ChangedFigure(f.what, f.period, f.subject, f.before, f.after) for f in view.preview.figures]
    assert (view.preview.state, figures) == ("done", list(foresee(path, SITE, one).figures))
    assert figures[0] == ChangedFigure("energy", "2026-05", "q01 import", 12_000_000, 13_000_000)
    assert ("balance", "north verdict", "inside", "outside") in [
        (f.what, f.subject, f.before, f.after) for f in figures
    ]
    assert energies(path) == [1_000_000] * 12
    assert view.corrections == []


@pytest.mark.slow  # a child process works it out
def test_people_read_it_in_their_language(tmp_path: Path) -> None:
    """What stands behind a name, verdicts and numbers; kWh with the difference."""
    found = books(tmp_path / "s.sqlite")
    view = seen(found, asked())
    german = [
        (one.what, one.subject, one.before, one.after, one.difference)
        for one in change_told.told(view, SITE, "de")["figures"]  # type: ignore[attr-defined]
    ]
    assert german[0] == ("Energie", "q01: Bezug", "12,0 kWh", "13,0 kWh", "+1,00 kWh")
    assert ("Bilanz", "north: Urteil", "im Band", "außerhalb des Bandes", "") in german
    assert ("Bilanz", "north: Intervalle außerhalb des Bandes", "0 von 12", "4 von 12", "") in german


def test_one_at_a_time_and_kept_until_the_books_change() -> None:
    """Who comes meanwhile is told so and is next; a failure is told, and tried again after a while."""
    now, go = [0.0], threading.Event()

    class Slow:
        """Works as long as the test wants; a correction by 3 cannot be made."""

        def foreseen(self, one: Correction) -> Foreseen:
            """What it would change: nothing."""
            assert go.wait(20)
            if one.factor == "3":
                raise StoreError("no")
            return Foreseen((), ())

    works, seer = Foresight(lambda: now[0]), Slow()
    mine = Correction(0, "q01", IMPORT, 1, 2, "2", "because", "ada", 0)
    theirs, bad = replace(mine, factor="5/2"), replace(mine, factor="3")
    assert works.ask(seer, mine).state == "working"
    now[0] = 4.0
    assert works.ask(seer, replace(mine, reason="other words")).since_s == 4.0
    assert works.ask(seer, theirs).state == "busy"
    assert not works.take(mine)
    go.set()
    assert works.ask(seer, mine, 20).state == "done"
    assert not works.take(theirs)
    assert works.ask(seer, theirs, 20).state == "done"
    assert works.ask(seer, bad, 20).words == "no"
    assert not works.take(bad)
    assert [works.take(theirs), works.take(theirs)] == [True, False], "a second click enters nothing"
    now[0] += FAILED_S + 1
    go.clear()
    assert works.ask(seer, bad).state == "working"
    works.forget()
    assert not works.take(mine)
    go.set()


@pytest.mark.slow  # a child process works it out
def test_the_process_of_its_own_says_what_cannot_be_and_is_ended_at_the_limit(tmp_path: Path) -> None:
    """In the words of the command; nothing is left running."""
    path = tmp_path / "s.sqlite"
    books(path)
    one = Correction(0, "q01", IMPORT, BEGIN, None, "2", "", "", 0)
    with pytest.raises(ConfigError, match=r"reads no register 4\.8\.0 of q01"):
        foreseen_beside(path, SITE, replace(one, register="4.8.0"), 60)
    with pytest.raises(StoreError, match="no store"):
        foreseen_beside(tmp_path / "none.sqlite", SITE, one, 60)
    with pytest.raises(StoreError, match="longer than 0 s"):
        foreseen_beside(path, SITE, one, 0.0)


@pytest.mark.slow  # a child process works it out
def test_who_waits_is_told_so_without_a_script(tmp_path: Path) -> None:
    """While that of somebody else is worked out: in words, with a way to look again, and a page that comes again by itself."""
    go = threading.Event()

    class Slow:
        """Works as long as the test wants."""

        def foreseen(self, one: Correction) -> Foreseen:
            """Nothing becomes different."""
            assert go.wait(60), one
            return Foreseen((), ())

    with come_in(tmp_path / "s.sqlite") as (found, asking, _):
        found.foresight.ask(Slow(), Correction(0, "q02", IMPORT, BEGIN, None, "2", "", "", 0))
        told = asking.get("/change", params={**WISH, "check": "yes"}).text
        go.set()
        assert "That of somebody else is being worked out" in told
        assert '<noscript><meta http-equiv="refresh" content="3"></noscript>' in told
        assert ' data-again="2"' in told
        assert 'value="250/200"' in told
        assert "Enter this correction" not in told
        assert seen(found, asked()).preview is not None
        told = asking.get("/change", params={**WISH, "check": "yes"}).text
    assert "Enter this correction" in told
    assert "http-equiv" not in told


# -- what is told at a field -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "words", "fault", "german"),
    [
        ("point", "q77", "point", "keine Messstelle q77"),
        ("point", "", "missing", "wird gebraucht"),
        ("register", "power", "register", "Er liest: import, export, reactive-import"),
        ("from", "yesterday", "moment", "kein Zeitpunkt"),
        ("from", "2026-02-30", "moment", "kein Zeitpunkt"),
        ("from", "0026-02-03", "moment", "kein Zeitpunkt"),
        ("from", "2026-10-25 02:30", "twice", "zweimal oder gar nicht"),
        ("until", "2026-05-04 13:00", "not_after", "nicht nach dem Beginn"),
        ("factor", "1,25", "factor", "mit Dezimalpunkt"),
        ("factor", "1", "factor", "nicht 1"),
        ("factor", "1/0", "factor", "Verhältnis"),
        ("reason", "  ", "missing", "wird gebraucht"),
        ("reason", "x" * 501, "long", "501 Zeichen"),
        ("reason", "a\nb", "line_break", "Zeilenumbruch"),
    ],
)
def test_each_slip_is_told_at_its_field_and_nothing_is_lost(
    field: str, words: str, fault: str, german: str, one_office: Office
) -> None:
    """In the language of the viewer; every field is there as it was written; nothing is worked out."""
    view = change.look(one_office, replace(ADA, language="de"), shot(one_office), asked(**{field: words}))
    assert [(one.field, one.fault) for one in view.faults] == [(field, fault)]
    assert german in view.faults[0].text
    assert view.written == {**WISH, field: words}
    assert (view.wanted, view.preview) == (None, None)


@pytest.fixture(scope="module")
def one_office(tmp_path_factory: pytest.TempPathFactory) -> Office:
    """Books that are only looked at."""
    return books(tmp_path_factory.mktemp("change") / "s.sqlite")


def test_moments_are_those_of_the_command(one_office: Office) -> None:
    """Years, months and dates begin where they begin on site; local times besides."""
    from meterd.app.query import moment

    zone = one_office.zone()
    for words in ("2026", "2026-03", "2026-03-29", "2026-03-29T10:00:00Z", "2026-03-29T10:00:00+02:00"):
        assert moment_of(words, zone) == moment(words, zone, "--from")
    assert moment_of(" 2026-03-29 10:00 ", zone) == moment("2026-03-29T10:00:00+02:00", zone, "--from")
    for words in ("2026-W13", "20260329", "2026-3-29", "2026-13", "2026-03-29T25:00", "nan"):
        with pytest.raises(WrongError):
            moment_of(words, zone)


def test_figures_that_are_final_cannot_be_corrected(tmp_path: Path) -> None:
    """Their readings have left the journal; told at the field, with the moment since which they can."""
    path = tmp_path / "s.sqlite"
    found = books(path)
    store = SqliteStore.writer(path)
    with store.transaction():
        store.set_fact("figures_from_ms", str(BEGIN + 2 * HOUR))
    store.close()
    view = change.look(found, ADA, shot(found), asked())
    assert [(one.field, one.fault) for one in view.faults] == [("from", "final")]
    assert "before 2026-05-04 14:00 are final" in view.faults[0].text


# -- who may enter it --------------------------------------------------------------------------------------------------


@pytest.mark.slow  # a child process works it out
def test_it_is_entered_after_its_preview_and_withdrawn_again(tmp_path: Path) -> None:
    """In the name of whoever is logged in; the figures follow, and go back; both stay in the list."""
    path = tmp_path / "s.sqlite"
    with come_in(path) as (found, asking, token):
        early = asking.post("/change", data={**WISH, "token": token})
        assert (early.status_code, early.headers["location"][:8]) == (303, "/change?")
        assert energies(path) == [1_000_000] * 12, "nobody had seen what it changes"
        seen(found, asked())
        done = asking.post("/change", data={**WISH, "token": token})
        assert done.headers["location"] == "/change?done=entered#corrections"
        assert energies(path) == [1_000_000] * 4 + [1_250_000] * 4 + [1_000_000] * 4
        assert "The correction is entered" in asking.get("/change?done=entered").text
        assert seen(found, asked(until="")).overlaps == [1]
        assert seen(found, asked(until="", **{"from": "2026-05-04 14:00"})).overlaps == []
        (one,) = asking.get("/api/change").json()["corrections"]
        assert (one["number"], one["point"], one["person"], one["reason"]) == (1, "q01", "ada", "plate says 250/5")
        again = asking.post("/change", data={**WISH, "token": token})
        assert "done" not in again.headers["location"], "the books are others now: it has to be seen anew"
        back = seen(found, change.Asked(withdraw=1))
        assert back.preview is not None
        assert (back.preview.figures[0].before, back.preview.figures[0].after) == (13_000_000, 12_000_000)
        missing = asking.post("/change", data={"withdraw": "1", "reason": " ", "token": token})
        told = asking.get(missing.headers["location"]).text
        assert 'aria-invalid="true"' in told
        assert "This is needed." in told
        done = asking.post("/change", data={"withdraw": "1", "reason": "wrong cabinet", "token": token})
        assert done.headers["location"] == "/change?done=withdrawn#corrections"
        assert energies(path) == [1_000_000] * 12
        (one,) = asking.get("/api/change").json()["corrections"]
        assert (one["withdrawn_by"], one["withdrawn_reason"]) == ("ada", "wrong cabinet")
        assert asking.get("/change?withdraw=1").status_code == 404


@pytest.mark.slow  # a child process works it out
def test_it_needs_the_role_the_token_and_a_form_of_ours(tmp_path: Path) -> None:
    """The login for nobody, 403 in words for the others; nothing is entered, and the sheet is not listed."""
    path = tmp_path / "s.sqlite"
    with come_in(path, UserRole.ACKNOWLEDGE) as (found, asking, token):
        for way in ("/change", "/change-meter", "/api/change", "/api/change-meter"):
            told = asking.get(way)
            assert (told.status_code, "your role may not do this; it needs change" in told.text) == (403, True)
        assert 'href="/change"' not in asking.get("/now").text
        assert asking.post("/change", data={**WISH, "token": token}).status_code == 403
        found.users.keep("ada", UserRole.CHANGE, PASSWORD)
        cookie = found.sessions.begin(found.users.users()["ada"])
        asking.cookies = {SESSION: cookie}
        seen(found, asked())
        assert asking.post("/change", data=WISH).status_code == 403
        assert asking.post("/change", data={**WISH, "token": token}).status_code == 403
        session = found.sessions.of(cookie)
        assert session is not None
        elsewhere = {"origin": "https://evil.example"}
        fresh = {**WISH, "token": session.token}
        assert asking.post("/change", data=fresh, headers=elsewhere).status_code == 403
        asking.cookies.clear()
        over = asking.post("/change", data=fresh)
        way = parse_qs(urlsplit(over.headers["location"]).query)["to"][0]
        assert (over.status_code, over.headers["location"][:7]) == (303, "/login?")
        assert dict(parse_qsl(urlsplit(way).query)) == {**WISH, "check": "yes"}, "who logs in again finds it as it was"
        assert asking.post("/change", data={**fresh, "reason": "é" * 500}).status_code == 401
        assert asking.get("/change").headers["location"] == "/login?to=/change"
    assert energies(path) == [1_000_000] * 12


@pytest.mark.slow  # a child process works it out
def test_an_order_that_is_refused_leads_back_to_the_form(tmp_path: Path) -> None:
    """The process that writes says no by the folder of orders: told in its words, with the way back to all that was written."""
    path, got, over = tmp_path / "s.sqlite", [], threading.Event()

    def refuse(order: Order) -> str:
        got.append(order)
        raise ConfigError("nobody here changes the books")

    def write() -> None:
        while not over.wait(0.02):
            OrderFolder(path).carry_out(refuse)

    with come_in(path) as (found, asking, token):
        seen(found, asked())
        writer, busy = SqliteStore.writer(path), threading.Thread(target=write)
        busy.start()
        told = asking.post("/change", data={**WISH, "token": token})
        over.set()
        busy.join()
        writer.close()
    assert (told.status_code, "nobody here changes the books" in told.text) == (409, True)
    assert "factor=250%2F200" in told.text
    (order,) = got
    assert (order.kind, order.what, order.person, order.note) == ("correct", "q01", "ada", "plate says 250/5")


# -- in a browser ------------------------------------------------------------------------------------------------------


def look_at(place: Locator, words: str | re.Pattern[str]) -> None:
    """Wait for words; figures of a correction are there within seconds, on a busy machine within a minute."""
    expect(place).to_contain_text(words, timeout=90_000)


def day_of(page: Page, mill: Mill, start_ms: int) -> Locator:
    """The energy of a local day on the sheet of the point."""
    page.goto(f"{mill.address}/point?point=cafe")
    page.locator("section[aria-labelledby=week] summary").click()
    return page.locator(f"a.why[href*='period=day'][href$='start={start_ms}']")


def made(page: Page) -> None:
    """Wait on the sheet of corrections until nothing is made again any more: it looks again by itself."""
    expect(page.locator("#corrections ~ div")).to_be_visible()
    expect(page.get_by_text("figures are being made again")).to_have_count(0, timeout=90_000)


@pytest.mark.slow
def test_a_correction_from_the_form_to_the_figures_and_back(mill: Mill, browser: Browser) -> None:
    """In the running demo, by keyboard: a slip is told, then the preview, the order, the figures, the way back."""
    days = httpx.get(f"{mill.address}/api/point?point=cafe", timeout=60).json()["one"]["figures"]["days"]
    day = [one for one in days if not one["so_far"]][2]
    zone = ZoneInfo("Europe/Vienna")
    first, after = (f"{datetime.fromtimestamp(day[k] / 1000, zone):%Y-%m-%d}" for k in ("start_ms", "end_ms"))
    with opened(browser, f"{mill.address}/now") as page:
        log_in(page, mill.address, "change", PASSWORD)
        before = day_of(page, mill, day["start_ms"]).inner_text()
        page.click("nav >> text=Corrections")
        page.locator("#point").select_option("cafe")
        for name, words in (("from", first), ("until", after), ("factor", "1,5"), ("reason", "plate says 300/5")):
            page.locator(f"#{name}").fill(words)
        page.locator("#reason").press("Enter")
        look_at(page.locator("#wrong-factor"), "is no factor")
        assert page.input_value("#reason") == "plate says 300/5"
        page.locator("#factor").fill("300/200")
        page.locator("#factor").press("Enter")
        look_at(page.locator("section[aria-labelledby=preview]"), "figures become different. Nothing has been changed")
        look_at(page.locator("section[aria-labelledby=preview] tbody"), "cafe: import")
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
        look_at(page.locator("section[aria-labelledby=withdraw]"), "figures become different")
        assert accessibility_faults(page) == []
        page.locator("#reason").fill("wrong cabinet")
        page.locator("#reason").press("Enter")
        look_at(page.locator("main"), "The correction is withdrawn")
        made(page)
        look_at(page.locator("#corrections ~ div"), "by change: wrong cabinet")
        assert day_of(page, mill, day["start_ms"]).inner_text() == before


@pytest.mark.slow
def test_both_sheets_are_readable_on_a_phone_in_german(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, nothing is cut off, with and without faults."""
    with opened(browser, f"{mill.address}/now", size=PHONE, dark=True, language="de-AT") as page:
        log_in(page, mill.address, "change", PASSWORD)
        for way in ("change", "change?check=yes", "change-meter", "change-meter?point=bakery-ovens&check=yes"):
            page.goto(f"{mill.address}/{way}")
            assert accessibility_faults(page) == [], way
            assert not overflows(page), way
        expect(page.locator("h1")).to_have_text("Welcher Zähler wurde getauscht?")
