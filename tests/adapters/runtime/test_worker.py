"""A worker runs until it is told to end, is started again where it died, and never where it ended by itself or in order."""

import ctypes
import threading
import time
from functools import partial

import pytest

from meterd.adapters.runtime.worker import Worker
from tests.brokers import until

# threads are ended here from outside
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")


def killed(name: str) -> None:
    """End the thread of that name from outside, in the middle of its work."""
    (thread,) = (thread for thread in threading.enumerate() if thread.name == name)
    assert thread.ident is not None
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread.ident), ctypes.py_object(SystemExit))


class Looping:
    """Work that counts until it is told to end."""

    def __init__(self, name: str) -> None:
        self.worker = Worker(name, self.work)
        self.rounds = 0

    def work(self) -> None:
        while not self.worker.stopping.wait(0.01):
            self.rounds += 1


def test_it_runs_until_it_is_told_to_end() -> None:
    """Under its name, as a thread that does not hold up the end of the process; afterwards nothing starts it again."""
    looping = Looping("test-runs")
    assert not looping.worker.alive
    assert not looping.worker.revive(), "what was never begun has not died"
    looping.worker.start()
    assert until(lambda: looping.rounds > 2, 20)
    assert [thread.daemon for thread in threading.enumerate() if thread.name == "test-runs"] == [True]
    looping.worker.stop(20)
    assert not looping.worker.alive
    assert not looping.worker.died
    assert not looping.worker.revive()


def test_a_thread_that_died_is_started_again() -> None:
    """Once: as long as it runs there is nothing to revive."""
    looping = Looping("test-dies")
    looping.worker.start()
    killed("test-dies")
    assert until(lambda: looping.worker.died, 20)
    before = looping.rounds
    assert looping.worker.revive()
    assert not looping.worker.revive()
    assert until(lambda: looping.rounds > before, 20)
    looping.worker.stop(20)


def test_work_that_comes_to_its_end_has_not_died() -> None:
    """An examination that is over: it can be begun once more."""
    ended: list[int] = []
    worker = Worker("test-ends", lambda: ended.append(1))
    for count in (1, 2):
        worker.start()
        worker.join(20)
        assert (len(ended), worker.alive, worker.died) == (count, False, False)


def test_work_that_raises_has_died() -> None:
    """Whatever it was that it did not catch."""

    def broken() -> None:
        raise ValueError("injected")

    worker = Worker("test-raises", broken)
    worker.start()
    worker.join(20)
    assert worker.died


def test_waiting_for_the_end_has_a_limit() -> None:
    """Work that hangs cannot be ended from outside: whoever waits goes on."""
    release = threading.Event()
    worker = Worker("test-hangs", partial(release.wait, 60))
    worker.start()
    begun = time.monotonic()
    worker.stop(0.1)
    assert worker.alive
    assert time.monotonic() - begun < 20
    release.set()
    worker.join(20)
    assert not worker.alive


def test_several_may_share_what_tells_them_to_end() -> None:
    """A source hands over its own event."""
    stopping = threading.Event()
    workers = [Worker(f"test-shares-{i}", partial(stopping.wait, 60), stopping) for i in range(2)]
    for worker in workers:
        worker.start()
    workers[0].stop(20)
    assert until(lambda: not workers[1].alive, 20)
