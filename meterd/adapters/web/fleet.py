"""The page of many sites: one table, as HTML and as JSON. It has the look of the page of a site, and needs none of them."""

from collections import Counter
from collections.abc import Awaitable, Callable, Iterable, Mapping
from importlib.resources import files
from ipaddress import ip_address
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, FastAPI, Request
from fastapi.responses import HTMLResponse, PlainTextResponse, Response
from fastapi.staticfiles import StaticFiles
from pydantic import BaseModel

from meterd import __version__
from meterd.adapters.texts import wording
from meterd.adapters.web.app import templates
from meterd.adapters.web.guard import HEADERS
from meterd.adapters.web.number_column import power_column
from meterd.adapters.web.request_context import LANGUAGE, language_of

UTC = ZoneInfo("UTC")


class SharedView(BaseModel):
    """The same fault at several sites."""

    cause: str
    instruments: str
    by: str
    remedy: str
    sites: list[str]


class FileView(BaseModel):
    """A file of which the plans of several sites have copies that differ; `sites` have not the current one.

    `judged`: how the current one is known, `dates`, `most` or `unknown` (then `sites` are all that have the file).
    """

    name: str
    judged: str
    sites: list[str]
    of: int
    copies: int


class SiteView(BaseModel):
    """One site; None of what is not known."""

    site: str
    title: str
    broker: str
    state: str
    version: str
    older_version: bool
    heartbeat_age_s: float | None
    clock_ahead_s: float | None
    findings: int
    worst_cause: str | None
    worst_text: str | None
    worst_state: str | None
    balance: str | None
    production_w: float | None
    draw_w: float | None


class FleetView(BaseModel):
    """All sites, those that need somebody first."""

    at_ms: int
    sites: list[SiteView]
    shared: list[SharedView]
    files: list[FileView]
    troubles: list[str]


def application(look: Callable[[], FleetView], titles: Mapping[str, Mapping[str, str]]) -> FastAPI:
    """The application; `look` says how all sites are now, `titles` by site what points and boards of known plans are called."""
    app = FastAPI(
        title="meterd, sites", version=__version__, docs_url=None, redoc_url=None, openapi_url="/api/openapi.json"
    )
    app.mount("/static", StaticFiles(directory=str(files("meterd.adapters.web") / "static")), name="static")
    environment = templates()

    def view() -> FleetView:
        return look()

    def html(request: Request, fleet: Annotated[FleetView, Depends(view)]) -> HTMLResponse:
        language = _language(request)
        body = environment.get_template("fleet.html").render(
            view=fleet, language=language, fmt=wording, zone=UTC, titles={}, titles_at=titles, called=_called(fleet.sites),
            power_column=power_column(language), version=__version__, root="",
            t=lambda key, **more: wording.say(language, key, **more), titled=lambda cause: wording.cause_words(language, cause),
        )  # fmt: skip
        return HTMLResponse(body, headers={"cache-control": "no-store", "content-language": language})

    def values(fleet: Annotated[FleetView, Depends(view)]) -> FleetView:
        return fleet

    app.add_api_route("/", html, include_in_schema=False)
    app.add_api_route("/api/fleet", values, response_model=FleetView)
    app.middleware("http")(_guarded)
    return app


def _called(sites: Iterable[SiteView]) -> Callable[[str], str]:
    """What people call a site: its title, with its name where others have the same title; else its name."""
    titles = {site.site: site.title for site in sites if site.title}
    shared = Counter(titles.values())

    def called(name: str) -> str:
        title = titles.get(name, "")
        return name if not title else title if shared[title] == 1 else f"{title} ({name})"

    return called


def _language(request: Request) -> str:
    asked = request.query_params.get("language", "")
    if asked in wording.LANGUAGES:
        return asked
    return language_of(request.cookies.get(LANGUAGE, ""), request.headers.get("accept-language", ""), "en")


async def _guarded(request: Request, proceed: Callable[[Request], Awaitable[Response]]) -> Response:
    """A page of elsewhere cannot point its name at us unseen; nothing of ours runs or loads what is not ours."""
    answer: Any = await proceed(request) if _is_own(request.url.hostname or "") else _NOT_OURS
    for key, value in HEADERS.items():
        answer.headers.setdefault(key, value)
    return answer  # type: ignore[no-any-return]


_NOT_OURS = PlainTextResponse("open this page by an address (127.0.0.1) or as localhost", status_code=421)


def _is_own(host: str) -> bool:
    try:
        ip_address(host)
    except ValueError:
        return host == "localhost"
    return True
