"""Page "documents": what is offered to whom; documents made on request, recorded, one at a time; in a browser."""

import io
from dataclasses import replace
from pathlib import Path

import httpx
import openpyxl
import pytest
from playwright.sync_api import Browser, expect
from starlette.exceptions import HTTPException

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.pages.documents import DocumentsView, view
from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.users import UserFile
from meterd.core.model.plan import Allocation
from tests.adapters.web.browser import PHONE, accessibility_faults, log_in, opened, overflows
from tests.adapters.web.conftest import PASSWORD, Mill
from tests.adapters.web.document_requests import DOCUMENTS, MONTH, come_in
from tests.adapters.web.request_contexts import SITE, context_of, shot, steady

SOMEBODY = Viewer("ada", UserRole.LOOK, "en")
YEARLY = replace(SITE, allocations=(Allocation("power", board="north", per="year"),))
STRICT = replace(SITE, page=replace(SITE.page, rooms="change"))


def answer(context: RequestContext, viewer: Viewer = SOMEBODY, period: str = "") -> DocumentsView:
    """The page as it is for somebody."""
    return view(context, viewer, shot(context), period)


def reasons(view: DocumentsView) -> dict[str, str]:
    """Why a document cannot be had, by its kind."""
    return {document_line.kind: document_line.why_not for document_line in view.documents if document_line.why_not}


def test_what_cannot_be_had_is_reported_with_its_reason(tmp_path: Path) -> None:
    """No allocation in the plan; one per year has no month; a month without figures; the running month is not over."""
    context = context_of(tmp_path / "a.sqlite", steady("t1", 5000.0))
    view = answer(context)
    assert (view.period, view.periods, view.over) == ("2026-05", ["2026-05", "2026"], False)
    assert reasons(view) == {"cost-allocation": "none"}
    with pytest.raises(HTTPException, match="no figures of 2020"):
        answer(context, period="2020")
    yearly = context_of(tmp_path / "b.sqlite", steady("t1", 5000.0), site=YEARLY)
    assert reasons(answer(yearly)) == {"cost-allocation": "year"}
    assert reasons(answer(yearly, period="2026")) == {}


def test_single_rooms_need_the_role_of_the_plan(tmp_path: Path) -> None:
    """Documents with figures are refused to whoever may not see rooms; those of the plan are not."""
    context = context_of(tmp_path / "s.sqlite", steady("t1", 5000.0), site=STRICT)
    view = answer(context)
    assert (view.figures_role, view.may_figures, reasons(view)["report"]) == ("change", False, "role")
    with come_in(tmp_path / "strict.sqlite", site=STRICT) as (page, asking):
        for wish in (MONTH, "kind=acceptance&point=room-1"):
            assert asking.get(f"/document?{wish}").status_code == 403
        assert asking.get(DOCUMENTS).status_code == 200
        page.users.keep("ada", UserRole.CHANGE, PASSWORD)
        asking.cookies = {page.session_cookie: page.sessions.begin(page.users.users()["ada"])}  # type: ignore[assignment]
        assert asking.get("/document?kind=acceptance&point=room-1").content.startswith(b"%PDF")


# -- in a browser ------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_report_of_the_month_is_downloaded(mill: Mill, browser: Browser, tmp_path: Path) -> None:
    """As PDF and as workbook, from the running daemon, which records both; by keyboard, as a person would."""
    users = UserFile(mill.store.with_name(mill.store.name + ".users"))
    assert users.users()["look"].role is UserRole.LOOK
    with opened(browser, f"{mill.address}/now") as page:
        log_in(page, mill.address, "look", PASSWORD)
        page.click("nav >> text=Documents")
        section = page.locator("section[aria-labelledby=document-report]")
        contents = {}
        for form, text in (("pdf", "PDF"), ("xlsx", "Workbook")):
            link = section.locator(f"a:has-text('{text}')")
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
    assert [issue.person for issue in store.issued.all()] == ["look", "look"]
    store.close()


@pytest.mark.slow
def test_it_asks_for_a_login_and_is_readable_on_a_phone_in_german(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, nothing is cut off; without a login nothing is shown."""
    assert httpx.get(f"{mill.address}/documents").headers["location"] == "/login?to=/documents"
    with opened(browser, f"{mill.address}/now", size=PHONE, dark=True, language="de-AT") as page:
        log_in(page, mill.address, "look", PASSWORD)
        page.goto(f"{mill.address}/documents")
        expect(page.locator("h1")).to_have_text("Welche Unterlagen gibt es zu dieser Anlage?")
        expect(page.locator("#document-cost-allocation")).to_contain_text("Kostenaufteilung")
        assert accessibility_faults(page) == []
        assert not overflows(page)
