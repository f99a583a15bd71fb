"""How long a connection may say nothing whole, and how many one machine may hold: half-sent requests must not shut the page.

Works around uvicorn 0.54, which waits for the rest of a header without limit and answers 503 to everybody, the health check
too, while `limit_concurrency` connections are open. tests/adapters/web/test_connections.py fails without this file.
"""

import asyncio
from ipaddress import ip_address, ip_network

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_S = 10.0  # from the first moment to the whole header: a slow line needs one
MOST_EACH = 64  # of one address: a browser opens six, a wall of displays behind one address a few dozen
MOST = 512  # in all, half of the files a process usually may hold


class LimitedProtocol(H11Protocol):
    """One connection. Where there are too many, the one that has waited longest for its header gives way."""

    timer: asyncio.TimerHandle | None = None

    @property
    def waits(self) -> bool:
        """Whether nothing is being answered: a header is not whole yet, or the next one has not come."""
        return self.cycle is None or self.cycle.response_complete

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
        """The next header may take as long as the first; until its first byte the wait for a kept connection counts."""
        self._forget()
        self.since = self.loop.time()
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing more is waited for."""
        self._forget()
        super().connection_lost(exc)

    def _expect(self) -> None:
        if not self.waits:
            self._forget()
        elif self.timer is None and not self.transport.is_closing():
            self.timer = self.loop.call_later(HEADER_S, self.transport.abort)

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
