"""Corrections asked for by the form, on small stores."""

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx
import numpy as np

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.corrections import correction_page as change
from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.server import PageServer
from meterd.adapters.web.users import UserFile
from meterd.core.model.finding import Finding
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT
from tests.adapters.web.conftest import PASSWORD
from tests.adapters.web.request_contexts import BEGIN, SITE, context_of, shot, steady

HOUR = 3_600_000
ADA = Viewer("ada", UserRole.CHANGE, "en")
WISH = {"point": "old-ovens", "register": "import", "from": "2026-05-04 13:00", "until": "2026-05-04T14:00+02:00"}
WISH |= {"factor": "250/200", "reason": "plate says 250/5"}


def three_hours(path: Path, findings: Sequence[Finding] = ()) -> RequestContext:
    """Three hours: q01 takes 4 kW, q02 1 kW, the feed gives both."""
    return context_of(path, [*steady("t1", 5000.0), *steady("q01", 4000.0), *steady("q02", 1000.0)], findings)


def asked(**fields: str) -> change.CorrectionQuery:
    """What the form asks when it is sent."""
    names = {"from": "begin", "until": "end"}
    written = {names.get(name, name): value for name, value in {**WISH, **fields}.items()}
    return change.CorrectionQuery(check="yes", **written)  # type: ignore[arg-type]


def seen(context: RequestContext, wish: change.CorrectionQuery, viewer: Viewer = ADA) -> change.ChangeView:
    """The page once its preview is there."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        view = change.view(context, viewer, shot(context), wish)
        if view.preview is None or view.preview.state not in ("working", "busy"):
            return view
    raise AssertionError("the preview did not end")


def energies(path: Path, point: str = "q01") -> list[int]:
    """Energies of the closed intervals of a point."""
    store = SqliteStore.reader(path)
    grid = np.arange(BEGIN, BEGIN + 3 * HOUR, 900_000, dtype=np.int64)
    results: list[int] = store.columns([(point, IMPORT)], Period.INTERVAL, grid).energy[:, 0].tolist()
    store.close()
    return results


@contextmanager
def come_in(
    path: Path, role: UserRole = UserRole.CHANGE, findings: Sequence[Finding] = ()
) -> Iterator[tuple[RequestContext, httpx.Client, str]]:
    """The page of a store over a socket, somebody who has logged in, and the token of the forms."""
    users = UserFile(path.with_name("users"))
    users.keep("ada", role, PASSWORD)
    made = three_hours(path, findings)
    server = PageServer(made.backend, users.path)
    server.context.backend._daemon.site = replace(SITE, page=replace(SITE.page, port=free_port()))  # type: ignore[attr-defined]
    server.start()
    try:
        cookie = server.context.sessions.begin(users.users()["ada"])
        with httpx.Client(
            base_url=server.address, cookies={server.context.session_cookie: cookie}, timeout=60
        ) as asking:
            session = server.context.sessions.of(cookie)
            assert session is not None
            yield server.context, asking, session.token
    finally:
        server.stop(5)
