"""How long a connection may keep us waiting, and how many one machine may hold: half-sent requests and answers that nobody
reads must not shut the page.

Works around uvicorn 0.54, which waits for the rest of a request and for a reader without limit, and answers 503 to everybody,
the health check too, while `limit_concurrency` connections are open. tests/adapters/web/test_connections.py fails without it.
"""

import asyncio
import socket
from collections.abc import Collection
from contextlib import suppress
from ipaddress import ip_address, ip_network

from uvicorn.protocols.http.h11_impl import H11Protocol

REQUEST_S = 15.0  # from the first moment to the whole request, which is below 2 kB mostly: a slow line needs one second
UNREAD_S = 30.0  # while nothing of an answer is taken: a phone that loses its network for a moment gets the rest
MOST_EACH = 64  # of one address: a browser opens six, a wall of displays behind one address a few dozen
MOST = 512  # in all, half of the files a process usually may hold


class LimitedProtocol(H11Protocol):
    """One connection. Where there are too many, the one that has kept us waiting longest gives way."""

    timer: asyncio.TimerHandle | None = None

    @property
    def waits(self) -> bool:
        """Whether it is the turn of the other side: to send the rest of a request or the next one, or to read the answer."""
        if self.cycle is None or self.cycle.response_complete or self.flow.write_paused:
            return True
        return bool(self.cycle.more_body)

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait, and make room."""
        super().connection_made(transport)
        self.since = self.loop.time()
        self._expect()
        self._make_room()

    def data_received(self, data: bytes) -> None:
        """What is still not whole has the time that is left, however often a byte of it comes."""
        super().data_received(data)
        self._expect()

    def on_response_complete(self) -> None:
        """The next request may take as long as the first; until its first byte the wait for a kept connection counts."""
        if not self.flow.write_paused:
            self._forget()
            self.since = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        """Nobody reads the answer as fast as it comes: wait, but not for ever."""
        super().pause_writing()
        self._forget()
        self.since = self.loop.time()
        self._expect()

    def resume_writing(self) -> None:
        """It is read."""
        super().resume_writing()
        self._forget()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing more is waited for."""
        self._forget()
        super().connection_lost(exc)

    def _expect(self) -> None:
        if not self.waits:
            self._forget()
        elif self.timer is None:
            limit_s = UNREAD_S if self.flow.write_paused else REQUEST_S
            self.timer = self.loop.call_later(limit_s, self.transport.abort)

    def _forget(self) -> None:
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None

    def _make_room(self) -> None:
        here = [item for item in self.connections if isinstance(item, LimitedProtocol)]
        if not self._is_proxy():
            self._let_go(
                [item for item in here if item.client and self.client and item.client[0] == self.client[0]], MOST_EACH
            )
        self._let_go(here, MOST)

    def _let_go(self, some: "list[LimitedProtocol]", most: int) -> None:
        if len(some) <= most:
            return
        longest = min(
            (limited_protocol for limited_protocol in some if limited_protocol.waits and limited_protocol is not self),
            key=_since,
            default=None,
        )
        if longest is not None:
            longest.connections.discard(longest)
            longest.transport.abort()

    def _is_proxy(self) -> bool:
        """Whether the plan names this address as a proxy: all people who come through it share it."""
        trusted = self.config.forwarded_allow_ips
        if self.client is None or not isinstance(trusted, list):
            return False
        return any(ip_address(self.client[0].partition("%")[0]) in ip_network(item) for item in trusted)


def _since(limited_protocol: LimitedProtocol) -> float:
    return limited_protocol.since


class CountingListener(socket.socket):
    """Takes connections in and lets those go that never come to a protocol.

    With TLS that is until the handshake is done, for which asyncio waits 60 s without a limit in number.
    """

    def __init__(self, listener: socket.socket, connections: Collection[asyncio.Protocol]) -> None:
        super().__init__(fileno=listener.detach())
        self._connections = connections
        self._taken: list[tuple[socket.socket, str]] = []

    def accept(self) -> tuple[socket.socket, tuple[str, int]]:
        """The next connection, once there is room for it."""
        line, address = super().accept()
        self._taken = [item for item in self._taken if item[0].fileno() >= 0]
        self._taken.append((line, address[0]))
        self._let_go([item for item, host in self._taken if host == address[0]], MOST_EACH)
        self._let_go([item for item, _host in self._taken], MOST)
        return line, address

    def _let_go(self, lines: list[socket.socket], most: int) -> None:
        if len(lines) <= most:
            return
        here = [item.transport for item in self._connections if isinstance(item, LimitedProtocol)]
        known = {transport.get_extra_info("socket").fileno() for transport in here}
        for line in [item for item in lines if item.fileno() not in known][:-most]:
            with suppress(OSError):  # the other side was faster
                line.shutdown(socket.SHUT_RDWR)
