"""A wire to a server that can be cut in the middle of a file."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass


@dataclass(slots=True)
class Wire:
    """A port that leads to the server. After `most` bytes from the client it is cut; then nothing answers there."""

    port: int
    to: int  # the port of the server
    most: int | None = None
    passed: int = 0


@contextmanager
def relay(port: int) -> Iterator[Wire]:
    """Leads to a port of this machine."""
    listener = socket.create_server(("127.0.0.1", 0))
    wire = Wire(listener.getsockname()[1], port)
    ends: list[socket.socket] = [listener]

    def cut() -> None:
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def carry(source: socket.socket, to: socket.socket, counts: bool) -> None:
        with suppress(OSError):
            while data := source.recv(65_536):
                if counts:
                    wire.passed += len(data)
                    if wire.most is not None and wire.passed > wire.most:
                        cut()
                        return
                to.sendall(data)
        for end in (source, to):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        with suppress(OSError):
            while True:
                client, _ = listener.accept()
                server = socket.create_connection(("127.0.0.1", port), timeout=60)
                server.settimeout(None)
                ends.extend((client, server))
                threading.Thread(target=carry, args=(client, server, True), daemon=True).start()
                threading.Thread(target=carry, args=(server, client, False), daemon=True).start()

    thread = threading.Thread(target=serve, name="relay")
    thread.start()
    try:
        yield wire
    finally:
        cut()
        thread.join(10)
