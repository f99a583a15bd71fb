"""Page "findings": who sees what, and marking one in a browser in one's own name."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Literal

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect
from starlette.exceptions import HTTPException

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.common import hidden_count
from meterd.adapters.web.pages import overview
from meterd.adapters.web.pages.findings import FindingsQuery, corrections_of, course_of, view
from meterd.adapters.web.users import UserFile
from meterd.app.operations.acceptances import accepted_before
from meterd.core.checks.proposed_correction import ProposedCorrection, evidence_of
from meterd.core.model.finding import Finding, FindingState, Life
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow
from tests.adapters.web.browser import DESK, PHONE, accessibility_faults, log_in, opened, unreadable
from tests.adapters.web.conftest import PASSWORD, Mill
from tests.adapters.web.corrections.correction_requests import come_in
from tests.adapters.web.request_contexts import BEGIN, HOURS, MINUTE, SITE, context_of, shot
from tests.adapters.web.web_backends import serving

SHOWS: tuple[Literal["open", "all"], ...] = ("open", "all")
NOW = BEGIN + HOURS * 60 * MINUTE
LOOKS, MARKS = Viewer("ada", UserRole.LOOK), Viewer("bea", UserRole.ACKNOWLEDGE)
Q01 = Finding("stale", "q01", NOW, "q01: nothing comes", "look", ("q01",), ("board north is not computable",))
ROOM = Finding("stale", "room-1", NOW, "room-1: nothing comes", "look", ("room-1",))


def test_the_list_holds_open_ones_and_all_of_them_on_request(tmp_path: Path) -> None:
    """A closed one is there with who closed it; a point narrows the list."""
    context = context_of(tmp_path / "s.sqlite", [], [Q01, ROOM])
    assert context.backend.order("close", "stale-room-1", "bea", "battery changed")[0]
    opened_, all_ = (view(context, LOOKS, shot(context), FindingsQuery(show=show)) for show in SHOWS)
    assert [entry.id for entry in opened_.entries] == ["stale-q01"]
    assert [(entry.id, entry.state, entry.closed_by) for entry in all_.entries][1] == ("stale-room-1", "closed", "bea")
    assert [
        entry.id for entry in view(context, LOOKS, shot(context), FindingsQuery(show="all", point="room-1")).entries
    ] == ["stale-room-1"]
    assert opened_.points == ["q01", "room-1"]
    assert not opened_.drift_examined  # the daemon does not run: its page says so


def test_findings_of_rooms_are_for_whoever_may_see_them(tmp_path: Path) -> None:
    """Not in the list, not by their id; that there are some is said, here and on the first page."""
    context = context_of(tmp_path / "s.sqlite", [], [Q01, ROOM])
    assert [view(context, viewer, shot(context), FindingsQuery()).hidden for viewer in (Viewer(), LOOKS)] == [1, 0]
    assert [overview.view(context, viewer, shot(context)).hidden for viewer in (Viewer(), LOOKS)] == [1, 0]
    assert [entry.id for entry in view(context, Viewer(), shot(context), FindingsQuery()).entries] == ["stale-q01"]
    with pytest.raises(HTTPException, match="no finding"):
        view(context, Viewer(), shot(context), FindingsQuery("stale-room-1"))
    assert view(context, LOOKS, shot(context), FindingsQuery("stale-room-1")).chosen is not None


def test_where_only_rooms_are_at_fault_nothing_is_called_all_right(tmp_path: Path) -> None:
    """Found by looking: a visitor read that no fault is known while 51 rooms were silent."""
    context = context_of(tmp_path / "s.sqlite", [], [ROOM])
    first = overview.view(context, Viewer(), shot(context))
    assert (first.verdict, first.first, first.hidden) == ("look", None, 1)
    explained = replace(ROOM, life=Life(FindingState.EXPLAINED, NOW, NOW))
    assert hidden_count([explained, ROOM], Viewer(), SITE) == 1


def test_one_in_full_has_its_history_newest_first(tmp_path: Path) -> None:
    """Begun by the program, explained by a person; the state is that of the stored figures at once."""
    context = context_of(tmp_path / "s.sqlite", [], [Q01])
    assert context.backend.order("explain", "stale-q01", "bea", "fuse taken out until Friday")[0]
    answer = view(context, MARKS, shot(context), FindingsQuery("stale-q01"))
    assert answer.chosen is not None
    assert (answer.chosen.state, answer.one.evidence) == ("explained", ["board north is not computable"])
    assert [(n.state, n.person, n.note) for n in answer.notes] == [
        ("explained", "bea", "fuse taken out until Friday"),
        ("new", "", ""),
    ]
    assert answer.may_order
    assert not view(context, LOOKS, shot(context), FindingsQuery("stale-q01")).may_order


def test_a_change_of_drift_can_be_accepted_and_nothing_else_can(tmp_path: Path) -> None:
    """The button is offered for drift; the order closes the finding in the person's name and keeps what was accepted."""
    drift = Finding("drift", "q01", NOW, "q01 reads -4.00 % +- 0.20 % compared with before", "check q01", ("q01",))
    context = context_of(tmp_path / "s.sqlite", [], [Q01, drift])
    assert view(context, MARKS, shot(context), FindingsQuery("drift-q01")).may_accept
    assert not view(context, MARKS, shot(context), FindingsQuery("stale-q01")).may_accept
    assert not context.backend.order("accept", "stale-q01", "bea", "new")[0]
    assert context.backend.order("accept", "drift-q01", "bea", "new transformers")[0]
    answer = view(context, MARKS, shot(context), FindingsQuery("drift-q01"))
    assert answer.chosen is not None
    assert (answer.chosen.state, answer.one.closed_by) == ("closed", "bea")
    assert answer.chosen.text.startswith("taken as the new normal; q01 reads")
    with context.backend.reader() as reads:
        (acceptance,) = accepted_before(reads)
    assert (acceptance.id, acceptance.points, acceptance.person, acceptance.note) == (
        "drift-q01",
        ("q01",),
        "bea",
        "new transformers",
    )


