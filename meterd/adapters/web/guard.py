"""What stands before the application: whom it answers, how much at once, under which path; headers that keep a browser safe."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

from fastapi.responses import PlainTextResponse
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from meterd.adapters.web.request_context import RequestContext

LARGEST_BODY = 65_536  # bytes of a request: a form is below 2 kB
MOST_EACH = 6  # answers of one address being made at once, as many as a browser asks for
MOST_WAITING = 64  # of one address behind them; what comes above gets a 503
REST_S = 0.05  # a turn rests as long as its answer took, this long at least: others need the processor and the loop too
LONGEST_REST_S = 1.0
STREAM = "/stream"  # open as long as the page is; it has a limit of its own
PROGRAM = ("/health", "/ready", "/metrics")  # each has turns of its own: whoever watches the program waits for no page
PROGRAM_EACH = 2  # made in the loop itself, so one after another
_TOO_LARGE = PlainTextResponse("the request is too large", status_code=413)
HEADERS = {
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
    """Answers of one address at a time, the others wait for their turn. Lives in the loop of the server.

    Made at once, cheap answers would be as bad as heavy ones: with 32 of `/health` always ready in the loop, each of the
    dozen steps of another one's page waits for all of them.
    """

    def __init__(self) -> None:
        self._running: dict[str, asyncio.Semaphore] = {}
        self._asked: dict[str, int] = {}

    @asynccontextmanager
    async def of(self, address: str, path: str) -> AsyncIterator[None]:
        """A turn of this address; Busy if too many wait already."""
        whose, most = (f"{address} {path}", PROGRAM_EACH) if path in PROGRAM else (address, MOST_EACH)
        if self._asked.get(whose, 0) >= most + MOST_WAITING:
            raise Busy
        gate = self._running.setdefault(whose, asyncio.Semaphore(most))
        self._asked[whose] = self._asked.get(whose, 0) + 1
        try:
            await gate.acquire()
        except BaseException:
            self._leave(whose)
            raise
        loop = asyncio.get_running_loop()
        begun = loop.time()
        try:
            yield
        finally:
            rest_s = min(max(REST_S, loop.time() - begun), LONGEST_REST_S)
            loop.call_later(rest_s, self._end, whose)

    def _end(self, whose: str) -> None:
        self._running[whose].release()
        self._leave(whose)

    def _leave(self, whose: str) -> None:
        self._asked[whose] -= 1
        if not self._asked[whose]:
            del self._asked[whose], self._running[whose]


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
        answer: ASGIApp | None = self._refusal(scope)
        if answer is None:
            request = await _whole(receive)
            if request["type"] == "http.disconnect":
                return
            receive = _first(request, receive)
            answer = self._app if len(request["body"]) <= LARGEST_BODY else _TOO_LARGE
        root = self._context.root
        _step_below(scope, root)
        guarded = _with_headers(send, root=root, https=scope.get("scheme") == "https")
        path, address = scope["path"], scope["client"][0] if scope.get("client") else ""
        try:
            async with self._turns.of(address, path):
                if path != STREAM:
                    await answer(scope, receive, guarded)
        except Busy:
            answer = PlainTextResponse("too many questions at once", status_code=503, headers={"retry-after": "5"})
            await answer(scope, receive, guarded)
            return
        if path == STREAM:
            await answer(scope, receive, guarded)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = dict(scope["headers"])
        if not self._context.knows_host(headers.get(b"host", b"").decode("latin-1")):
            text = "this name is not one of the page; add it to hosts in [page] of the plan"
            return PlainTextResponse(text, status_code=421)
        length = headers.get(b"content-length", b"0")
        return None if length.isdigit() and int(length) <= LARGEST_BODY else _TOO_LARGE


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
            for key, value in HEADERS.items():
                headers.setdefault(key, value)
            if https:
                headers.setdefault("strict-transport-security", "max-age=31536000")
            if root and (to := headers.get("location", "")).startswith("/"):
                headers["location"] = root + to
        await send(message)

    return guarded
