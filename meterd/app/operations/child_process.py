"""Work in a process of its own: beside the loop, with its own memory, at lower priority, and it can be ended.

A module that is asked has a function `answer` that takes bytes and gives JSON. The child ends with its parent (its standard input
closes), also when the parent is killed.
"""

import json
import subprocess
import sys
import threading
from contextlib import suppress
from typing import Any

from meterd.core.errors import StoreError

NICENESS = 10  # the loop of the daemon comes first
LARGEST_BYTES = 4_000_000  # of an answer; ten years of forty points with all their allocations are below 1 MB

_CHILD = """
import os, sys, threading, zoneinfo
from importlib import import_module
from meterd.core.errors import described
try:
    os.nice(%d)
except OSError:
    pass  # a service that may not change its priority works it out all the same
zoneinfo.reset_tzpath(to=[])
answer = import_module(sys.argv[2]).answer
asked = sys.stdin.buffer.read(int(sys.argv[1]))
threading.Thread(target=lambda: (sys.stdin.buffer.read(), os._exit(1)), daemon=True).start()
try:
    result = answer(asked)
except BaseException as exc:  # to end in order would wait for the thread above
    sys.stderr.write(described(exc))
    sys.stderr.flush()
    os._exit(1)
sys.stdout.buffer.write(result)
sys.stdout.flush()
os._exit(0)
""" % (NICENESS,)  # noqa: UP031 - braces of the script stay braces


class Child:
    """One question to a process of its own. `end` may be called from any thread."""

    def __init__(self, module: str, limit_s: float, *, late: str) -> None:
        self._module, self._limit_s, self._remedy = module, limit_s, late
        self._process: subprocess.Popen[bytes] | None = None
        self._ended, self._late = threading.Event(), threading.Event()

    def ask(self, asked: bytes) -> Any:
        """What `answer` of the module says; StoreError if it takes longer than the limit, is ended, or dies."""
        with subprocess.Popen(
            [sys.executable, "-P", "-c", _CHILD, str(len(asked)), self._module],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,  # Ctrl+C in the terminal ends us, and the child ends with us
        ) as child:
            self._process = child
            if self._ended.is_set():
                child.kill()
            timer = threading.Timer(self._limit_s, self._too_late)
            timer.start()
            try:
                reply, wrong = _talk(child, asked)
            finally:
                timer.cancel()
                child.kill()
        if self._late.is_set():
            raise StoreError(f"it takes longer than {self._limit_s:.0f} s; {self._remedy}")
        try:
            return json.loads(reply)
        except ValueError as exc:
            lines = wrong.decode(errors="replace").strip().splitlines()
            raise StoreError(f"it could not be done: {lines[-1][:300] if lines else 'the process ended'}") from exc

    def end(self) -> None:
        """End it; a call that waits for it gets a StoreError."""
        self._ended.set()
        if self._process is not None:
            self._process.kill()

    def _too_late(self) -> None:
        self._late.set()
        self.end()


def _talk(child: "subprocess.Popen[bytes]", asked: bytes) -> tuple[bytes, bytes]:
    """Ask, and listen until the child ends; its standard input stays open so long, for the child ends with it."""
    assert child.stdin is not None, "asked for"
    assert child.stdout is not None, "asked for"
    assert child.stderr is not None, "asked for"
    try:
        child.stdin.write(asked)
        child.stdin.flush()
    except BrokenPipeError:  # a child that died has its reason on its standard error
        with suppress(BrokenPipeError):  # what was not sent would be tried once more at the end
            child.stdin.close()
    reply = child.stdout.read(LARGEST_BYTES)
    return reply, b"" if reply else child.stderr.read(LARGEST_BYTES)
