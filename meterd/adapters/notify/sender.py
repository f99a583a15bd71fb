"""Messages to people: what every way offers, and the thread that sends, so that the loop never waits for a server.

One message of a way is on its road at a time. What comes meanwhile is not queued: when the road is free again the loop
makes one message of everything that is still due, so that an outage of a mail server for a day ends with one mail.
"""

import queue
from dataclasses import dataclass
from typing import Protocol

from meterd.adapters.runtime.backoff import backoff_s
from meterd.adapters.runtime.secret import secret
from meterd.adapters.runtime.worker import Worker
from meterd.core.errors import ConfigError, NotifyError, described
from meterd.core.texts.notification_digest import NotificationText

ATTEMPTS = 3  # a server that restarts is back within some seconds; for longer outages the loop tries again later
BACKOFF_S = 2.0  # before the second attempt; doubled before the third, each drawn from 0.5 to 1.5 times this


class Channel(Protocol):
    """One way to tell people. `send` may take as long as its time limits allow: it runs on a thread of its own."""

    name: str

    def send(self, message: NotificationText, now_ms: int) -> str:
        """Deliver, or raise NotifyError. Returns what is wrong although it was delivered; mostly nothing."""


@dataclass(frozen=True, slots=True)
class Result:
    """How the last message ended. A delivered one may have a fault too: one of several receivers was refused."""

    delivered: bool
    fault: str = ""


class Sender:
    """Sends the messages of one channel, one at a time. `offer` and `result` are for one thread: the loop."""

    def __init__(self, channel: Channel, *, attempts: int = ATTEMPTS, backoff_s: float = BACKOFF_S) -> None:
        self.name = channel.name
        self._channel, self._attempts, self._backoff_s = channel, attempts, backoff_s
        self._work: queue.Queue[tuple[NotificationText, int]] = queue.Queue(1)
        self._results: queue.Queue[Result] = queue.Queue(1)
        self._worker = Worker(f"notify {self.name}", self._run)
        self._stopping = self._worker.stopping
        self._busy = False

    @property
    def busy(self) -> bool:
        """Whether a message is on its road."""
        return self._busy

    def offer(self, message: NotificationText, now_ms: int) -> bool:
        """Begin to send; False while the former message is on its road. Never waits."""
        if self._busy:
            return False
        if not self._worker.alive:
            self._worker.start()
        self._busy = True
        self._work.put_nowait((message, now_ms))
        return True

    def result(self) -> Result | None:
        """How a message ended, once; None while it is on its road or there is none."""
        try:
            result = self._results.get_nowait()
        except queue.Empty:
            return None
        self._busy = False
        return result

    def revive(self) -> bool:
        """The thread died while sending: the message counts as not sent and is sent again. True if that happened."""
        if not self._busy or self._worker.alive or not self._results.empty():
            return False
        self._work = queue.Queue(1)  # it may not even have been taken out
        self._results.put(Result(False, "the thread that sends had died"))
        return True

    def close(self, limit_s: float) -> None:
        """End; a message under way has until the limit, and is sent again after the next start otherwise."""
        self._worker.stop(limit_s)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                message, now_ms = self._work.get(timeout=0.2)
            except queue.Empty:
                continue
            self._results.put(self._deliver(message, now_ms))

    def _deliver(self, message: NotificationText, now_ms: int) -> Result:
        fault = "stopped before it was sent"
        for attempt in range(self._attempts):
            if attempt and self._stopping.wait(backoff_s(attempt, first_s=self._backoff_s, spread=(0.5, 1.5))):
                break
            try:
                return Result(True, self._channel.send(message, now_ms))
            except NotifyError as exc:
                fault = str(exc)
                if not exc.again:
                    break
            except Exception as exc:  # an edge of the house style: whatever a server answers, the next message goes out
                fault = described(exc)
        return Result(False, fault)


def secret_of(env: str, file: str, what: str) -> str:
    """A secret for a message; NotifyError, and the message is not tried again, where there is none."""
    try:
        return secret(env, file, what)
    except ConfigError as exc:
        raise NotifyError(str(exc), again=False) from exc
