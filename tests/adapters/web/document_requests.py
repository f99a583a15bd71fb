"""A page that documents are asked of over a socket."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.server import PageServer
from meterd.adapters.web.users import UserFile
from meterd.core.model.plan import Site
from tests.adapters.web.conftest import PASSWORD
from tests.adapters.web.request_contexts import SITE, context_of, steady

DOCUMENTS = "/document?kind=documents&form=xlsx"
MONTH = "kind=report&period=2026-05&language=en"


@contextmanager
def come_in(path: Path, *, site: Site = SITE) -> Iterator[tuple[RequestContext, httpx.Client]]:
    """The page of a small site over a socket, and somebody who has logged in."""
    users = UserFile(path.with_name("users"))
    users.keep("ada", UserRole.LOOK, PASSWORD)
    backend = context_of(
        path, steady("t1", 5000.0), site=replace(site, page=replace(site.page, port=free_port()))
    ).backend
    server = PageServer(backend, users.path)
    server.start()
    try:
        cookie = {server.context.session_cookie: server.context.sessions.begin(users.users()["ada"])}
        with httpx.Client(base_url=server.address, cookies=cookie, timeout=30) as asking:
            yield server.context, asking
    finally:
        server.stop(5)
