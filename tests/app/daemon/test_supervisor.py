"""Dead threads are started again, hung ones are reported, and a loop that hangs gets no more signs of life out."""

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import supervisor as module
from meterd.app.daemon.run_record import FIRST, KILLED, SIGNAL, UNKNOWN, begin_run, end_run
from meterd.app.daemon.step_runner import Counters, StepRunner
from meterd.app.daemon.supervisor import Supervisor, read_mark
from tests.brokers import Mosquitto, until
from tests.faults.mill import write_plan
from tests.faults.test_e_process import end_thread

NOW = 1_777_852_800_000


@pytest.fixture
def fast(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looks often."""
    monkeypatch.setattr(module, "CHECK_S", 0.02)
    monkeypatch.setattr(module, "SAMPLE_S", 0.05)


@contextmanager
def looking(folder: Path) -> Iterator[Supervisor]:
    supervisor = Supervisor(StepRunner(TrialClock(NOW), Counters()), folder / "s.hung", lambda: "all well")
    supervisor.start()
    try:
        yield supervisor
    finally:
        supervisor.stop(2)


class Worker:
    """A thread that can be started again."""

    def __init__(self, name: str, work: threading.Event) -> None:
        self.name, self.work = name, work
        self.start()

    def start(self) -> None:
        """Run until the event."""
        self.thread = threading.Thread(target=self.run, name=self.name, daemon=True)
        self.thread.start()

    def run(self) -> None:
        """Wait with a limit, as all our threads do."""
        while not self.work.wait(0.02):
            pass

    def revive(self) -> bool:
        """Start again if dead."""
        if self.thread.is_alive():
            return False
        self.start()
        return True


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.usefixtures("fast")
def test_a_dead_thread_is_started_again_and_reported(tmp_path: Path) -> None:
    """Once for each death, and the supervisor's own thread like any other."""
    done = threading.Event()
    worker = Worker("line-store", done)
    with looking(tmp_path) as supervisor:
        supervisor.threads = {"line-store": worker.revive}
        assert supervisor.tick("mill", NOW) == []
        end_thread(worker.thread)
        (finding,) = supervisor.tick("mill", NOW)
        assert finding.id == "revived-thread-line-store"
        assert worker.thread.is_alive()
        (own,) = [thread for thread in threading.enumerate() if thread.name == "supervisor"]
        end_thread(own)
        assert {f.id for f in supervisor.tick("mill", NOW)} == {
            "revived-thread-line-store",
            "revived-thread-supervisor",
        }
        assert any(thread.name == "supervisor" for thread in threading.enumerate())
    done.set()


@pytest.mark.usefixtures("fast")
def test_a_thread_inside_one_call_for_too_long_is_reported_with_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A socket that never answers, without a time limit; one that waits for work by choice is none."""
    monkeypatch.setattr(module, "_LIMITS", {"source-": 0.3})
    done = threading.Event()
    near, far = socket.socketpair()

    def hang() -> None:
        near.recv(1)

    threads = [Worker("source-idle", done).thread, threading.Thread(target=hang, name="source-meters", daemon=True)]
    threads[1].start()
    with looking(tmp_path) as supervisor:
        assert until(lambda: supervisor.tick("mill", NOW))
        (finding,) = supervisor.tick("mill", NOW)
        assert finding.id == "thread-hangs-mill"
        assert "source-meters (for 0 s at tests.app.daemon.test_supervisor:" in finding.text
        assert "source-idle" not in finding.text
        far.send(b"x")
        assert until(lambda: not supervisor.tick("mill", NOW))
    done.set()
    threads[1].join(2)
    near.close()
    far.close()


def drain(manager: socket.socket) -> int:
    """Take everything that has arrived; how many datagrams it was."""
    count = 0
    manager.setblocking(False)
    with suppress(BlockingIOError):
        while manager.recv(1000):
            count += 1
    manager.settimeout(30)
    return count


@pytest.mark.usefixtures("fast")
def test_signs_of_life_come_only_while_the_loop_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """READY after the first snapshot, then WATCHDOG; a loop that stands leaves a mark, one that goes on takes it away."""
    monkeypatch.setattr(module, "HUNG_S", 0.4)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        with looking(tmp_path) as supervisor:
            time.sleep(0.1)
            supervisor.step_runner.begin("readings")
            supervisor.step_runner.counters.snapshots = 1
            assert manager.recv(1000) == b"READY=1\nSTATUS=all well"
            assert b"WATCHDOG=1" in (manager.recv(1000), manager.recv(1000))
            assert until(lambda: supervisor.hangs)
            mark = supervisor.mark  # written after it was counted
            assert until(lambda: mark.exists() and "stands in the step readings" in mark.read_text())
            drain(manager)
            time.sleep(0.15)
            assert drain(manager) == 0
            supervisor.step_runner.begin("wait")
            assert until(lambda: not supervisor.hangs)
            assert until(lambda: not mark.exists())  # taken away after it was counted
            assert manager.recv(1000) == b"WATCHDOG=1"


def test_the_reason_of_a_restart_is_how_the_last_run_ended(tmp_path: Path) -> None:
    """First start, stopped by a signal, failed, killed, killed while the loop hung, and an older version."""
    store, mark = SqliteStore.writer(tmp_path / "s.sqlite"), tmp_path / "s.sqlite.hung"
    assert begin_run(store, mark) == FIRST
    end_run(store, None)
    assert begin_run(store, mark) == SIGNAL
    end_run(store, ValueError("the disk is gone"))
    assert begin_run(store, mark) == "failed: the disk is gone"
    assert begin_run(store, mark) == KILLED
    mark.write_text("the loop stands in the step readings for 30 s")
    assert begin_run(store, mark) == "watchdog: the loop stands in the step readings for 30 s, then it was ended"
    assert read_mark(mark) == ""
    store.close()
    older = SqliteStore.writer(tmp_path / "older.sqlite")
    with older.transaction():
        older.set_fact("epoch", "3")
    assert begin_run(older, mark) == UNKNOWN
    older.close()


HANGING = """\
import sys, time
from meterd.app.cli.main import main
from meterd.app.daemon import supervisor
from meterd.app.daemon.ingest import Ingest
supervisor.HUNG_S = 2.0
before, count = Ingest.tick, []
def tick(self):
    count.append(1)
    if len(count) > 3:
        time.sleep(3600)
    return before(self)
Ingest.tick = tick
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.slow
@pytest.mark.parametrize("watched", [True, False])
def test_a_loop_that_stands_ends_the_process_where_nobody_else_does(tmp_path: Path, *, watched: bool) -> None:
    """As in a container: with `--watchdog` it says where everything stood and is gone; without it is left alone."""
    with Mosquitto() as broker:
        plan = write_plan(tmp_path, broker.port, limits="")
        command = [sys.executable, "-c", HANGING, "run", str(plan), "--store", str(tmp_path / "s.sqlite")]
        command += ["--watchdog", "2"] if watched else []
        with (tmp_path / "log").open("w") as out, subprocess.Popen(command, stdout=out, stderr=out) as process:
            try:
                assert process.wait(60 if watched else 30) == 1
                assert watched
                assert "Timeout (0:00:02)!" in (tmp_path / "log").read_text()
            except subprocess.TimeoutExpired:
                assert not watched, (tmp_path / "log").read_text()
                assert "the loop stands in the step" in (tmp_path / "log").read_text()
            finally:
                process.kill()