# -- in a browser, at a small site of its own: what is marked here must not change what others see ---------------------


@contextmanager
def small_works(path: Path) -> Iterator[str]:
    """The small site with one open finding, and a user per role."""
    users = UserFile(path.with_name(path.name + ".users"))
    for role in (UserRole.LOOK, UserRole.ACKNOWLEDGE):
        users.keep(str(role), role, PASSWORD)
    with serving(path) as address:
        yield address


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A site for tests that change nothing."""
    with small_works(tmp_path_factory.mktemp("findings") / "gate-works.sqlite") as address:
        yield address


@pytest.mark.parametrize(
    ("language", "marks"), [("de", '<span lang="en">{}</span>'), ("en", "{}")], ids=["german", "english"]
)
@pytest.mark.parametrize("page_name", ["/findings", "/findings?id=stale-joinery", "/now", "/point?point=joinery"])
def test_a_sentence_without_a_german_form_is_shown_and_marked_for_screen_readers(
    works: str, page_name: str, language: str, marks: str
) -> None:
    """As it was stored, harmless, on every page; what programs get is never put into another language."""
    page_ = httpx.get(f"{works}{page_name}", headers={"accept-language": language}, timeout=20).text
    assert f"<p>{marks.format('joinery: &lt;b&gt;silent&lt;/b&gt; &amp; late')}</p>" in page_
    reported = httpx.get(f"{works}/api{page_name}", headers={"accept-language": language}, timeout=20).text
    assert '"joinery: <b>silent</b> & late"' in reported


def forms(page: Page) -> int:
    return page.locator("form.order").count()


@pytest.mark.slow
def test_who_may_only_look_sees_who_may_do_more(works: str, browser: Browser) -> None:
    """No form without the role; without login a way to the door."""
    with opened(browser, f"{works}/findings?id=stale-joinery") as page:
        assert forms(page) == 0
        expect(page.locator("section[aria-labelledby=say]")).to_contain_text("needs the role acknowledge")
        expect(page.locator("section[aria-labelledby=say] a")).to_have_text("Log in")
        log_in(page, works, "look", PASSWORD)
        page.goto(f"{works}/findings?id=stale-joinery")
        assert forms(page) == 0
        expect(page.locator("section[aria-labelledby=say]")).to_contain_text("look has the role look")


@pytest.mark.slow
def test_a_finding_is_explained_in_the_name_of_whoever_is_logged_in(tmp_path: Path, browser: Browser) -> None:
    """From the list to the finding, seen, then explained: its state, name and note stand there at once."""
    with small_works(tmp_path / "gate-works.sqlite") as works, opened(browser, f"{works}/findings") as page:
        log_in(page, works, "acknowledge", PASSWORD)
        page.goto(f"{works}/findings")
        page.locator("article.finding a", has_text="Meter is silent: Joinery").click()
        page.click("button[value=see]")
        expect(page.locator(".one-finding .mark")).to_have_text("seen")
        page.fill("#note", "Saw blades are changed; back on Monday")
        page.click("button[value=explain]")
        expect(page.locator(".one-finding .mark")).to_have_text("explained")
        row = page.locator("section[aria-labelledby=history] tbody tr").first
        expect(row).to_contain_text("acknowledge")
        expect(row).to_contain_text("Saw blades are changed; back on Monday")
        assert accessibility_faults(page) == []


@pytest.mark.slow
def test_forms_without_token_or_note_are_refused_in_words(works: str, browser: Browser) -> None:
    """With the cookie of somebody who may; nothing is changed."""
    with opened(browser, f"{works}/findings") as page:
        log_in(page, works, "acknowledge", PASSWORD)
        order: dict[str, str | float | bool] = {"kind": "close", "what": "stale-joinery", "note": "forged"}
        assert page.request.post(f"{works}/order", form=order).status == 403
        assert page.request.post(f"{works}/order", form={**order, "token": "x" * 32}).status == 403
        page.goto(f"{works}/findings?id=stale-joinery")
        token = page.locator("form.order input[name=token]").first.get_attribute("value")
        answer = page.request.post(f"{works}/order", form={**order, "token": token or "", "note": " "})
        assert answer.status == 409
        assert "note cannot be stored" in answer.text()
        page.reload()
        expect(page.locator(".one-finding .mark")).not_to_have_text("closed")


@pytest.mark.slow
@pytest.mark.parametrize(
    "page_name",
    ["now", "balance?board=north", "balance?board=south", "point?point=lifts-north", "data", "pv", "findings?show=all"],
)
def test_nothing_stays_in_english_on_a_german_page(mill: Mill, page_name: str) -> None:
    """Findings, reasons of shares and of missing powers, rivals: all that the running demo says has a German form."""
    page_ = httpx.get(f"{mill.address}/{page_name}", headers={"accept-language": "de-AT"}, timeout=20).text
    assert re.findall(r'<(?!button)\w+ lang="en"[^>]*>[^<]*', page_) == []


@pytest.mark.slow
def test_the_planted_fault_is_listed_and_readable(mill: Mill, browser: Browser) -> None:
    """The silent meter of the demo with what to do and what follows from it; axe-core finds nothing; in German."""
    with opened(browser, f"{mill.address}/findings", language="de-AT") as page:
        entry = page.locator("article.finding", has_text="stale-lifts-north")
        for _ in range(30):
            if entry.count():
                break
            page.wait_for_timeout(1000)
            page.reload()
        expect(entry).to_contain_text("Lifts north: letzter Wert vom")
        expect(entry).to_contain_text("Was zu tun ist: den Zähler und seine Datenverbindung prüfen")
        assert unreadable(page, at_night=PHONE, by_day=DESK) == []
        entry.locator("a").first.click()
        expect(page.locator("h2#history")).to_have_text("Statusverlauf")
        expect(page.locator(".one-finding [lang=en]")).to_have_count(0)  # its evidence is in German too
        assert unreadable(page, at_night=PHONE, by_day=DESK) == []


PROPOSAL = ProposedCorrection("q01", "import", "2026-05-04T13:00:00+02:00", "", "250/200", "plate says 250/5")
PROPOSES = Finding("drift", "q01", NOW, "it reads low", "compare", ("q01",), ("q01 -20 %", evidence_of(PROPOSAL)))


@pytest.mark.slow  # a child process works the preview out
@pytest.mark.parametrize(("role", "buttons"), [(UserRole.CHANGE, 1), (UserRole.ACKNOWLEDGE, 0)])
def test_the_button_on_a_finding_fills_the_form_of_corrections(tmp_path: Path, role: UserRole, buttons: int) -> None:
    """With everything that the finding proposes; only for whoever may change figures."""
    with come_in(tmp_path / "s.sqlite", role, [PROPOSES]) as (_, asking, _token):
        page_ = asking.get("/findings?id=drift-q01").text
        assert page_.count('action="/change"') == buttons
        if not buttons:
            return
        assert "Correct import: factor 250/200" in page_
        form = page_[page_.index('action="/change"') :].partition("</form>")[0]
        fields = {name: unescape(value) for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', form)}
        answer = asking.get("/change", params=fields)
        filled = asking.get("/api/change", params=fields).json()
    assert answer.status_code == 200
    for value in ("2026-05-04T13:00:00+02:00", "250/200", "plate says 250/5"):
        assert f'value="{value}"' in answer.text
    assert filled["faults"] == []
    assert (filled["wanted"]["point"], filled["wanted"]["register"], filled["wanted"]["factor"]) == (
        "q01",
        "import",
        "250/200",
    )


def test_a_finding_without_a_factor_names_point_and_beginning() -> None:
    """A finding of another cause, or about several points, proposes nothing."""
    (proposal,) = corrections_of(Finding("drift", "q01", NOW, "it reads low", "", ("q01",)), SITE)
    assert (proposal.factor, proposal.fields["point"], proposal.fields["from"][:10]) == ("", "q01", "2026-05-04")
    (proposal,) = corrections_of(Finding("register-scale", "q01", NOW, "counts too fast", "", ("q01",)), SITE)
    assert proposal.fields["from"] == ""
    for other in (Q01, Finding("register-direction", "q01", NOW, "turned"), Finding("drift", "north", NOW, "several")):
        assert corrections_of(other, SITE) == []


def test_a_drift_has_its_course(tmp_path: Path) -> None:
    """Daily balances of the board of the meter: level before the day it began, a slope after it; nothing for other causes."""
    days = [BEGIN - BEGIN % 86_400_000 + day * 86_400_000 for day in range(40)]
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = [
        BalanceRow(
            "north", Period.DAY, at, at + 86_400_000, 0, 0, 3_000_000 * (at >= days[30]), 1_000_000, "inside", False
        )
        for at in days
    ]
    with store.transaction():
        store.write_balances(rows, now_ms=days[-1], reason="closed")
    course = course_of(store, SITE, Finding("drift", "q01", days[30], "it reads low"), days[-1] + 86_400_000)
    assert course is not None
    assert (course.board, course.began_ms, course.usual) == ("north", days[30], 0)
    assert course.cumulated == [0] * 30 + [3_000_000 * (day + 1) for day in range(10)]
    assert set(course.band) == {1_000_000}
    for other in (Finding("stale", "q01", days[30], "silent"), Finding("drift", "below-q01", days[30], "shift")):
        assert course_of(store, SITE, other, days[-1]) is None
    assert course_of(store, SITE, Finding("drift", "q01", days[3], "early"), days[3]) is None
    store.close()
