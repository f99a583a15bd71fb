"""A socket that reads and writes in large pieces, below a client that reads byte by byte and sends packet by packet.

paho-mqtt 2.2 asks the system three or four times for each packet it reads, and once for each confirmation it sends. With
other threads at work each of these calls gives the interpreter away and has to wait for it again.
"""

import socket
import ssl
from contextlib import suppress

READ_BYTES = 64 * 1024  # at once: some 400 readings
HELD_BYTES = 256 * 1024  # to be sent; beyond it the client keeps its packets
FAREWELL_S = 1.0  # for the last bytes of a connection that is closed
_LATER = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class BufferedSocket:
    """What paho needs of a socket. What is sent leaves with `flush`, so call it. Belongs to one thread."""

    def __init__(self, plain: socket.socket) -> None:
        self.plain = plain
        self._read = b""
        self._at = 0
        self._unsent = bytearray()
        self._fault: OSError | None = None

    def recv(self, size: int) -> bytes:
        """At most so many bytes, of those at hand or else of the system; as `socket.recv`."""
        if self._at >= len(self._read):
            if self._fault is not None:
                raise self._fault
            self._read, self._at = self.plain.recv(READ_BYTES), 0
        begin, self._at = self._at, self._at + size
        return self._read[begin : self._at]

    def pending(self) -> int:
        """Bytes at hand, for which nobody has to wait."""
        at_hand = max(0, len(self._read) - self._at)
        return at_hand + (self.plain.pending() if isinstance(self.plain, ssl.SSLSocket) else 0)

    def send(self, data: bytes | bytearray) -> int:
        """Keep bytes to be sent; BlockingIOError if too many wait already."""
        if self._fault is not None:
            raise self._fault
        if len(self._unsent) >= HELD_BYTES:
            self.flush()
            if len(self._unsent) >= HELD_BYTES:
                raise BlockingIOError
        self._unsent += data
        return len(data)

    def flush(self) -> bool:
        """Send what the system takes; whether that was all. A fault is raised by what is asked next."""
        while self._unsent:
            try:
                sent = self.plain.send(self._unsent)
            except _LATER:
                return False
            except OSError as exc:
                self._fault = exc
                self._unsent.clear()
            else:
                del self._unsent[:sent]
        return True

    def broken(self) -> bool:
        """Whether sending failed: nothing can be read any more either."""
        return self._fault is not None

    def close(self) -> None:
        """Send the last bytes if the other side takes them within `FAREWELL_S`, and close."""
        with suppress(OSError):
            if self._unsent and self._fault is None:
                self.plain.settimeout(FAREWELL_S)
                self.plain.sendall(self._unsent)
        self._unsent.clear()
        self.plain.close()

    def fileno(self) -> int:
        """For who waits."""
        return self.plain.fileno()

    def setblocking(self, flag: bool) -> None:
        """As `socket.setblocking`."""
        self.plain.setblocking(flag)
