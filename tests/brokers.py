"""A real mosquitto for tests: own port, own folder, started, killed, frozen and restarted at will."""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from meterd.adapters.mqtt.embedded_broker import free_port as free_port

START_LIMIT_S = 10.0
MOST_CROWDED = 4.0
LOOK_S, LONGEST_LOOK_S = 0.01, 0.2
LOOK_SHARE = 9  # what a look costs in processor, times this, is slept: waiting takes at most a tenth of a core


def program() -> str:
    """Path of mosquitto; Debian keeps it where a plain user's PATH does not look."""
    result = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    assert result, "these tests need the mosquitto broker: apt install mosquitto"
    return result


def crowd() -> float:
    """How many processes shared each core during the last minute, from 1 to MOST_CROWDED: limits are stretched by it."""
    return min(MOST_CROWDED, max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1)))


def until(condition: Callable[[], object], limit_s: float = 40.0) -> bool:
    """Wait until the condition holds; False if the limit passes first, which is that of a machine with nothing else to do."""
    deadline = time.monotonic() + limit_s * crowd()
    while time.monotonic() < deadline:
        begun = time.thread_time()
        if condition():
            return True
        time.sleep(min(LONGEST_LOOK_S, max(LOOK_S, LOOK_SHARE * (time.thread_time() - begun))))
    return bool(condition())


class Mosquitto:
    """A broker while the `with` block lasts. `config` is added to its configuration file.

    With `persistent` its retained messages and sessions survive `kill` (saved every second, as in production).
    """

    def __init__(self, config: str = "", *, persistent: bool = True, listener: str = "") -> None:
        self.port = free_port()
        self._config = config
        self._listener = listener
        self._persistent = persistent
        self._process: subprocess.Popen[bytes] | None = None
        self._folder = Path()

    def __enter__(self) -> "Mosquitto":
        self._folder = Path(tempfile.mkdtemp(prefix="broker-"))
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.kill()
        shutil.rmtree(self._folder, ignore_errors=True)

    @property
    def pid(self) -> int:
        """Process id of the running broker."""
        assert self._process is not None, "start it first"
        return self._process.pid

    def start(self) -> None:
        """Start on the same port with what an earlier run has saved."""
        path = self._folder / "mosquitto.conf"
        path.write_text(self._text(), encoding="utf-8")
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen([program(), "-c", str(path)], stdout=log, stderr=log)
        assert until(self._answers, START_LIMIT_S), (self._folder / "log").read_text(errors="replace")

    def _text(self) -> str:
        lines = [f"listener {self.port} 127.0.0.1", self._listener]
        if "allow_anonymous" not in self._config:
            lines.append("allow_anonymous true")
        if os.geteuid() == 0:
            lines.append("user root")  # it would drop to a user that cannot write our folder
        if self._persistent:
            lines += ["persistence true", f"persistence_location {self._folder}/", "autosave_interval 1"]
        return "\n".join([*lines, self._config, ""])

    def _answers(self) -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=0.2):
            return True
        return False

    def stop(self) -> None:
        """End in order: sessions and retained messages are saved."""
        assert self._process is not None, "start it first"
        self._process.terminate()
        self._process.wait(START_LIMIT_S)

    def kill(self) -> None:
        """End without a word, as a power cut does."""
        assert self._process is not None, "start it first"
        self._process.kill()
        self._process.wait(START_LIMIT_S)

    def restart(self) -> None:
        """Kill and start again."""
        self.kill()
        self.start()

    def freeze(self) -> None:
        """Stop answering while connections stay open."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        """Go on after `freeze`."""
        os.kill(self.pid, signal.SIGCONT)
