"""What a connection has handed on and nobody has confirmed yet, and when to fetch what had to be refused."""

import threading
import time

SETTLE_S = 0.5  # for so long the last acknowledgements are on their way to the broker
FORGOTTEN_S = 60.0  # what has not been confirmed for so long with nothing left to take up was lost on the way


class InboxControl:
    """Messages of the present connection between the inbox and their acknowledgement. Any thread may call.

    A message that was refused comes again only in a new connection, and with it everything that is not confirmed yet. So
    after a refusal all that follows is refused too, and the connection is made anew when the rest has been confirmed:
    then messages stay in their order, and none is worked on twice.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting = 0
        self._moved_s = time.monotonic()
        self.missed = False  # a message was refused for want of room
        self._lost = False  # somebody died with messages in hand
        self._asked = False  # the new connection is under way

    def begin(self) -> None:
        """A new connection: nothing of it is in anybody's hands."""
        with self._lock:
            self._waiting, self._moved_s = 0, time.monotonic()
            self.missed = self._lost = self._asked = False

    def add(self, more: int) -> None:
        """Messages handed on, or confirmed (less than zero)."""
        with self._lock:
            self._waiting += more
            self._moved_s = time.monotonic()

    def lose(self) -> None:
        """Messages were in the hands of a thread that has died."""
        self._lost = True

    def due(self, inbox_size: int, limit: int) -> bool:
        """Whether to connect anew now, said once per connection; with so many messages in an inbox of that limit."""
        with self._lock:
            quiet_s = time.monotonic() - self._moved_s
            done = self.missed and inbox_size == 0 and quiet_s >= (FORGOTTEN_S if self._waiting else SETTLE_S)
            if self._asked or not (done or (self._lost and inbox_size <= limit // 4)):
                return False
            self._asked = True
            return True


def receive_maximum(wanted: int, inbox_size: int) -> int:
    """Unacknowledged messages we accept: half of the inbox at most, so that it can never be full of them; 0 = no limit."""
    return wanted if inbox_size <= 0 else max(1, min(wanted, inbox_size // 2))
