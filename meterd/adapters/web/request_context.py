"""Who asks, and what answers: what every page gets besides its own question."""

import asyncio
import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import UserRole, Viewer, WebBackend
from meterd.adapters.web.corrections.preview_job import PreviewJob
from meterd.adapters.web.provider_login.attempts import ProviderLogins
from meterd.adapters.web.users import FailedLogins, Sessions, UserFile
from meterd.core.errors import described
from meterd.core.model.periods import Period

log = logging.getLogger("meterd.page")

LANGUAGE = "meterd_language"
HISTORY_S = 10.0  # how long the beginning of the history is taken as known
MOST_STREAMS = 200  # open streams at once: a wall of displays and a phone in every pocket
MOST_STREAMS_EACH = 20  # of one address, so that one machine cannot take them all


@dataclass(slots=True)
class RequestContext:
    """The backend and the users who are logged in."""

    backend: WebBackend
    users: UserFile
    sessions: Sessions
    guesses: FailedLogins = field(default_factory=FailedLogins)
    closing: asyncio.Event = field(default_factory=asyncio.Event)  # set when the server ends: streams end by themselves
    streams: dict[str, int] = field(default_factory=dict)  # open streams by address
    document_lock: threading.Lock = field(default_factory=threading.Lock)  # held while a document is made
    preview_job: PreviewJob = field(default_factory=PreviewJob)  # what corrections would change
    provider_logins: ProviderLogins = field(init=False)
    _history: tuple[int | None, float] = (None, 0.0)
    _reported: set[str] = field(default_factory=set)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        """Logins by a provider need the plan and its secret only."""
        self.provider_logins = ProviderLogins(self.backend)

    @property
    def root(self) -> str:
        """What stands before our paths at a proxy; empty without one."""
        return self.backend.site.page.path

    @property
    def session_cookie(self) -> str:
        """The name of the cookie of a session: by site, because cookies of one host do not tell ports apart."""
        return f"meterd_session_{self.backend.site.name}"

    def history_ms(self) -> int | None:
        """Where the history begins; looked up again now and then, because old readings may be imported."""
        with self._lock:
            known, until = self._history
            if time.monotonic() < until:
                return known
        with self.backend.reader() as reads:
            span = reads.span(Period.INTERVAL)
        result = None if span is None else span[0]
        with self._lock:
            self._history = (result, time.monotonic() + HISTORY_S)
        return result

    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.backend.site.zone)

    def knows_host(self, host: str) -> bool:
        """Whether the page is reached by a name of its own: a page of elsewhere cannot point its name at us unseen."""
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
        name = name.strip("[]").lower()
        try:
            ip_address(name)
        except ValueError:
            known = {"localhost", *(item.lower() for item in self.backend.site.page.hosts)}
            return name in known
        return True

    def broke(self, exc: BaseException) -> None:
        """A request that ended in an exception: reported once per kind and place."""
        text = described(exc)
        with self._lock:
            if text in self._reported or len(self._reported) > 1000:
                return
            self._reported.add(text)
        log.error("page: %s", text, extra={"event": "page-failed", "subject": ""})


def context_of(request: Request) -> RequestContext:
    """The request context of this application."""
    context: RequestContext = request.app.state.context
    return context


def address_of(request: Request) -> str:
    """From where somebody asks, as a proxy that the plan names says it."""
    return request.client.host if request.client else ""


def viewer_of(request: Request, context: Annotated[RequestContext, Depends(context_of)]) -> Viewer:
    """Who asks, by the cookie of the session; the language by cookie, browser and plan, in this order."""
    session = context.sessions.of(request.cookies.get(context.session_cookie, ""))
    accepted = request.headers.get("accept-language", "")
    language = language_of(request.cookies.get(LANGUAGE, ""), accepted, context.backend.site.page.language)
    if session is None:
        return Viewer(language=language)
    return Viewer(session.user, session.role, language, session.token)


def language_of(chosen: str, accepted: str, default: str) -> str:
    """The language by cookie, then by the header of the browser."""
    if chosen in wording.LANGUAGES:
        return chosen
    for part in accepted.split(","):
        name = part.split(";")[0].strip().split("-")[0].lower()
        if name in wording.LANGUAGES:
            return name
    return default


def keep_cookie(request: Request, response: Response, name: str, value: str, *, max_age: int | None = None) -> None:
    """A cookie of ours. `lax`: a link in a mail finds whoever is logged in; every form has its token and its origin.

    It travels over TLS only where it came over TLS, which a proxy that the plan names tells.
    """
    secure, path = request.url.scheme == "https", context_of(request).root or "/"
    response.set_cookie(name, value, max_age, httponly=True, samesite="lax", secure=secure, path=path)


def needs(role: UserRole) -> Callable[[Request, Viewer, RequestContext], None]:
    """A gate: 401 for a viewer who has to log in first, 403 for one who may not."""

    def gate(
        request: Request,
        viewer: Annotated[Viewer, Depends(viewer_of)],
        context: Annotated[RequestContext, Depends(context_of)],
    ) -> None:
        least = (
            role if context.backend.site.page.open else max(role, UserRole.LOOK, key=lambda user_role: user_role.rank)
        )
        if viewer.role.covers(least):
            return
        if not viewer.name:
            raise HTTPException(401, wording.say(viewer.language, "error.login"))
        raise HTTPException(
            403, wording.say(viewer.language, "error.role", role=wording.role_words(viewer.language, least))
        )

    return gate
