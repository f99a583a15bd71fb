"""Who asks, and the office that answers: what every sheet gets besides its own question."""

import asyncio
import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from starlette.exceptions import HTTPException

from meterd.errors import described
from meterd.page import Desk, UserRole, Viewer, wording
from meterd.page.access import Guesses, Sessions, UserFile
from meterd.page.change_work import Foresight

log = logging.getLogger("meterd.page")

_SESSION, _LANGUAGE = "meterd_session", "meterd_language"
MOST_STREAMS = 200  # open streams at once: a wall of displays and a phone in every pocket
MOST_STREAMS_EACH = 20  # of one address, so that one machine cannot take them all


@dataclass(slots=True)
class Office:
    """The desk with those who stand before it."""

    desk: Desk
    users: UserFile
    sessions: Sessions
    guesses: Guesses = field(default_factory=Guesses)
    closing: asyncio.Event = field(default_factory=asyncio.Event)  # set when the server ends: streams end by themselves
    streams: dict[str, int] = field(default_factory=dict)  # open streams by address
    press: threading.Lock = field(default_factory=threading.Lock)  # held while a paper is made
    foresight: Foresight = field(default_factory=Foresight)  # what corrections would change
    _told: set[str] = field(default_factory=set)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.desk.site.zone)

    def knows_host(self, host: str) -> bool:
        """Whether the page is reached by a name of its own: a page of elsewhere cannot point its name at us unseen."""
        name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
        name = name.strip("[]").lower()
        try:
            ip_address(name)
        except ValueError:
            known = {"localhost", *(one.lower() for one in self.desk.site.page.hosts)}
            return name in known
        return True

    def broke(self, exc: BaseException) -> None:
        """A request that ended in an exception: told once per kind and place."""
        words = described(exc)
        with self._lock:
            if words in self._told or len(self._told) > 1000:
                return
            self._told.add(words)
        log.error("page: %s", words, extra={"event": "page-failed", "subject": ""})


def office_of(request: Request) -> Office:
    """The office of this application."""
    office: Office = request.app.state.office
    return office


def viewer_of(request: Request, office: Annotated[Office, Depends(office_of)]) -> Viewer:
    """Who asks, by the cookie of the session; the language by cookie, browser and plan, in this order."""
    session = office.sessions.of(request.cookies.get(_SESSION, ""))
    language = _language(request, office)
    if session is None:
        return Viewer(language=language)
    return Viewer(session.user, session.role, language, session.token)


def _language(request: Request, office: Office) -> str:
    chosen = request.cookies.get(_LANGUAGE, "")
    if chosen in wording.LANGUAGES:
        return chosen
    for part in request.headers.get("accept-language", "").split(","):
        name = part.split(";")[0].strip().split("-")[0].lower()
        if name in wording.LANGUAGES:
            return name
    return office.desk.site.page.language


def needs(role: UserRole) -> Callable[[Request, Viewer, Office], None]:
    """A gate: 401 for whoever has to log in first, 403 for whoever may not."""

    def gate(
        request: Request,
        viewer: Annotated[Viewer, Depends(viewer_of)],
        office: Annotated[Office, Depends(office_of)],
    ) -> None:
        least = role if office.desk.site.page.open else max(role, UserRole.LOOK, key=lambda one: one.rank)
        if viewer.role.covers(least):
            return
        if not viewer.name:
            raise HTTPException(401, wording.say(viewer.language, "error.login"))
        raise HTTPException(403, wording.say(viewer.language, "error.role", role=str(least)))

    return gate
