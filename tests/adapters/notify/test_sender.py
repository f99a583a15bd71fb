"""A sender has one message on its road, tries again a little, and never holds up the loop."""

import threading
import time

import pytest

from meterd.adapters.notify.sender import Result, Sender
from meterd.core.errors import NotifyError
from meterd.core.texts.notification_digest import NotificationText
from tests.brokers import until

MESSAGE = NotificationText("s", "t", {})


class Memory:
    """A channel that does what the test says, in turn."""

    name = "memory"

    def __init__(self, *turns: Exception | str, hold: threading.Event | None = None) -> None:
        self.turns, self.sent, self.hold = list(turns), 0, hold

    def send(self, message: NotificationText, now_ms: int) -> str:
        """One turn."""
        self.sent += 1
        if self.hold is not None:
            self.hold.wait(10)
        turn = self.turns.pop(0) if self.turns else ""
        if isinstance(turn, Exception):
            raise turn
        return turn


def outcome(sender: Sender) -> Result:
    results: list[Result] = []

    def ended() -> bool:
        result = sender.result()
        if result is not None:
            results.append(result)
        return bool(results)

    assert sender.offer(MESSAGE, 0)
    assert until(ended, 5)
    return results[0]


@pytest.mark.parametrize(
    ("turns", "expected", "sent"),
    [
        ((), Result(True), 1),
        (("one of two refused",), Result(True, "one of two refused"), 1),
        ((NotifyError("busy"),), Result(True), 2),
        ((NotifyError("busy"),) * 3, Result(False, "busy"), 3),
        ((NotifyError("wrong password", again=False),), Result(False, "wrong password"), 1),
        ((RuntimeError("boom"), "fine"), Result(True, "fine"), 2),
    ],
)
def test_attempts(turns: tuple[Exception | str, ...], expected: Result, sent: int) -> None:
    """What a server does, what is reported, how often it was tried; another message goes out afterwards."""
    channel = Memory(*turns)
    sender = Sender(channel, backoff_s=0.01)
    assert outcome(sender) == expected
    assert channel.sent == sent
    assert outcome(sender) == Result(True)
    sender.close(1)


def test_any_exception_is_reported_and_the_thread_lives() -> None:
    """B14: at the edge."""
    sender = Sender(Memory(*[ZeroDivisionError("x")] * 3), backoff_s=0.01)
    assert "ZeroDivisionError" in outcome(sender).fault
    assert outcome(sender).delivered
    sender.close(1)


def test_offer_never_waits_and_one_message_is_on_its_road() -> None:
    """A server that hangs holds the thread, not the loop."""
    hold = threading.Event()
    sender = Sender(Memory(hold=hold))
    begun = time.monotonic()
    assert sender.offer(MESSAGE, 0)
    assert not sender.offer(MESSAGE, 0)
    assert sender.busy
    assert sender.result() is None
    sender.close(0.1)
    assert time.monotonic() - begun < 0.5
    hold.set()


def test_close_ends_the_waiting_between_attempts() -> None:
    """SIGTERM is not held up by a back-off."""
    sender = Sender(Memory(*[NotifyError("busy")] * 3), backoff_s=60)
    sender.offer(MESSAGE, 0)
    time.sleep(0.3)
    begun = time.monotonic()
    sender.close(5)
    assert time.monotonic() - begun < 1
    assert sender.result() == Result(False, "busy")
