"""Who asks and in which language, by which names the page is reached, and where the history begins."""

import logging
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request

from meterd.adapters.web import request_context
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.request_context import LANGUAGE, RequestContext, context_of, needs, viewer_of
from meterd.core.model.plan import Page
from meterd.core.model.reading import IMPORT, Reading
from tests.adapters.web import request_contexts
from tests.adapters.web.request_contexts import BEGIN, MINUTE, SITE, steady


def made(folder: Path, page: Page | None = None) -> RequestContext:
    """The context of a small site, with this page."""
    site = SITE if page is None else replace(SITE, page=page)
    return request_contexts.context_of(folder / "s.sqlite", steady("q01", 4000.0), site=site)


def asking(context: RequestContext, **headers: str) -> Request:
    """A request as the server hands it over; `_` in a name stands for `-`."""
    app = Starlette()
    app.state.context = context
    pairs = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    return Request({"type": "http", "method": "GET", "path": "/", "headers": pairs, "app": app})


@pytest.mark.parametrize(
    ("headers", "language"),
    [
        ({}, "de"),  # as the plan says
        ({"accept_language": "fr-CH, en;q=0.9, de;q=0.8"}, "en"),  # the first that is known
        ({"accept_language": "DE-at"}, "de"),
        ({"accept_language": ";;,*, xx"}, "de"),
        ({"accept_language": "de", "cookie": f"{LANGUAGE}=en"}, "en"),  # chosen on the page
        ({"accept_language": "en", "cookie": f"{LANGUAGE}=../etc"}, "en"),
    ],
)
def test_the_language_is_that_of_cookie_browser_and_plan(
    tmp_path: Path, headers: dict[str, str], language: str
) -> None:
    context = made(tmp_path, Page(language="de"))
    request = asking(context, **headers)
    assert viewer_of(request, context_of(request)).language == language


def test_a_session_gives_name_and_role_and_its_cookie_is_of_this_site_alone(tmp_path: Path) -> None:
    context = made(tmp_path)
    context.users.keep("ada", UserRole.ACKNOWLEDGE, "flour and chalk")
    secret = context.sessions.begin(context.users.users()["ada"])
    viewer = viewer_of(asking(context, cookie=f"{context.session_cookie}={secret}"), context)
    assert (viewer.name, viewer.role) == ("ada", UserRole.ACKNOWLEDGE)
    assert viewer.token, "for the forms"
    for cookie in (f"meterd_session_yard={secret}", f"{context.session_cookie}=x{secret}"):
        stranger = viewer_of(asking(context, cookie=cookie), context)
        assert (stranger.name, stranger.role, stranger.token) == ("", UserRole.OPEN, "")


@pytest.mark.parametrize(
    ("page_is_open", "needed", "answers"),
    [
        (True, UserRole.OPEN, {"": None, "look": None, "change": None}),
        (False, UserRole.OPEN, {"": 401, "look": None, "change": None}),  # a closed page is for those who log in
        (True, UserRole.CHANGE, {"": 401, "look": 403, "change": None}),
        (False, UserRole.ACKNOWLEDGE, {"": 401, "look": 403, "change": None}),
    ],
)
def test_the_gate_asks_to_log_in_before_it_refuses(
    tmp_path: Path, page_is_open: bool, needed: UserRole, answers: dict[str, int | None]
) -> None:
    context = made(tmp_path, Page(open=page_is_open))
    gate, request = needs(needed), asking(context)
    for name, status in answers.items():
        viewer = request_context.Viewer(name, UserRole(name)) if name else request_context.Viewer()
        if status is None:
            gate(request, viewer, context)
            continue
        with pytest.raises(HTTPException) as refused:
            gate(request, viewer, context)
        assert refused.value.status_code == status


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("localhost:8080", True),
        ("192.0.2.7:8080", True),
        ("[::1]:8080", True),
        ("[2001:db8::1]", True),
        ("Meters.Mill.test", True),
        ("meters.mill.test:8080", True),
        ("meters.mill.test.elsewhere.test", False),
        ("elsewhere.test:8080", False),
        ("", False),
    ],
)
def test_a_page_of_elsewhere_cannot_point_its_name_at_us(tmp_path: Path, host: str, known: bool) -> None:
    assert made(tmp_path, Page(hosts=("meters.mill.test",))).knows_host(host) is known


def test_the_history_is_looked_up_again_because_old_readings_may_be_imported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And not with every request: within some seconds the same is said without the store."""
    context = made(tmp_path)
    assert context.history_ms() == BEGIN
    older = [Reading("q01", IMPORT, BEGIN + k * MINUTE, 0, BEGIN) for k in range(-180, 1)]
    (tmp_path / "s.sqlite").unlink()
    request_contexts.context_of(tmp_path / "s.sqlite", older)
    assert context.history_ms() == BEGIN
    monkeypatch.setattr(request_context, "HISTORY_S", 0.0)
    context._history = (BEGIN, 0.0)  # the time is over
    assert context.history_ms() == BEGIN - 180 * MINUTE


def test_a_request_that_breaks_is_reported_once_for_each_kind(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    context = made(tmp_path)
    with caplog.at_level(logging.ERROR, logger="meterd.page"):
        for exc in (ValueError("a"), ValueError("a"), KeyError("b")):
            context.broke(exc)
    assert len(caplog.records) == 2
    assert {getattr(record, "event", "") for record in caplog.records} == {"page-failed"}
