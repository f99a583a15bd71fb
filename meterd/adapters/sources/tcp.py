"""Bytes over TCP or a serial port of this machine: bounded waiting, and a way to wake whoever waits."""

import contextlib
import select
import socket
import time
from typing import Generic, Protocol, TypeVar

from meterd.adapters.sources.serial_port import LineOptions, SerialChannel
from meterd.core.errors import SourceError

CHUNK = 4096
LOOK_S = 0.2  # how often who waits for a serial port looks whether to end


class NoAnswer(SourceError):
    """Nothing came within the limit; the connection may still be good."""


class LineLost(SourceError):
    """The connection is gone."""


class Wire:
    """One connection. One thread talks; any thread may `abort`."""

    def __init__(self, options: LineOptions) -> None:
        self._options = options
        self._timeout_s = options.timeout_s
        self._channel: socket.socket | SerialChannel | None = None
        self._quiet_until = 0.0

    def open(self) -> None:
        """Connect within the limit; OSError or SourceError if that fails."""
        self.close()
        self._channel = self._connected()
        while (left := self._quiet_until - time.monotonic()) > 0:
            with contextlib.suppress(NoAnswer):
                self.receive(left)
        self._quiet_until = 0.0

    def _connected(self) -> socket.socket | SerialChannel:
        if self._options.serial_port:
            return SerialChannel(self._options)
        made = socket.create_connection((self._options.host, self._options.port), self._timeout_s)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)  # a device that lost power never says goodbye
        made.setblocking(False)
        return made

    def give_up(self) -> None:
        """Close after silence or nonsense; the next connection stays quiet for as long as a late answer may take."""
        self.close()
        self._quiet_until = time.monotonic() + self._timeout_s

    def is_open(self) -> bool:
        """Whether a connection was made and not yet closed."""
        return self._channel is not None

    def close(self) -> None:
        """Close; nothing that is still on the way is ever seen."""
        made, self._channel = self._channel, None
        if made is not None:
            made.close()

    def abort(self) -> None:
        """End the waiting of the thread that talks."""
        made = self._channel
        if made is not None:
            with contextlib.suppress(OSError):
                made.shutdown(socket.SHUT_RDWR)

    def send(self, data: bytes) -> None:
        """Send all of it; LineLost or NoAnswer otherwise."""
        deadline = time.monotonic() + self._timeout_s
        view = memoryview(data)
        while view:
            made = self._made()
            if not select.select([], [made], [], max(0.0, deadline - time.monotonic()))[1]:
                raise NoAnswer(f"{self.peer()} takes nothing")
            try:
                view = view[made.send(view) :]
            except BlockingIOError:
                continue
            except OSError as exc:
                raise LineLost(f"connection to {self.peer()} lost: {exc}") from exc

    def receive(self, wait_s: float) -> bytes:
        """What comes within so many seconds, at least one byte; NoAnswer or LineLost otherwise."""
        made = self._made()
        if not _readable(made, wait_s):
            raise NoAnswer(f"no answer from {self.peer()} within the limit")
        try:
            data = made.recv(CHUNK)
        except BlockingIOError as exc:
            raise NoAnswer(f"no answer from {self.peer()}") from exc
        except OSError as exc:
            raise LineLost(f"connection to {self.peer()} lost: {exc}") from exc
        if not data:
            raise LineLost(f"{self.peer()} closed the connection")
        return data

    def drain(self) -> int:
        """Throw away what lies there: it belongs to no request that is open. Returns how many bytes it was."""
        count = 0
        while True:
            try:
                count += len(self.receive(0.0))
            except NoAnswer:
                return count

    def peer(self) -> str:
        """The other end, for messages."""
        return self._options.peer

    def _made(self) -> socket.socket | SerialChannel:
        if self._channel is None:
            raise LineLost(f"not connected to {self.peer()}")
        return self._channel


def _readable(made: socket.socket | SerialChannel, wait_s: float) -> bool:
    """Whether there is something to read within so many seconds. LineLost if the waiting is ended."""
    if isinstance(made, socket.socket):
        return bool(select.select([made], [], [], max(0.0, wait_s))[0])
    deadline = time.monotonic() + wait_s
    while True:
        left = max(0.0, deadline - time.monotonic())
        if made.ended:
            raise LineLost("ended")
        if select.select([made], [], [], min(left, LOOK_S))[0]:
            return True
        if left <= LOOK_S:
            return False


class Connection(Protocol):
    """What a wire can do, whatever runs over it."""

    def open(self) -> None:
        """Connect; OSError or SourceError if that fails."""

    def is_open(self) -> bool:
        """Whether it may be read."""

    def close(self) -> None:
        """Close; what is still on the way is never seen."""

    def abort(self) -> None:
        """Wake the thread that waits."""


W = TypeVar("W", bound=Connection)


class OverWire(Generic[W]):
    """The connection side of a line: each protocol adds what it asks and how it reads the answer."""

    def __init__(self, wire: W) -> None:
        self._wire = wire

    def open(self) -> None:
        """Connect; OSError or SourceError if that fails."""
        self._wire.open()

    def is_open(self) -> bool:
        """Whether it may be read."""
        return self._wire.is_open()

    def close(self) -> None:
        """Close; what is still on the way is never seen."""
        self._wire.close()

    def abort(self) -> None:
        """Wake the thread that waits for an answer."""
        self._wire.abort()
