"""An embedded MQTT broker for sites and demonstrations that have none: rumqttd of iotcore 0.4 in a child process.

What the package leaves open is closed here: MQTT 5 needs its own listener (a v5 client on the default one is cut
off), payloads above 20 KiB are refused by default, a dead child stays dead, its log goes to our terminal, and Ctrl+C
reaches it.
The broker keeps everything in memory: after its death the retained values are gone until they are published again.
"""

import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from meterd.errors import PublishError

START_LIMIT_S = 10.0  # measured: 0.1 s; a loaded small computer needs a few seconds
STOP_LIMIT_S = 3.0
RESTART_WAIT_S = 0.5  # a child that dies at once must not spin
PAYLOAD_LIMIT = 256 * 1024
MAX_CONNECTIONS = 2000  # a site of hundreds of controllers, each with a display or two
SEGMENT_BYTES = 1024 * 1024  # with four segments per topic filter the memory stays near 64 MB at any traffic
SEGMENTS = 4
POLL_S = 0.02

# The child ends with its parent (its standard input closes), also when the parent is killed.
CHILD = """
import logging, os, sys, threading
from iotcore import IotCoreBroker
logging.basicConfig(level=logging.WARNING)
logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
threading.Thread(target=lambda: (sys.stdin.buffer.read(), os._exit(0)), daemon=True).start()
IotCoreBroker(config_path=sys.argv[1]).run_forever()
"""

LISTENER = """
[{protocol}.1]
name = "{protocol}"
listen = "{listen}:{port}"
next_connection_delay_ms = 1
[{protocol}.1.connections]
connection_timeout_ms = 5000
max_payload_size = {payload}
max_inflight_count = 100
dynamic_filters = true
"""

ROUTER = f"""
id = 0
[router]
id = 0
max_connections = {MAX_CONNECTIONS}
max_outgoing_packet_count = 5000
max_segment_size = {SEGMENT_BYTES}
max_segment_count = {SEGMENTS}
"""


def free_port(listen: str = "127.0.0.1") -> int:
    """A TCP port nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind((listen, 0))
        port: int = probe.getsockname()[1]
        return port


def _nothing() -> None:
    return None


class EmbeddedBroker:
    """A broker while the `with` block lasts: MQTT 5 on `port`, and MQTT 3.1.1 on `port_v4` if that is given.

    Port 0 takes a free one (read it from `port`). A child that dies is started again and `on_restart` is called, so
    that retained values can be published again. Raises PublishError when a port is taken or the child does not start.
    """

    def __init__(
        self,
        port: int = 0,
        *,
        listen: str = "127.0.0.1",
        port_v4: int | None = None,
        on_restart: Callable[[], None] = _nothing,
    ) -> None:
        self.listen = listen
        self.port = port or free_port(listen)
        self.port_v4 = port_v4 if port_v4 != 0 else free_port(listen)
        self.restarts = 0
        self._on_restart = on_restart
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._watcher: threading.Thread | None = None
        self._stopping = threading.Event()

    @property
    def ports(self) -> tuple[int, ...]:
        """The ports that are listened on."""
        return (self.port,) if self.port_v4 is None else (self.port, self.port_v4)

    @property
    def is_running(self) -> bool:
        """Whether the child process lives."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        """Process id of the child; 0 when it does not run."""
        return self._process.pid if self._process is not None and self.is_running else 0

    def __enter__(self) -> "EmbeddedBroker":
        for port in self.ports:
            _refuse_busy(self.listen, port)
        self._folder = tempfile.TemporaryDirectory(prefix="meterd-broker-")
        self._config.write_text(self._config_text(), encoding="utf-8")
        try:
            self._spawn()
        except PublishError:
            self._folder.cleanup()
            raise
        self._start_watcher()
        return self

    def revive(self) -> bool:
        """Start the watcher of the child again if it has died; True if it had to."""
        if self._stopping.is_set() or self._watcher is None or self._watcher.is_alive():
            return False
        self._start_watcher()
        return True

    def _start_watcher(self) -> None:
        self._watcher = threading.Thread(target=self._watch, name="broker-watch", daemon=True)
        self._watcher.start()

    def __exit__(self, *_exc: object) -> None:
        self._stopping.set()
        self._end_child()
        if self._watcher is not None:
            self._watcher.join(START_LIMIT_S)
        if self._folder is not None:
            self._folder.cleanup()

    @property
    def _config(self) -> Path:
        assert self._folder is not None, "the folder lives as long as the with block"
        return Path(self._folder.name) / "broker.toml"

    def _config_text(self) -> str:
        text = ROUTER + LISTENER.format(protocol="v5", listen=self.listen, port=self.port, payload=PAYLOAD_LIMIT)
        if self.port_v4 is not None:
            text += LISTENER.format(protocol="v4", listen=self.listen, port=self.port_v4, payload=PAYLOAD_LIMIT)
        return text

    def _spawn(self) -> None:
        log = self._config.with_name("broker.log")
        with log.open("wb") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", CHILD, str(self._config)],
                stdin=subprocess.PIPE,
                stdout=out,
                stderr=out,
                start_new_session=True,  # Ctrl+C in the terminal ends us, and we end the child in order
            )
        deadline = time.monotonic() + START_LIMIT_S
        while not all(_answers(self.listen, port) for port in self.ports):
            if not self.is_running or time.monotonic() > deadline:
                self._end_child()
                said = log.read_text(encoding="utf-8", errors="replace").strip()[-500:]
                raise PublishError(
                    f"the embedded broker did not start on {self.listen}:{self.port}: {said or 'no word'}"
                )
            time.sleep(POLL_S)

    def _watch(self) -> None:
        while not self._stopping.is_set():
            process = self._process
            assert process is not None, "the watcher starts after the child"
            process.wait()
            self._end_child()
            while not self._stopping.wait(RESTART_WAIT_S):
                try:
                    self._spawn()
                except PublishError:
                    continue
                self.restarts += 1
                self._on_restart()
                break
        self._end_child()

    def _end_child(self) -> None:
        process = self._process
        if process is None:
            return
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(STOP_LIMIT_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        if process.stdin is not None:
            process.stdin.close()


def _answers(listen: str, port: int) -> bool:
    try:
        with socket.create_connection((_reachable(listen), port), timeout=0.2):
            return True
    except OSError:
        return False


def _reachable(listen: str) -> str:
    return "127.0.0.1" if listen in ("0.0.0.0", "") else listen


def _refuse_busy(listen: str, port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((listen, port))
        except OSError as exc:
            raise PublishError(
                f"cannot start the embedded broker on {listen}:{port}: {exc.strerror or exc}; "
                "stop the program that uses the port, choose another, or use that broker with embedded = false"
            ) from exc
