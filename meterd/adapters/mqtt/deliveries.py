"""Which subscribed topics have delivered something in the present connection: a granted subscription proves nothing yet."""

import time
from collections.abc import Iterable


class Deliveries:
    """Noted on the network thread; any thread may ask."""

    def __init__(self, topics: Iterable[str]) -> None:
        self._unheard = dict.fromkeys(topics)
        self._topics = tuple(self._unheard)
        self.begun_s = 0.0

    def begin(self) -> None:
        """A new connection: nothing has come in it, and what the broker keeps for us comes again."""
        self._unheard = dict.fromkeys(self._topics)
        self.begun_s = time.monotonic()

    def note(self, topic: str) -> None:
        """A message came, whatever is in it."""
        self._unheard.pop(topic, None)

    def unheard(self) -> tuple[str, ...]:
        """Topics on which nothing came, in the order of the plan."""
        return tuple(self._unheard.copy())
