"""Sheet "papers": what is offered to whom; papers made on request, recorded, one at a time; in a browser."""

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx
import openpyxl
import pytest
from playwright.sync_api import Browser, expect
from starlette.exceptions import HTTPException

from meterd.errors import ConfigError
from meterd.mqtt.broker import free_port
from meterd.page import PaperWish, UserRole, Viewer
from meterd.page.access import UserFile
from meterd.page.asking import Office
from meterd.page.papers import PapersView, look
from meterd.page.server import PageServer
from meterd.page.web import SESSION
from meterd.site import Allocation, Site
from meterd.store.sqlite import SqliteStore
from tests.page.conftest import PASSWORD, Mill
from tests.page.look import PHONE, accessibility_faults, log_in, opened, overflows
from tests.page.offices import SITE, office, shot, steady

SOMEBODY = Viewer("ada", UserRole.LOOK, "en")
YEARLY = replace(SITE, allocations=(Allocation("power", board="north", per="year"),))
STRICT = replace(SITE, page=replace(SITE.page, rooms="change"))
DOCUMENTS = "/paper?kind=documents&form=xlsx"
MONTH = "kind=report&period=2026-05&language=en"


def answer(found: Office, viewer: Viewer = SOMEBODY, period: str = "") -> PapersView:
    """The sheet as it is for somebody."""
    return look(found, viewer, shot(found), period)


def reasons(view: PapersView) -> dict[str, str]:
    """Why a paper cannot be had, by its kind."""
    return {one.kind: one.why_not for one in view.papers if one.why_not}


@contextmanager
def come_in(path: Path, *, site: Site = SITE) -> Iterator[tuple[Office, httpx.Client]]:
    """The page of a small site over a socket, and somebody who has logged in."""
    users = UserFile(path.with_name("users"))
    users.keep("ada", UserRole.LOOK, PASSWORD)
    desk = office(path, steady("t1", 5000.0), site=replace(site, page=replace(site.page, port=free_port()))).desk
    server = PageServer(desk, users.path)
    server.start()
    try:
        cookie = {SESSION: server.office.sessions.begin(users.users()["ada"])}
        with httpx.Client(base_url=server.address, cookies=cookie, timeout=30) as asking:
            yield server.office, asking
    finally:
        server.stop(5)


def test_what_cannot_be_had_is_told_with_its_reason(tmp_path: Path) -> None:
    """No allocation in the plan; one per year has no month; a month without figures; the running month is not over."""
    found = office(tmp_path / "a.sqlite", steady("t1", 5000.0))
    view = answer(found)
    assert (view.period, view.periods, view.over) == ("2026-05", ["2026-05", "2026"], False)
    assert reasons(view) == {"cost-allocation": "none"}
    with pytest.raises(HTTPException, match="no figures of 2020"):
        answer(found, period="2020")
    yearly = office(tmp_path / "b.sqlite", steady("t1", 5000.0), site=YEARLY)
    assert reasons(answer(yearly)) == {"cost-allocation": "year"}
    assert reasons(answer(yearly, period="2026")) == {}


def test_single_rooms_need_the_role_of_the_plan(tmp_path: Path) -> None:
    """Papers with figures are refused to whoever may not see rooms; those of the plan are not."""
    found = office(tmp_path / "s.sqlite", steady("t1", 5000.0), site=STRICT)
    view = answer(found)
    assert (view.figures_role, view.may_figures, reasons(view)["report"]) == ("change", False, "role")
    with come_in(tmp_path / "strict.sqlite", site=STRICT) as (page, asking):
        for wish in (MONTH, "kind=acceptance&point=room-1"):
            assert asking.get(f"/paper?{wish}").status_code == 403
        assert asking.get(DOCUMENTS).status_code == 200
        page.users.keep("ada", UserRole.CHANGE, PASSWORD)
        asking.cookies = {SESSION: page.sessions.begin(page.users.users()["ada"])}  # type: ignore[assignment]
        assert asking.get("/paper?kind=acceptance&point=room-1").content.startswith(b"%PDF")


def test_reports_are_recorded_for_whoever_had_them_once(tmp_path: Path) -> None:
    """With the energies they rest on; the same file again keeps its record, what is made of the plan has none."""
    path = tmp_path / "s.sqlite"
    with come_in(path) as (_, asking):
        first = asking.get(f"/paper?{MONTH}&form=xlsx")
        assert asking.get(f"/paper?{MONTH}&form=xlsx").content == first.content
        assert asking.get(DOCUMENTS).status_code == 200
    assert first.headers["content-disposition"] == 'attachment; filename="mill-report-2026-05-en.xlsx"'
    assert first.headers["cache-control"] == "no-store"
    store = SqliteStore.reader(path)
    (one,) = store.issued.all()
    store.close()
    assert (one.kind, one.period, one.person) == ("month-report", "2026-05", "ada")
    assert ("t1", "1.8.0") in [(point, register) for point, register, _ in one.figures]


