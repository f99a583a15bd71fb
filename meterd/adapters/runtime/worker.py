"""The thread of one part of the daemon: begun, ended in order, started again where it has died."""

import threading
from collections.abc import Callable


class Worker:
    """Runs `work` on a thread of its own. `stopping` is set when it is to end: the work looks at it and waits on it.

    `start`, `revive` and `stop` are for one thread, that of the owner; `alive`, `died` and `stopping` may be asked by any.
    """

    def __init__(self, name: str, work: Callable[[], object], stopping: threading.Event | None = None) -> None:
        self._name, self._work = name, work
        self.stopping = stopping or threading.Event()
        self._thread: threading.Thread | None = None
        self._returned = True

    def start(self) -> None:
        """Begin; also once more, after the former thread has ended."""
        self._returned = False
        self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    @property
    def died(self) -> bool:
        """Whether the thread has ended without coming to the end of its work."""
        return not self._returned and not self.alive

    def revive(self) -> bool:
        """Start the thread again if it has ended without having been told to; True if so."""
        if self._thread is None or self.alive or self.stopping.is_set():
            return False
        self.start()
        return True

    def stop(self, limit_s: float) -> None:
        """Tell the work to end, and wait for it so long at most."""
        self.stopping.set()
        self.join(limit_s)

    def join(self, limit_s: float) -> None:
        """Wait for the end of the work so long at most."""
        if self._thread is not None:
            self._thread.join(limit_s)

    def _run(self) -> None:
        self._work()
        self._returned = True  # a thread that is ended from outside never gets here
