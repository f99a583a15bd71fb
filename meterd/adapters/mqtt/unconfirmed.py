"""Our publishes of the present connection that the broker has not confirmed yet, and those it has refused."""

import threading

REFUSED_MOST = 1000  # topics remembered whose publishes the broker refuses


class Unconfirmed:
    """Any thread may call. The confirmation may be here before publish() has returned the number of the message."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: dict[int, str] = {}
        self._early: dict[int, str] = {}
        self._refused: dict[str, str] = {}

    def __len__(self) -> int:
        return len(self._waiting)

    def begin(self) -> None:
        """A new connection: nothing of it is under way."""
        with self._lock:
            self._waiting.clear()
            self._early.clear()
            self._refused.clear()

    def sent(self, mid: int, topic: str) -> None:
        """A message went out under a number."""
        with self._lock:
            if mid in self._early:
                self._note(topic, self._early.pop(mid))
            else:
                self._waiting[mid] = topic

    def answered(self, mid: int, refusal: str) -> None:
        """The broker confirmed a message, or refused it with a reason."""
        with self._lock:
            if mid in self._waiting:
                self._note(self._waiting.pop(mid), refusal)
            else:
                self._early[mid] = refusal

    def _note(self, topic: str, refusal: str) -> None:
        if not refusal:
            self._refused.pop(topic, None)
        elif topic in self._refused or len(self._refused) < REFUSED_MOST:
            self._refused[topic] = refusal

    def refused(self) -> dict[str, str]:
        """Topics whose last publish was refused, with the reason."""
        with self._lock:
            return dict(self._refused)