def test_one_paper_at_a_time(tmp_path: Path) -> None:
    """Who comes while another is made is told when to come again."""
    with come_in(tmp_path / "s.sqlite") as (found, asking):
        with found.press:
            busy = asking.get(DOCUMENTS)
        assert (busy.status_code, busy.headers["retry-after"]) == (503, "5")
        assert "another paper is being made" in busy.text
        assert asking.get(DOCUMENTS).status_code == 200


def test_what_is_not_there_is_told_and_the_next_one_is_served(tmp_path: Path) -> None:
    """In words that name no file of the machine; the next paper can be made afterwards."""
    wishes = {
        "kind=report&period=2020-01": 404,
        "kind=report": 404,
        "kind=report&period=2026-13": 422,
        "kind=report&period=../../etc": 422,
        "kind=secrets": 422,
        "kind=labels&form=xlsx": 404,
        "kind=acceptance&point=nobody": 404,
        "kind=acceptance": 404,
        "kind=cost-allocation&period=2026-05": 404,
        "kind=documents&language=fr": 422,
        "": 303,
    }
    with come_in(tmp_path / "s.sqlite") as (_, asking):
        for wish, code in wishes.items():
            told = asking.get(f"/paper?{wish}")
            assert told.status_code == code, wish
            assert str(tmp_path) not in told.text
        assert asking.get(DOCUMENTS).status_code == 200


def test_the_desk_refuses_forms_that_there_are_not(tmp_path: Path) -> None:
    """Also for whoever asks it without the page."""
    desk = office(tmp_path / "s.sqlite", []).desk
    with pytest.raises(ConfigError, match="no documents as docx"):
        desk.paper(PaperWish("documents", "docx", "", "en"), "ada")


def test_nobody_gets_papers_without_a_login(tmp_path: Path) -> None:
    """Though the page itself is open; from there the way leads back to the sheet."""
    with come_in(tmp_path / "s.sqlite") as (_, asking):
        asking.cookies.clear()
        for way in ("/paper", "/papers"):
            asked = asking.get(f"{way}?kind=documents").headers["location"]
            assert asked == f"/login?to={way}%3Fkind%3Ddocuments"  # whoever logs in comes back to what was asked for
        assert asking.get("/api/papers").status_code == 401


# -- in a browser ------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_report_of_the_month_is_downloaded(mill: Mill, browser: Browser, tmp_path: Path) -> None:
    """As PDF and as workbook, from the running daemon, which records both; by keyboard, as a person would."""
    users = UserFile(mill.store.with_name(mill.store.name + ".users"))
    assert users.users()["look"].role is UserRole.LOOK
    with opened(browser, f"{mill.address}/now") as page:
        log_in(page, mill.address, "look", PASSWORD)
        page.click("nav >> text=Papers")
        section = page.locator("section[aria-labelledby=paper-report]")
        contents = {}
        for form, words in (("pdf", "PDF"), ("xlsx", "Workbook")):
            link = section.locator(f"a:has-text('{words}')")
            link.focus()
            with page.expect_download(timeout=60_000) as coming:
                page.keyboard.press("Enter")
            file = tmp_path / coming.value.suggested_filename
            coming.value.save_as(file)
            assert file.suffix == f".{form}"
            contents[form] = file.read_bytes()
    assert contents["pdf"].startswith(b"%PDF")
    assert "Report" in openpyxl.load_workbook(io.BytesIO(contents["xlsx"])).sheetnames
    store = SqliteStore.reader(mill.store)
    assert [one.person for one in store.issued.all()] == ["look", "look"]
    store.close()


@pytest.mark.slow
def test_it_asks_for_a_login_and_is_readable_on_a_phone_in_german(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, nothing is cut off; without a login nothing is told."""
    assert httpx.get(f"{mill.address}/papers").headers["location"] == "/login?to=/papers"
    with opened(browser, f"{mill.address}/now", size=PHONE, dark=True, language="de-AT") as page:
        log_in(page, mill.address, "look", PASSWORD)
        page.goto(f"{mill.address}/papers")
        expect(page.locator("h1")).to_have_text("Welche Unterlagen gibt es zu dieser Anlage?")
        expect(page.locator("#paper-cost-allocation")).to_contain_text("Kostenaufteilung")
        assert accessibility_faults(page) == []
        assert not overflows(page)
