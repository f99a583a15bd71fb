"""Messages between the network thread and whoever works on them; many change hands at once."""

import queue
import time
from collections.abc import Sequence
from typing import NamedTuple


class Token(NamedTuple):
    """Which message of which connection an acknowledgement is for. QoS 0 needs none."""

    connection: int
    mid: int
    qos: int


class Message(NamedTuple):
    """One message as it came: bytes, flags, and the monotonic second of its arrival."""

    topic: str
    payload: bytes
    retain: bool
    dup: bool
    token: Token
    arrived: float


class MessageQueue(queue.Queue[Message]):
    """A queue of messages that also takes and gives many: one hand-over for all that one look at the network found."""

    def put_all(self, messages: Sequence[Message], limit_s: float) -> int:
        """Put them in their order, waiting for room within the limit; how many there was room for."""
        deadline, done = time.monotonic() + limit_s, 0
        with self.mutex:
            while done < len(messages):
                free = self.maxsize - len(self.queue) if self.maxsize > 0 else len(messages)
                if free > 0:
                    self.queue.extend(messages[done : done + free])
                    done += free
                    self.not_empty.notify()
                elif not self.not_full.wait(deadline - time.monotonic()):
                    break
        return min(done, len(messages))

    def get_all(self, most: int, limit_s: float) -> list[Message]:
        """At most so many, as soon as there is any; none if the limit passes before."""
        with self.mutex:
            if not self.queue:
                self.not_empty.wait(limit_s)
            messages = [self.queue.popleft() for _ in range(min(most, len(self.queue)))]
            self.not_full.notify()
        return messages
