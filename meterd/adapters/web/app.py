"""The application: every page as HTML and as JSON, login, orders, the stream. Nothing is computed here.

FastAPI on Starlette: it checks what comes in against types and describes the JSON interface as an OpenAPI document.
"""

from collections.abc import Callable
from functools import cache
from http import HTTPStatus
from importlib.resources import files
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, FastAPI, Form, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.routing import BaseRoute

from meterd import __version__
from meterd.adapters.runtime.people_log import FAILED
from meterd.adapters.texts import wording
from meterd.adapters.web import document_download, energy_file, wall
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.common import equal_rows, snapshot_of
from meterd.adapters.web.corrections import submit as change_route
from meterd.adapters.web.csrf import Refused, needs_role, own_form, same_origin, within
from meterd.adapters.web.events import state, stream
from meterd.adapters.web.guard import Guard
from meterd.adapters.web.list_part import MOST_ROWS
from meterd.adapters.web.number_column import energy_column, power_column, share_column
from meterd.adapters.web.pages.commissioning import TESTS_OF_THIS_PROCESS
from meterd.adapters.web.pictures import Reader, steps_picture
from meterd.adapters.web.provider_login import routes as provider_login
from meterd.adapters.web.provider_login.attempts import title_of as provider_title
from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.adapters.web.registry import PAGES, Page
from meterd.adapters.web.request_context import (
    LANGUAGE,
    RequestContext,
    address_of,
    context_of,
    keep_cookie,
    needs,
    viewer_of,
)
from meterd.adapters.web.template_cache import TemplateCache
from meterd.adapters.web.users import LONGEST_PASSWORD
from meterd.adapters.web.wrong_input import wrong_words
from meterd.core.errors import MeterdError
from meterd.core.model.health import Health, Verdict, alive, as_json, ready
from meterd.core.model.pattern_title import pattern_title
from meterd.core.model.snapshot import Snapshot

OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"


class Refusal(BaseModel):
    """What the JSON interface says when it cannot answer."""

    detail: str


def application(context: RequestContext) -> FastAPI:
    """The application of one site."""
    app = FastAPI(
        title=f"meterd, {context.backend.site.title or context.backend.site.name}",
        version=__version__,
        description="Everything the page shows, as JSON. Energies in whole mWh, powers in W, times in ms since 1970 UTC.",
        docs_url=None,  # the interactive documents would fetch scripts from elsewhere
        redoc_url=None,
        openapi_url="/api/openapi.json",
        servers=[{"url": context.root}] if context.root else None,
    )
    app.state.context = context
    app.state.templates = templates()
    app.mount("/static", StaticFiles(directory=str(files("meterd.adapters.web") / "static")), name="static")
    app.router.routes.extend(routes())
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(RequestValidationError, _wrong)
    app.add_exception_handler(LoginFailed, _not_logged_in)
    app.add_exception_handler(MeterdError, _cannot)
    app.add_exception_handler(Exception, _broke)
    app.add_middleware(Guard, context=context)
    return app


