"""An embedded MQTT broker for sites and demonstrations that have none, in a child process.

It is mosquitto where that is installed, and otherwise the built-in one: rumqttd of iotcore 0.4 behind `front.py`, so that
nothing else is needed. Both serve MQTT 3.1.1 and MQTT 5 on one port. Measured with 600 retained messages and wildcards of
QoS 0, 1 and 2 in both versions: mosquitto sends all; rumqttd alone has a port per version, sends 100 of QoS 1 and 2, and
breaks off with 3.1.1 at the first message that expires.

What the packages leave open is closed here: payloads above 20 KiB are refused by rumqttd unless set, mosquitto drops
what exceeds 1,000 waiting messages, a dead child stays dead, its log goes to our terminal, and Ctrl+C reaches it.
Both keep everything in memory: after their death the retained values are gone until they are published again.
"""

import contextlib
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from meterd.adapters.mqtt import broker_child
from meterd.core.errors import PublishError

PROGRAM = "mosquitto"
PROGRAM_VARIABLE = "METERD_MOSQUITTO"  # path of another one; empty = the built-in broker
MORE_PLACES = ":/usr/sbin:/usr/local/sbin"  # where a plain user's PATH does not look
BUILT_IN = "built-in"
START_LIMIT_S = 10.0  # measured: 0.1 s and 0.3 s; a loaded small computer needs a few seconds
STOP_LIMIT_S = 3.0
RESTART_WAIT_S = 0.5  # a child that dies at once must not spin
PAYLOAD_LIMIT = 256 * 1024
MAX_CONNECTIONS = 2000  # a site of hundreds of controllers, each with a display or two
SEGMENT_BYTES = 1024 * 1024  # with four segments per topic filter the memory stays near 64 MB at any traffic
SEGMENTS = 4
RETAINED_AT_ONCE = 50_000  # for one subscription: rumqttd drops the rest; a site of 1,000 points has 6,000
WAITING = (
    100_000  # messages of mosquitto for a client that is slow or away: 100 s of the largest site, a day of a small one
)
POLL_S = 0.02
TRIES = 100  # ports tried until one is free

RUMQTTD = f"""
id = 0
[router]
id = 0
max_connections = {MAX_CONNECTIONS}
max_outgoing_packet_count = {RETAINED_AT_ONCE}
max_segment_size = {SEGMENT_BYTES}
max_segment_count = {SEGMENTS}
[v5.1]
name = "v5"
listen = "127.0.0.1:{{port}}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 5000
max_payload_size = {PAYLOAD_LIMIT}
max_inflight_count = 100
dynamic_filters = true
"""

MOSQUITTO = f"""
listener {{port}} {{listen}}
max_connections {MAX_CONNECTIONS}
allow_anonymous true
persistence false
persistent_client_expiration 14d
max_queued_messages {WAITING}
max_inflight_messages 100
message_size_limit {PAYLOAD_LIMIT}
set_tcp_nodelay true
log_dest stderr
log_type error
log_type warning
connection_messages false
"""


def free_port(listen: str = "127.0.0.1") -> int:
    """A TCP port nobody listens on at this moment.

    From below the range that outgoing connections take theirs of: none of them takes it meanwhile, and no client that tries
    again and again to reach it is connected to itself.
    """
    for port in random.SystemRandom().sample(range(12_000, 32_000), TRIES):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((listen, port))
            return port
    raise PublishError(f"no free port at {listen}; see whether this address is one of this machine")


def installed() -> str | None:
    """Path of the broker program to use, None for the built-in one."""
    named = os.environ.get(PROGRAM_VARIABLE)
    if named is not None:
        return named or None
    return shutil.which(PROGRAM, path=os.environ.get("PATH", "") + MORE_PLACES)


def _nothing() -> None:
    return None


class EmbeddedBroker:
    """A broker while the `with` block lasts: MQTT 5 and MQTT 3.1.1 on `port`.

    Port 0 takes a free one (read it from `port`). `program` is the path of a mosquitto, None for the built-in broker, which
    also serves where the program does not start; `kind` says which of the two it is. A child that dies is started again and
    `on_restart` is called, so that retained values can be published again. Raises PublishError when the port is taken or no
    child starts.
    """

    def __init__(
        self,
        port: int = 0,
        *,
        listen: str = "127.0.0.1",
        program: str | None = None,
        on_restart: Callable[[], None] = _nothing,
    ) -> None:
        self.listen = listen
        self.port = port or free_port(listen)
        self.kind = program or BUILT_IN
        self.refused = ""  # why the program is not used
        self.restarts = 0
        self._on_restart = on_restart
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._watcher: threading.Thread | None = None
        self._stopping = threading.Event()

    @property
    def is_running(self) -> bool:
        """Whether the child process runs."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        """Process id of the child; 0 when it does not run."""
        return self._process.pid if self._process is not None and self.is_running else 0

    def __enter__(self) -> "EmbeddedBroker":
        _refuse_busy(self.listen, self.port)
        self._folder = tempfile.TemporaryDirectory(prefix="meterd-broker-")
        try:
            self._spawn_either()
        except PublishError:
            self._folder.cleanup()
            raise
        self._start_watcher()
        return self

    def _spawn_either(self) -> None:
        try:
            self._spawn()
        except PublishError as exc:
            if self.kind == BUILT_IN:
                raise
            self.refused = f"{self.kind}: {exc}"
            self.kind = BUILT_IN  # an installation that is too old or broken must not keep a site dark
            self._spawn()

    def revive(self) -> bool:
        """Start the thread that watches the child again if it has died; True if it had to."""
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

    def _command(self, folder: Path) -> list[str]:
        """Write the configuration; what is to be run. The port behind the front is drawn anew: somebody may have the last one."""
        config = folder / "broker.toml"  # rumqttd knows the format by the name
        if self.kind != BUILT_IN:
            config.write_text(MOSQUITTO.format(port=self.port, listen=self.listen), encoding="utf-8")
            return ["program", self.kind, "-c", str(config)]
        behind = free_port()
        config.write_text(RUMQTTD.format(port=behind), encoding="utf-8")
        return ["built-in", str(config), self.listen, str(self.port), str(behind)]

    def _spawn(self) -> None:
        assert self._folder is not None, "the folder lives as long as the with block"
        folder = Path(self._folder.name)
        log = folder / "broker.log"
        with log.open("wb") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", broker_child.__name__, *self._command(folder)],
                stdin=subprocess.PIPE,
                stdout=out,
                stderr=out,
                start_new_session=True,  # Ctrl+C in the terminal ends us, and we end the child in order
            )
        deadline = time.monotonic() + START_LIMIT_S
        while not _answers(self.listen, self.port):
            if not self.is_running or time.monotonic() > deadline:
                self._end_child()
                text = log.read_text(encoding="utf-8", errors="replace").strip()[-500:]
                raise PublishError(
                    f"the embedded broker did not start on {self.listen}:{self.port}: {text or 'no word'}"
                )
            time.sleep(POLL_S)

    def _watch(self) -> None:
        while not self._stopping.is_set():
            process = self._process
            assert process is not None, "its thread starts after the child"
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
        if process is None or process.stdin is None or process.stdin.closed:
            return
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(STOP_LIMIT_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        process.stdin.close()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)  # a program whose guard was killed before it


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
