"""The server of the page: one thread with its own event loop. What goes wrong in it touches no reading."""

import asyncio
import logging
import socket
from functools import partial
from pathlib import Path

import uvicorn

from meterd.adapters.runtime.worker import Worker
from meterd.adapters.web.app import application
from meterd.adapters.web.backend import WebBackend
from meterd.adapters.web.connections import CountingListener, LimitedProtocol
from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.users import Sessions, UserFile
from meterd.core.errors import PublishError

log = logging.getLogger("meterd.page")

ACCEPTED_AT_ONCE = 128  # connections taken in before any of them is counted
CLOSE_S = 2  # for answers on their way when the daemon ends


class PageServer:
    """Serves the page of one backend until it is stopped."""

    def __init__(self, backend: WebBackend, users_path: Path) -> None:
        users = UserFile(users_path)
        self.context = RequestContext(backend, users, Sessions(users, backend.now_ms, login=lambda: backend.site.login))
        self._server: uvicorn.Server | None = None
        self._worker: Worker | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self.address = ""

    def start(self) -> None:
        """Listen and serve. PublishError if the address cannot be had."""
        page = self.context.backend.site.page
        family = socket.AF_INET6 if ":" in page.listen else socket.AF_INET
        try:
            listener = socket.create_server((page.listen, page.port), family=family, backlog=ACCEPTED_AT_ONCE)
        except OSError as exc:
            raise PublishError(
                f"cannot serve the page at {page.listen} port {page.port}: {exc.strerror or exc}"
            ) from exc
        scheme = "https" if page.cert_file else "http"
        shown = f"[{page.listen}]" if family is socket.AF_INET6 else page.listen
        self.address = f"{scheme}://{shown}:{listener.getsockname()[1]}/"
        config = uvicorn.Config(
            application(self.context),
            http=LimitedProtocol,
            backlog=ACCEPTED_AT_ONCE,
            proxy_headers=bool(page.proxies),  # uvicorn believes 127.0.0.1 unless set otherwise
            forwarded_allow_ips=list(page.proxies),
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=CLOSE_S,
            timeout_keep_alive=20,
            ws="none",
            lifespan="off",
            ssl_certfile=page.cert_file or None,
            ssl_keyfile=page.key_file or None,
        )
        self._server = uvicorn.Server(config)
        counting = CountingListener(listener, self._server.server_state.connections)
        self._worker = Worker("page", partial(self._serve, counting))
        self._worker.start()

    def _serve(self, listener: socket.socket) -> None:
        server = self._server
        assert server is not None, "started by start()"

        async def work() -> None:
            self._loop = asyncio.get_running_loop()
            await server.serve(sockets=[listener])

        asyncio.run(work())

    @property
    def alive(self) -> bool:
        """Whether it serves."""
        return self._worker is not None and self._worker.alive

    def stop(self, limit_s: float) -> None:
        """End; open streams end by themselves, answers on their way have CLOSE_S."""
        if self._server is None or self._worker is None:
            return
        self._server.should_exit = True
        if self._loop is not None and self._loop.is_running():
            self._loop.call_soon_threadsafe(self.context.closing.set)
        self._worker.join(limit_s)