@cache
def routes() -> tuple[BaseRoute, ...]:
    """What may be asked, the same for every site: FastAPI takes a fifth of a second to look at it, once in a process."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    for page_entry in PAGES:
        _add(app, page_entry)
    app.add_api_route("/", _front, include_in_schema=False)
    app.add_api_route("/login", _ask_login, methods=["GET"], include_in_schema=False)
    app.add_api_route("/login", _login, methods=["POST"], include_in_schema=False)
    app.add_api_route("/logout", _logout, methods=["POST"], include_in_schema=False)
    app.add_api_route("/language", _language, methods=["POST"], include_in_schema=False)
    app.add_api_route("/order", _order, methods=["POST"], include_in_schema=False)
    app.add_api_route("/switch-test", _begin_test, methods=["POST"], include_in_schema=False)
    app.add_api_route("/stream", stream, include_in_schema=False)
    document_download.add(app)
    energy_file.add(app)
    wall.add(app)
    provider_login.add(app)
    change_route.add(app)
    reported: dict[int | str, dict[str, Any]] = {503: {"description": "no, with the reasons"}}
    app.add_api_route("/health", _health, response_class=JSONResponse, tags=["program"], responses=reported)
    app.add_api_route("/ready", _ready, response_class=JSONResponse, tags=["program"], responses=reported)
    exposition: dict[int | str, dict[str, Any]] = {200: {"content": {OPENMETRICS: {"schema": {"type": "string"}}}}}
    app.add_api_route("/metrics", _metrics, response_class=Response, tags=["program"], responses=exposition)
    return tuple(app.router.routes)


def _add(app: FastAPI, page_entry: Page) -> None:
    """One page twice: for people and for programs, from the same values."""

    def html(
        request: Request, viewer: Annotated[Viewer, Depends(viewer_of)], view: Annotated[Any, Depends(page_entry.view)]
    ) -> HTMLResponse:
        more: dict[str, Any] = {}
        if page_entry.more is not None:
            more.update(page_entry.more(view, context_of(request).backend.site, viewer.language))
        return page(request, viewer, page_entry.template, view=view, entry=page_entry, **more)

    def values(view: Annotated[Any, Depends(page_entry.view)]) -> Any:
        return view

    gate = [Depends(needs(page_entry.role))]
    app.add_api_route(page_entry.path, html, include_in_schema=False, dependencies=gate, name=page_entry.key)
    app.add_api_route(
        f"/api{page_entry.path}", values, response_model=page_entry.answer, dependencies=gate, tags=["pages"],
        summary=wording.say("en", f"{page_entry.key}.question"), name=f"api-{page_entry.key}",
        responses={code: {"model": Refusal} for code in (401, 403, 404, 422, 503)},
    )  # fmt: skip
    for before in ("", "/api") if page_entry.former else ():
        moved = _moved(f"{before}{page_entry.path}")
        app.add_api_route(f"{before}/{page_entry.former}", moved, include_in_schema=False)


def _moved(path: str) -> Callable[[Request], RedirectResponse]:
    """What was at another address before, with the same question."""

    def answer(request: Request) -> RedirectResponse:
        return RedirectResponse(path + (f"?{request.url.query}" if request.url.query else ""), status_code=308)

    return answer


@cache
def templates() -> Environment:
    """The templates of the page, each loaded once in a process.

    A file that changes below a running program is not loaded again: its new texts are not in the catalogues of this process.
    """
    result = Environment(
        loader=PackageLoader("meterd.adapters.web"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, bytecode_cache=TemplateCache("escaped, trimmed"), auto_reload=False,
    )  # fmt: skip
    result.globals["wording"] = wording
    result.globals["MOST_ROWS"] = MOST_ROWS
    result.globals["state_of"] = state
    return result


def compile_templates() -> None:
    """All of them, so that processes that must not write find them compiled."""
    for name in templates().list_templates():
        templates().get_template(name)


def page(request: Request, viewer: Viewer, template: str, *, status: int = 200, **values: object) -> HTMLResponse:
    """A template filled for a viewer: `t` gives a text of the catalogue, `fmt` writes numbers and times."""
    context: RequestContext = request.app.state.context
    language = viewer.language
    site = context.backend.site
    points = wording.point_titles(site)
    body = request.app.state.templates.get_template(template).render(
        **{"entry": None, "back": "/now", **values},
        t=lambda key, **more: wording.say(language, key, **more),
        titled=lambda *names: ", ".join(points.get(name, name) for name in names),
        titles=wording.titles_of(site),
        pattern_title=lambda pattern: pattern_title(site, pattern) or pattern,
        head=lambda entry: wording.finding_head(language, site, entry.cause, entry.subject),
        head_of_id=lambda finding_id: wording.head_of_id(language, site, finding_id),
        equal=lambda rows, *names: equal_rows(site, rows, *names),
        fmt=wording,
        language=language,
        viewer=viewer,
        site=site,
        zone=context.zone(),
        now_ms=context.backend.now_ms(),
        snapshot=context.backend.snapshot(),
        pages=[item for item in PAGES if item.listed and viewer.role.covers(item.role)],
        path=request.url.path,
        root=context.root,
        history_ms=context.history_ms() if "view" in values else None,
        address=str(request.url.path) + (f"?{request.url.query}" if request.url.query else ""),
        version=__version__,
        provider=provider_title(site.login) if site.login.issuer else "",
        wall=wall.wall_of(request, context),
        column=energy_column(language),
        power_column=power_column(language),
        share_column=share_column(language),
        steps=lambda starts, unit, lines, band=None, event=None: steps_picture(
            starts, unit, lines, band=band, event=event, reader=Reader(language, context.zone())
        ),
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
    context: Annotated[RequestContext, Depends(context_of)],
    name: Annotated[str, Form(max_length=500)] = "",
    password: Annotated[str, Form(max_length=LONGEST_PASSWORD)] = "",
    to: Annotated[str, Form(max_length=2000)] = "/now",
) -> Response:
    same_origin(request)
    # by both together: whoever guesses locks out neither the others behind his proxy nor the person he pretends to be
    address = address_of(request)
    key = f"{address} {name}"
    if (wait := context.guesses.wait_s(key)) > 0:
        text = wording.say(viewer.language, "login.wait", wait=wording.age(viewer.language, wait))
        return page(request, viewer, "login.html", status=429, to=within(to), wrong=text)
    user = context.users.check(name, password)
    if user is None:
        context.guesses.wrong(key)
        # never a name that nobody has: people type passwords into the wrong field
        known = name if name in context.users.users() else ""
        context.backend.record_act(FAILED, known, "wrong password" if known else "unknown name", address)
        text = wording.say(viewer.language, "login.wrong")
        return page(request, viewer, "login.html", status=401, to=within(to), wrong=text)
    context.guesses.right(key)
    if user.over(context.backend.now_ms()):
        context.backend.record_act(FAILED, user.name, "the account has ended", address)
        text = wording.say(viewer.language, "login.ended")
        return page(request, viewer, "login.html", status=403, to=within(to), wrong=text)
    response = RedirectResponse(within(to), status_code=303)
    keep_cookie(request, response, context.session_cookie, context.sessions.begin(user))
    context.backend.record_act("login", user.name, f"user account, role {user.role}", address)
    return response


def _logout(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    context: Annotated[RequestContext, Depends(context_of)],
    token: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    own_form(request, viewer, token)
    context.sessions.end(request.cookies.get(context.session_cookie, ""))
    context.backend.record_act("logout", viewer.name, "", address_of(request))
    response = RedirectResponse("/now", status_code=303)
    response.delete_cookie(context.session_cookie, path=context.root or "/")
    return response


def _language(
    request: Request,
    language: Annotated[str, Form(max_length=5)] = "en",
    to: Annotated[str, Form(max_length=2000)] = "/now",
) -> Response:
    same_origin(request)
    response = RedirectResponse(within(to), status_code=303)
    if language in wording.LANGUAGES:
        keep_cookie(request, response, LANGUAGE, language, max_age=365 * 86_400)
    return response


def _order(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    context: Annotated[RequestContext, Depends(context_of)],
    token: Annotated[str, Form(max_length=200)] = "",
    kind: Annotated[str, Form(max_length=20)] = "",
    what: Annotated[str, Form(max_length=300)] = "",
    note: Annotated[str, Form(max_length=600)] = "",
    to: Annotated[str, Form(max_length=2000)] = "/findings",
) -> Response:
    """See, explain, close or accept a finding, in the name of the user who is logged in."""
    own_form(request, viewer, token)
    needs_role(viewer, UserRole.ACKNOWLEDGE)
    done, text = context.backend.order(kind, what, viewer.name, note)
    if not done:
        return page(request, viewer, "error.html", status=409, code=409, words=text, back=within(to))
    return RedirectResponse(within(to), status_code=303)


def _begin_test(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    token: Annotated[str, Form(max_length=200)] = "",
    point: Annotated[str, Form(max_length=100)] = "",
) -> Response:
    """Begin a switch test: the powers of now are noted, then somebody opens the breaker."""
    own_form(request, viewer, token)
    needs_role(viewer, UserRole.ACKNOWLEDGE)
    number = TESTS_OF_THIS_PROCESS.begin(snapshot, point, viewer.name)
    return RedirectResponse(f"/commissioning?test={number}", status_code=303)


# -- the program itself ------------------------------------------------------------------------------------------------


# These three answer in the loop of the server itself: they must not wait for a thread behind people who ask for much.


async def _health(request: Request) -> Response:
    """Whether the process is worth keeping: 200, or 503 with the reasons. What an outside watchdog asks."""
    return _state(context_of(request), alive)


async def _ready(request: Request) -> Response:
    """Whether it does its work: reads, keeps and publishes, or stands by: 200, or 503 with the reasons."""
    return _state(context_of(request), ready)


def _state(context: RequestContext, verdict: Callable[[Health], Verdict]) -> Response:
    health = context.backend.health()
    code = 200 if verdict(health).ok else 503
    return Response(as_json(health), code, {"cache-control": "no-store"}, "application/json")


async def _metrics(request: Request) -> Response:
    """The same figures for machines, as OpenMetrics."""
    from meterd.adapters.web.metrics import openmetrics

    return Response(openmetrics(context_of(request).backend.health()), headers={"content-type": OPENMETRICS})


# -- what went wrong ---------------------------------------------------------------------------------------------------


NO_PAGE = "there is no page at this address"
NO_ANSWER = "this answer cannot be made; the operator finds the reason in the log of meterd"


def _refused(request: Request, exc: Exception) -> Response:
    assert isinstance(exc, HTTPException), "registered for it"
    back = exc.back if isinstance(exc, Refused) else "/now"
    text = str(exc.detail)
    if text == HTTPStatus(exc.status_code).phrase and not _for_programs(request):  # of the framework, not of ours
        text = NO_PAGE
    response = _refusal_page(request, exc.status_code, text, back)
    response.headers.update(exc.headers or {})
    return response


def _wrong(request: Request, exc: Exception) -> Response:
    """A question that cannot be: which part of it, and what would be right; the same shape as every other refusal."""
    assert isinstance(exc, RequestValidationError), "registered for it"
    text = "; ".join(
        f"{'.'.join(str(part) for part in item['loc'][1:])}: {item['msg'].lower()}" for item in exc.errors()
    )
    if not _for_programs(request):
        page = request.url.path.rpartition("/")[2]
        text = wrong_words(viewer_of(request, context_of(request)).language, exc.errors(), page)
    return _refusal_page(request, 422, text)


def _for_programs(request: Request) -> bool:
    return request.url.path.startswith("/api/") or request.url.path in ("/stream", "/health", "/ready", "/metrics")


def _cannot(request: Request, exc: Exception) -> Response:
    return _refusal_page(request, 503, str(exc))


def _not_logged_in(request: Request, exc: Exception) -> Response:
    """A login by the provider that failed: the reason, and the form for user accounts."""
    assert isinstance(exc, LoginFailed), "registered for it"
    context, viewer = context_of(request), viewer_of(request, context_of(request))
    code, text = provider_login.not_logged_in(exc, context, viewer.language)
    return page(request, viewer, "login.html", status=code, to="/now", wrong=text)


def _broke(request: Request, exc: Exception) -> Response:
    """An edge of the house style: one request fails, its cause is reported to the operator, not to the network."""
    context: RequestContext = request.app.state.context
    context.broke(exc)
    return _refusal_page(request, 500, NO_ANSWER)


def _refusal_page(request: Request, code: int, text: str, back: str = "/now") -> Response:
    if _for_programs(request):
        return JSONResponse({"detail": text}, status_code=code)
    viewer = viewer_of(request, request.app.state.context)
    if code == 401 and request.method == "GET":
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/login?to={quote(asked, safe='/')}", status_code=303)
    context: RequestContext = request.app.state.context
    text = wording.translated_line(viewer.language, text, context.zone(), wording.titles_of(context.backend.site))
    return page(request, viewer, "error.html", status=code, code=code, words=text, back=back)
