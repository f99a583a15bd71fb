"""The thread below a client of paho: connects, reads, writes, waits, and connects again.

Only the functions that the library has for other loops than its own are called. Its own (paho-mqtt 2.2) waits once for
each packet and gives nobody a word when all that has come is read.
"""

import selectors
import socket
import threading
from collections.abc import Callable
from contextlib import suppress

import paho.mqtt.client as paho

from meterd.adapters.mqtt.buffered_socket import BufferedSocket
from meterd.adapters.mqtt.connection_loss import Pauses
from meterd.adapters.mqtt.shared_tables import share_tables

LOOK_S = 1.0  # between two looks at the keep-alive
PACKETS_AT_ONCE = 512  # read before others get their turn

share_tables()


class Client(paho.Client):
    """The library's client over a socket with buffers (private name, paho-mqtt < 3)."""

    def _create_socket(self) -> BufferedSocket:
        plain = super()._create_socket()
        assert isinstance(plain, socket.socket), "only TCP and TLS are used"
        return BufferedSocket(plain)


def plain_socket(client: paho.Client) -> socket.socket | None:
    """The socket of a connection; None where there is none."""
    sock = client.socket()
    return sock.plain if isinstance(sock, BufferedSocket) else None


class NetworkLoop:
    """Serves one client until `end`. `read` is called whenever all that has come was given to the client's callbacks."""

    def __init__(
        self, client: Client, pauses: Pauses, *, read: Callable[[], None], not_made: Callable[[OSError], None]
    ) -> None:
        self._client, self._pauses = client, pauses
        self._read, self._not_made = read, not_made
        self._ending = threading.Event()
        self._bell: socket.socket | None = None
        self._rung = False
        # the client must not write on the thread of whoever publishes
        client.on_socket_register_write = lambda *_: self.ring()

    def ring(self) -> None:
        """Something is to be sent. Any thread may call."""
        bell = self._bell
        if bell is not None and not self._rung:
            self._rung = True
            with suppress(OSError):  # full, or closed meanwhile: the loop looks, or has ended
                bell.send(b"!")

    def end(self) -> None:
        """Connect no more; the connection is ended by the client."""
        self._ending.set()
        self.ring()

    def run(self) -> None:
        """The work of the thread."""
        heard, self._bell = socket.socketpair()
        heard.setblocking(False)
        self._bell.setblocking(False)
        with heard, self._bell, selectors.DefaultSelector() as selector:
            selector.register(heard, selectors.EVENT_READ)
            while not self._ending.is_set():
                if (sock := self._connected()) is not None:
                    self._serve(sock, selector, heard)
                self._ending.wait(self._pauses.next_s())

    def _connected(self) -> BufferedSocket | None:
        try:
            self._client.reconnect()
        except OSError as exc:
            self._not_made(exc)
            return None
        sock = self._client.socket()
        assert isinstance(sock, BufferedSocket), "made by `Client`"
        return sock

    def _serve(self, sock: BufferedSocket, selector: selectors.BaseSelector, heard: socket.socket) -> None:
        """Until the connection has ended."""
        client = self._client
        wanted = selectors.EVENT_READ
        selector.register(sock, wanted)
        try:
            while client.socket() is sock:
                client.loop_write()
                events = selectors.EVENT_READ | (0 if sock.flush() else selectors.EVENT_WRITE)
                client.loop_misc()
                if client.socket() is not sock:
                    break
                if events != wanted:
                    wanted = events
                    selector.modify(sock, wanted)
                at_hand = sock.pending() > 0 or sock.broken()
                ready = {key.fileobj for key, _ in selector.select(0.0 if at_hand else LOOK_S)}
                if heard in ready:
                    self._hear(heard)
                if at_hand or sock in ready:
                    self._read_all(sock)
        finally:
            with suppress(KeyError):
                selector.unregister(sock)
            sock.close()

    def _hear(self, heard: socket.socket) -> None:
        self._rung = False  # before what was rung for is looked at
        with suppress(BlockingIOError):
            heard.recv(16)

    def _read_all(self, sock: BufferedSocket) -> None:
        client = self._client
        for _ in range(PACKETS_AT_ONCE):
            client.loop_read()
            if client.socket() is not sock or not sock.pending():
                break
        self._read()
