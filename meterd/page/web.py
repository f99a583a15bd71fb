"""The application: every sheet as a page and as JSON, login, orders, the stream. Nothing is computed here.

FastAPI on Starlette: it checks what comes in against types and describes the JSON interface as an OpenAPI document.
"""

from collections.abc import Awaitable, Callable
from importlib.resources import files
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, FastAPI, Form, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined
from pydantic import BaseModel
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from meterd import __version__
from meterd.errors import MeterdError
from meterd.health import CONTENT_TYPE, Health, Verdict, alive, as_json, openmetrics, ready
from meterd.page import UserRole, Viewer, change_route, paper_route, wording
from meterd.page.access import LONGEST_PASSWORD
from meterd.page.asking import Office, needs, office_of, viewer_of
from meterd.page.commissioning import TESTS_OF_THIS_PROCESS
from meterd.page.forms import Refused, needs_role, own_form, same_origin, within
from meterd.page.sheets import SHEETS, Sheet
from meterd.page.stream import state, stream
from meterd.page.view import picture
from meterd.snapshot import Snapshot

SESSION, LANGUAGE = "meterd_session", "meterd_language"
LARGEST_BODY = 65_536  # bytes of a request: a form is below 2 kB
_HEADERS = {
    # nothing is fetched from elsewhere, nothing runs that is not a file of ours
    "content-security-policy": "default-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none';"
    " form-action 'self'; object-src 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class Refusal(BaseModel):
    """What the JSON interface says when it cannot answer."""

    detail: str


def application(office: Office) -> FastAPI:
    """The application of one site."""
    app = FastAPI(
        title=f"meterd, {office.desk.site.title or office.desk.site.name}",
        version=__version__,
        description="Everything the page shows, as JSON. Energies in whole mWh, powers in W, times in ms since 1970 UTC.",
        docs_url=None,  # the interactive documents would fetch scripts from elsewhere
        redoc_url=None,
        openapi_url="/api/openapi.json",
    )
    app.state.office = office
    app.state.templates = _templates()
    app.mount("/static", StaticFiles(directory=str(files("meterd.page") / "static")), name="static")
    for sheet in SHEETS:
        _add(app, sheet)
    app.add_api_route("/", _front, include_in_schema=False)
    app.add_api_route("/login", _ask_login, methods=["GET"], include_in_schema=False)
    app.add_api_route("/login", _login, methods=["POST"], include_in_schema=False)
    app.add_api_route("/logout", _logout, methods=["POST"], include_in_schema=False)
    app.add_api_route("/language", _language, methods=["POST"], include_in_schema=False)
    app.add_api_route("/order", _order, methods=["POST"], include_in_schema=False)
    app.add_api_route("/switch-test", _begin_test, methods=["POST"], include_in_schema=False)
    app.add_api_route("/stream", stream, include_in_schema=False)
    paper_route.add(app)
    change_route.add(app)
    told: dict[int | str, dict[str, Any]] = {503: {"description": "no, with the reasons"}}
    app.add_api_route("/health", _health, response_class=JSONResponse, tags=["program"], responses=told)
    app.add_api_route("/ready", _ready, response_class=JSONResponse, tags=["program"], responses=told)
    exposition: dict[int | str, dict[str, Any]] = {200: {"content": {CONTENT_TYPE: {"schema": {"type": "string"}}}}}
    app.add_api_route("/metrics", _metrics, response_class=Response, tags=["program"], responses=exposition)
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(RequestValidationError, _wrong)
    app.add_exception_handler(MeterdError, _cannot)
    app.add_exception_handler(Exception, _broke)
    app.add_middleware(Guard, office=office)
    return app


def _add(app: FastAPI, sheet: Sheet) -> None:
    """One sheet twice: for people and for programs, from the same values."""

    def html(
        request: Request, viewer: Annotated[Viewer, Depends(viewer_of)], view: Annotated[Any, Depends(sheet.look)]
    ) -> HTMLResponse:
        more: dict[str, Any] = {}
        if sheet.more is not None:
            more.update(sheet.more(view, office_of(request).desk.site, viewer.language))
        return page(request, viewer, sheet.template, view=view, sheet=sheet, **more)

    def values(view: Annotated[Any, Depends(sheet.look)]) -> Any:
        return view

    gate = [Depends(needs(sheet.role))]
    app.add_api_route(sheet.path, html, include_in_schema=False, dependencies=gate, name=sheet.key)
    app.add_api_route(
        f"/api{sheet.path}", values, response_model=sheet.view, dependencies=gate, tags=["sheets"],
        summary=wording.say("en", f"{sheet.key}.question"), name=f"api-{sheet.key}",
        responses={code: {"model": Refusal} for code in (401, 403, 404, 422, 503)},
    )  # fmt: skip


def _templates() -> Environment:
    found = Environment(
        loader=PackageLoader("meterd.page"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    found.globals["wording"] = wording
    found.globals["state_of"] = state
    return found


def page(request: Request, viewer: Viewer, template: str, *, status: int = 200, **values: object) -> HTMLResponse:
    """A template filled for a viewer: `t` says a text of the catalogue, `fmt` writes numbers and times."""
    office: Office = request.app.state.office
    language = viewer.language
    site = office.desk.site
    body = request.app.state.templates.get_template(template).render(
        **{"sheet": None, "back": "/now", **values},
        t=lambda key, **more: wording.say(language, key, **more),
        fmt=wording,
        language=language,
        viewer=viewer,
        site=site,
        zone=office.zone(),
        now_ms=office.desk.now_ms(),
        snapshot=office.desk.snapshot(),
        sheets=[one for one in SHEETS if one.listed and viewer.role.covers(one.role)],
        path=request.url.path,
        address=str(request.url.path) + (f"?{request.url.query}" if request.url.query else ""),
        version=__version__,
    )
    response = HTMLResponse(body, status_code=status)
    response.headers["cache-control"] = "no-store"
    response.headers["content-language"] = language
    return response


# -- coming in ---------------------------------------------------------------------------------------------------------


def _front(request: Request) -> RedirectResponse:
    return RedirectResponse("/now", status_code=303)


def _ask_login(request: Request, viewer: Annotated[Viewer, Depends(viewer_of)], to: str = "/now") -> HTMLResponse:
    return page(request, viewer, "login.html", to=within(to), wrong="")


def _login(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    office: Annotated[Office, Depends(office_of)],
    name: Annotated[str, Form(max_length=500)] = "",
    password: Annotated[str, Form(max_length=LONGEST_PASSWORD)] = "",
    to: Annotated[str, Form(max_length=2000)] = "/now",
) -> Response:
    same_origin(request)
    keys = (f"name {name}", f"address {request.client.host if request.client else ''}")
    if (wait := office.guesses.wait_s(*keys)) > 0:
        words = wording.say(viewer.language, "login.wait", wait=wording.age(viewer.language, wait))
        return page(request, viewer, "login.html", status=429, to=within(to), wrong=words)
    user = office.users.check(name, password)
    if user is None:
        office.guesses.wrong(*keys)
        words = wording.say(viewer.language, "login.wrong")
        return page(request, viewer, "login.html", status=401, to=within(to), wrong=words)
    office.guesses.right(*keys)
    response = RedirectResponse(within(to), status_code=303)
    secure = bool(office.desk.site.page.cert_file)
    response.set_cookie(SESSION, office.sessions.begin(user), httponly=True, samesite="strict", secure=secure, path="/")
    return response


def _logout(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    office: Annotated[Office, Depends(office_of)],
    token: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    own_form(request, viewer, token)
    office.sessions.end(request.cookies.get(SESSION, ""))
    response = RedirectResponse("/now", status_code=303)
    response.delete_cookie(SESSION, path="/")
    return response


def _language(
    request: Request,
    language: Annotated[str, Form(max_length=5)] = "en",
    to: Annotated[str, Form(max_length=2000)] = "/now",
) -> Response:
    same_origin(request)
    response = RedirectResponse(within(to), status_code=303)
    if language in wording.LANGUAGES:
        response.set_cookie(LANGUAGE, language, max_age=365 * 86_400, httponly=True, samesite="strict", path="/")
    return response


def _order(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    office: Annotated[Office, Depends(office_of)],
    token: Annotated[str, Form(max_length=200)] = "",
    kind: Annotated[str, Form(max_length=20)] = "",
    what: Annotated[str, Form(max_length=300)] = "",
    note: Annotated[str, Form(max_length=600)] = "",
    to: Annotated[str, Form(max_length=2000)] = "/findings",
) -> Response:
    """See, explain or close a finding, in the name of whoever is logged in."""
    own_form(request, viewer, token)
    needs_role(viewer, UserRole.ACKNOWLEDGE)
    done, words = office.desk.order(kind, what, viewer.name, note)
    if not done:
        return page(request, viewer, "error.html", status=409, code=409, words=words, back=within(to))
    return RedirectResponse(within(to), status_code=303)


def _begin_test(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    token: Annotated[str, Form(max_length=200)] = "",
    point: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Begin a switch test: the powers of now are noted, then somebody opens the breaker."""
    own_form(request, viewer, token)
    needs_role(viewer, UserRole.ACKNOWLEDGE)
    number = TESTS_OF_THIS_PROCESS.begin(snapshot, point, viewer.name)
    return RedirectResponse(f"/commissioning?test={number}", status_code=303)


# -- the program itself ------------------------------------------------------------------------------------------------


def _health(office: Annotated[Office, Depends(office_of)]) -> Response:
    """Whether the process is worth keeping: 200, or 503 with the reasons. What an outside watchdog asks."""
    return _state(office, alive)


def _ready(office: Annotated[Office, Depends(office_of)]) -> Response:
    """Whether it does its work: reads, keeps and publishes, or stands by: 200, or 503 with the reasons."""
    return _state(office, ready)


def _state(office: Office, verdict: Callable[[Health], Verdict]) -> Response:
    health = office.desk.health()
    code = 200 if verdict(health).ok else 503
    return Response(as_json(health), code, {"cache-control": "no-store"}, "application/json")


def _metrics(office: Annotated[Office, Depends(office_of)]) -> Response:
    """The same figures for machines, as OpenMetrics."""
    return Response(openmetrics(office.desk.health()), headers={"content-type": CONTENT_TYPE})


# -- what went wrong ---------------------------------------------------------------------------------------------------


def _refused(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, HTTPException), "registered for it"
    back = exc.back if isinstance(exc, Refused) else "/now"
    response = _told(request, exc.status_code, str(exc.detail), back)
    response.headers.update(exc.headers or {})
    return response


def _wrong(request: Request, exc: Exception) -> Response:
    """A question that cannot be: which part of it, and what would be right; the same shape as every other refusal."""
    assert isinstance(exc, RequestValidationError), "registered for it"
    words = "; ".join(f"{'.'.join(str(part) for part in one['loc'][1:])}: {one['msg'].lower()}" for one in exc.errors())
    return _told(request, 422, words)


def _cannot(request: Request, exc: Exception) -> Response:
    return _told(request, 503, str(exc))


def _broke(request: Request, exc: Exception) -> Response:
    """An edge of the house style: one request fails, its cause is told to the operator, not to the network."""
    office: Office = request.app.state.office
    office.broke(exc)
    return _told(request, 500, "this answer cannot be made; the operator finds the reason in the log of meterd")


def _told(request: Request, code: int, words: str, back: str = "/now") -> Response:
    if request.url.path.startswith("/api/") or request.url.path in ("/stream", "/health", "/ready", "/metrics"):
        return JSONResponse({"detail": words}, status_code=code)
    viewer = viewer_of(request, request.app.state.office)
    if code == 401 and request.method == "GET":
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/login?to={quote(asked, safe='/')}", status_code=303)
    return page(request, viewer, "error.html", status=code, code=code, words=words, back=back)


# -- the guard ---------------------------------------------------------------------------------------------------------


class Guard:
    """Before anything else: the host is ours, the body is small; afterwards: headers that keep a browser safe."""

    def __init__(self, app: ASGIApp, office: Office) -> None:
        self._app = app
        self._office = office

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        if not self._office.knows_host(headers.get(b"host", b"").decode("latin-1")):
            words = "this name is not one of the page; add it to hosts in [page] of the plan"
            await PlainTextResponse(words, status_code=421)(scope, receive, send)
            return
        length = headers.get(b"content-length", b"0")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            await PlainTextResponse("the request is too large", status_code=413)(scope, receive, send)
            return
        await self._app(scope, _bounded(receive), _with_headers(send, https=scope.get("scheme") == "https"))


def _bounded(receive: Receive) -> Receive:
    """A body without a length is counted as it comes."""
    seen = 0

    async def bounded() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > LARGEST_BODY:
            raise HTTPException(413, "the request is too large")
        return message

    return bounded


def _with_headers(send: Send, *, https: bool) -> Callable[[Message], Awaitable[None]]:
    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for key, value in _HEADERS.items():
                headers.setdefault(key, value)
            if https:
                headers.setdefault("strict-transport-security", "max-age=31536000")
        await send(message)

    return guarded
