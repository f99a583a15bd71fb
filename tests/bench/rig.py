"""What benches need from the machine: the daemon as a child process, its cost as the kernel counts it, its store."""

import contextlib
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from meterd.core.model.periods import text
from tests.bench.site import START_MS
from tests.brokers import until

ROOT = Path(__file__).parents[2]
TICKS = os.sysconf("SC_CLK_TCK")
STOP_LIMIT_S = 30.0
# nothing is dropped, a pipe as wide as ours, and no packet waits for the confirmation of the one before (Nagle)
BROKER = "max_queued_messages 0\nmax_inflight_messages 1000\nset_tcp_nodelay true\n"


def module(name: str, *arguments: object) -> list[str]:
    """The command of a module of this project."""
    return [sys.executable, "-m", name, *(str(a) for a in arguments)]


@contextlib.contextmanager
def child(command: list[str]) -> Iterator["subprocess.Popen[str]"]:
    """A process while the block lasts; killed if it is still there then."""
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        yield process
    finally:
        process.kill()
        process.wait(STOP_LIMIT_S)
        if process.stdout is not None:
            process.stdout.close()


@contextlib.contextmanager
def daemon(plan: Path, store: Path, *, trial: bool) -> Iterator["subprocess.Popen[str]"]:
    """`meterd run` while the block lasts; it must end in order."""
    extra = ["--trial-from", text(START_MS)] if trial else []
    with child(module("meterd.app.cli.main", "run", plan, "--store", store, *extra)) as process:
        yield process
        process.send_signal(signal.SIGTERM)
        assert process.wait(STOP_LIMIT_S) == 0, "the daemon ends in order"


def _at_once(_client: paho.Client, _data: object, sock: socket.socket) -> None:
    """No packet of ours waits for the confirmation of the one before (Nagle): that delay is not the daemon's."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@contextlib.contextmanager
def client(port: int) -> Iterator[paho.Client]:
    """A connected plain client."""
    item = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    item.max_inflight_messages_set(1000)
    item.on_socket_open = _at_once
    item.connect("127.0.0.1", port)
    item.loop_start()
    assert until(item.is_connected), "the broker answers"
    try:
        yield item
    finally:
        item.disconnect()
        item.loop_stop()


def wait_subscribed(port: int, topic: str, payload: bytes) -> None:
    """Send one message until somebody takes it. The journal keeps repeats once, so meterd may be asked with a reading."""
    reasons: list[int] = []
    with client(port) as probe:
        probe.on_publish = lambda _c, _u, _mid, reason, _p: reasons.append(reason.value)

        def taken() -> bool:
            seen = len(reasons)
            probe.publish(topic, payload, qos=1)
            return until(lambda: len(reasons) > seen, 5.0) and reasons[-1] == 0

        assert until(taken, 30.0), f"nobody subscribes {topic}"


def cpu_s(pid: int) -> float:
    """Seconds of processor the process has used, all threads."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def memory_mb(pid: int, name: str = "VmRSS") -> float:
    """Resident memory of a process, now or at its peak (`VmHWM`), in MB (10^6 bytes)."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(name + ":"):
            return int(line.split()[1]) * 1024 / 1e6
    raise AssertionError(f"the kernel tells no {name} of process {pid}")


def journal_rows(store: Path) -> int:
    """How many readings are committed, read beside the daemon; 0 while there is no store. Nothing is ever deleted."""
    with contextlib.suppress(sqlite3.Error):
        connection = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
        try:
            return int(connection.execute("SELECT COALESCE(MAX(seq), 0) FROM reading").fetchone()[0])
        finally:
            connection.close()
    return 0


def wait_rows(store: Path, rows: int, limit_s: float) -> float:
    """Wait until so many readings are committed; the monotonic second at which that was seen."""
    assert until(lambda: journal_rows(store) >= rows, limit_s), f"{journal_rows(store)} of {rows} readings are kept"
    return time.monotonic()
