"""Many messages change hands at once, in their order and within the limit of the queue."""

import threading
import time

from meterd.adapters.mqtt.message_queue import Message, MessageQueue, Token


def messages(count: int) -> list[Message]:
    """Messages that differ in their number."""
    return [Message("m", b"", False, False, Token(1, i, 1), 0.0) for i in range(count)]


def test_many_are_put_and_taken_in_their_order() -> None:
    """At most as many as are wanted; an empty queue gives none after its limit."""
    inbox, some = MessageQueue(10), messages(5)
    assert inbox.put_all(some, 0.0) == 5
    assert inbox.get_all(3, 0.0) == some[:3]
    assert inbox.get_all(3, 0.0) == some[3:]
    assert inbox.get_all(3, 0.01) == []


def test_what_has_no_room_is_left_to_the_caller() -> None:
    """The first ones are in; a queue without limit takes all."""
    inbox, some = MessageQueue(4), messages(6)
    assert inbox.put_all(some, 0.01) == 4
    assert inbox.get_all(10, 0.0) == some[:4]
    assert MessageQueue().put_all(some, 0.0) == 6


def test_who_waits_is_woken_on_both_sides() -> None:
    """A slow taker lets all through, one piece after the other, long before the limit."""
    inbox, some = MessageQueue(3), messages(100)
    put: list[int] = []
    giver = threading.Thread(target=lambda: put.append(inbox.put_all(some, 60.0)))
    begun = time.monotonic()
    giver.start()
    got: list[Message] = []
    while len(got) < 100:
        got += inbox.get_all(2, 60.0)
    giver.join(60.0)
    assert (got, put) == (some, [100])
    assert time.monotonic() - begun < 30.0
