"""What stands before the application: whom it answers, how much at once, under which path; headers that keep a browser safe."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

from fastapi.responses import PlainTextResponse
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from meterd.adapters.web.request_context import RequestContext

LARGEST_BODY = 65_536  # bytes of a request: a form is below 2 kB
MOST_EACH = 8  # answers of one address being made at once: a machine that asks for heavy ones keeps threads for others
MOST_WAITING = 64  # of one address behind them; what comes above gets a 503
PROGRAM = ("/health", "/ready", "/metrics")  # for those who watch the program: beyond every limit
_TOO_LARGE = PlainTextResponse("the request is too large", status_code=413)
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


class Busy(Exception):
    """One address asks for more than may wait."""


class Turns:
    """Answers of one address at a time, the others wait for their turn. Lives in the loop of the server."""

    def __init__(self) -> None:
        self._running: dict[str, asyncio.Semaphore] = {}
        self._asked: dict[str, int] = {}

    @asynccontextmanager
    async def of(self, address: str) -> AsyncIterator[None]:
        """A turn of this address; Busy if too many wait already."""
        if self._asked.get(address, 0) >= MOST_EACH + MOST_WAITING:
            raise Busy
        gate = self._running.setdefault(address, asyncio.Semaphore(MOST_EACH))
        self._asked[address] = self._asked.get(address, 0) + 1
        try:
            async with gate:
                yield
        finally:
            self._asked[address] -= 1
            if not self._asked[address]:
                del self._asked[address], self._running[address]


class Guard:
    """Before anything else: the host is ours, the body is small, the address has a turn; afterwards: safe headers."""

    def __init__(self, app: ASGIApp, context: RequestContext) -> None:
        self._app = app
        self._context = context
        self._turns = Turns()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        if not self._context.knows_host(headers.get(b"host", b"").decode("latin-1")):
            words = "this name is not one of the page; add it to hosts in [page] of the plan"
            await PlainTextResponse(words, status_code=421)(scope, receive, send)
            return
        length = headers.get(b"content-length", b"0")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            await _TOO_LARGE(scope, receive, send)
            return
        request = await _whole(receive)
        if request["type"] == "http.disconnect":
            return
        if len(request["body"]) > LARGEST_BODY:
            await _TOO_LARGE(scope, receive, send)
            return
        receive = _first(request, receive)
        root = self._context.root
        _step_below(scope, root)
        guarded = _with_headers(send, root=root, https=scope.get("scheme") == "https")
        if scope["path"] in (*PROGRAM, "/stream"):  # a stream has a limit of its own
            await self._app(scope, receive, guarded)
            return
        address = scope["client"][0] if scope.get("client") else ""
        try:
            async with self._turns.of(address):
                await self._app(scope, receive, guarded)
        except Busy:
            response = PlainTextResponse("too many questions at once", status_code=503, headers={"retry-after": "5"})
            await response(scope, receive, send)


def _step_below(scope: Scope, root: str) -> None:
    """The request as if the page stood at the root: a proxy may hand on its path with or without the part before ours."""
    path: str = scope["path"]
    if root and (path == root or path.startswith(f"{root}/")):
        scope["path"] = path[len(root) :] or "/"
        scope["raw_path"] = scope["path"].encode()


async def _whole(receive: Receive) -> Message:
    """The request with its whole body, or what came instead of the rest. A half-sent one holds a connection, but no turn."""
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if len(body) > LARGEST_BODY or not message.get("more_body", False):
            return {**message, "body": body}


def _first(message: Message, receive: Receive) -> Receive:
    """What has come already, then what comes."""
    waiting = [message]

    async def received() -> Message:
        return waiting.pop() if waiting else await receive()

    return received


def _with_headers(send: Send, *, root: str, https: bool) -> Callable[[Message], Awaitable[None]]:
    """Headers for the browser; a way inside the page leads below the path it has at a proxy."""

    async def guarded(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for key, value in _HEADERS.items():
                headers.setdefault(key, value)
            if https:
                headers.setdefault("strict-transport-security", "max-age=31536000")
            if root and (to := headers.get("location", "")).startswith("/"):
                headers["location"] = root + to
        await send(message)

    return guarded
