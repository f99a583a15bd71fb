"""A correction is entered only after its preview, by whoever may, and an order that is refused leads back."""

import threading
from pathlib import Path
from urllib.parse import parse_qs, parse_qsl, urlsplit

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.corrections import correction_page as change
from meterd.app.operations.orders import Order, OrderFolder
from meterd.core.errors import ConfigError
from tests.adapters.web.conftest import PASSWORD
from tests.adapters.web.corrections.correction_requests import WISH, asked, come_in, energies, seen


@pytest.mark.slow  # a child process works it out
def test_it_is_entered_after_its_preview_and_withdrawn_again(tmp_path: Path) -> None:
    """In the name of whoever is logged in; the figures follow, and go back; both stay in the list."""
    path = tmp_path / "s.sqlite"
    with come_in(path) as (context, asking, token):
        early = asking.post("/change", data={**WISH, "token": token})
        assert (early.status_code, early.headers["location"][:8]) == (303, "/change?")
        assert energies(path) == [1_000_000] * 12, "nobody had seen what it changes"
        seen(context, asked())
        done = asking.post("/change", data={**WISH, "token": token})
        assert done.headers["location"] == "/change?done=entered#corrections"
        assert energies(path) == [1_000_000] * 4 + [1_250_000] * 4 + [1_000_000] * 4
        assert "The correction is entered" in asking.get("/change?done=entered").text
        assert seen(context, asked(until="")).overlaps == [1]
        assert seen(context, asked(until="", **{"from": "2026-05-04 14:00"})).overlaps == []
        (item,) = asking.get("/api/change").json()["corrections"]
        assert (item["number"], item["point"], item["person"], item["reason"]) == (1, "q01", "ada", "plate says 250/5")
        again = asking.post("/change", data={**WISH, "token": token})
        assert "done" not in again.headers["location"], "the figures are others now: it has to be seen anew"
        back = seen(context, change.CorrectionQuery(withdraw=1))
        assert back.preview is not None
        assert (back.preview.figures[0].before, back.preview.figures[0].after) == (13_000_000, 12_000_000)
        missing = asking.post("/change", data={"withdraw": "1", "reason": " ", "token": token})
        reported = asking.get(missing.headers["location"]).text
        assert 'aria-invalid="true"' in reported
        assert "This field is required." in reported
        done = asking.post("/change", data={"withdraw": "1", "reason": "wrong cabinet", "token": token})
        assert done.headers["location"] == "/change?done=withdrawn#corrections"
        assert energies(path) == [1_000_000] * 12
        (item,) = asking.get("/api/change").json()["corrections"]
        assert (item["withdrawn_by"], item["withdrawn_reason"]) == ("ada", "wrong cabinet")
        assert asking.get("/change?withdraw=1").status_code == 404


@pytest.mark.slow  # a child process works it out
def test_it_needs_the_role_the_token_and_a_form_of_ours(tmp_path: Path) -> None:
    """The login for nobody, 403 in words for the others; nothing is entered, and the page is not listed."""
    path = tmp_path / "s.sqlite"
    with come_in(path, UserRole.ACKNOWLEDGE) as (context, asking, token):
        for way in ("/change", "/change-meter", "/api/change", "/api/change-meter"):
            response = asking.get(way)
            assert (
                response.status_code,
                "your role does not allow this; it needs the role change" in response.text,
            ) == (
                403,
                True,
            )
        assert 'href="/change"' not in asking.get("/now").text
        assert asking.post("/change", data={**WISH, "token": token}).status_code == 403
        context.users.keep("ada", UserRole.CHANGE, PASSWORD)
        cookie = context.sessions.begin(context.users.users()["ada"])
        asking.cookies = {context.session_cookie: cookie}
        seen(context, asked())
        assert asking.post("/change", data=WISH).status_code == 403
        assert asking.post("/change", data={**WISH, "token": token}).status_code == 403
        session = context.sessions.of(cookie)
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
    """The process that writes refuses the order: reported in its words, with the way back to all that was written."""
    path, got, over = tmp_path / "s.sqlite", [], threading.Event()

    def refuse(order: Order) -> str:
        got.append(order)
        raise ConfigError("this process does not change stored figures")

    def write() -> None:
        while not over.wait(0.02):
            OrderFolder(path).carry_out(refuse)

    with come_in(path) as (context, asking, token):
        seen(context, asked())
        writer, busy = SqliteStore.writer(path), threading.Thread(target=write)
        busy.start()
        response = asking.post("/change", data={**WISH, "token": token})
        over.set()
        busy.join()
        writer.close()
    assert (response.status_code, "this process does not change stored figures" in response.text) == (409, True)
    assert "factor=250%2F200" in response.text
    (order,) = got
    assert (order.kind, order.what, order.person, order.note) == ("correct", "q01", "ada", "plate says 250/5")
