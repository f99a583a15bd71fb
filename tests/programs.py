"""Commands as processes of their own, quick to start: forked from one that has loaded what they need.

To load Python, the libraries and `meterd` takes a second of processor each time, and most daemons of the tests live for a
few. What a command does from its arguments on is the same. Some tests start `python -m meterd.app.cli.main` itself.
"""

import contextlib
import multiprocessing
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from multiprocessing.context import ForkServerProcess
from pathlib import Path

from meterd.app.cli.main import main

_LOADED = [
    "meterd.app.cli.main",
    "meterd.app.cli.run",
    "meterd.app.daemon.daemon",
    "meterd.app.daemon.web_backend",
    "tests.forked",
]
_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload(_LOADED)


class Program:
    """`meterd WORDS...` as a process; where `errors` is not given they go where the output goes.

    `work` takes the place of the command line for a daemon with another clock.
    """

    def __init__(
        self,
        arguments: Sequence[str],
        output: Path,
        errors: Path | None = None,
        *,
        env: dict[str, str] | None = None,
        work: Callable[[Sequence[str]], int] = main,
    ) -> None:
        self._words = tuple(arguments)
        environment = {**os.environ, **(env or {})}
        paths = (str(output), str(errors or output))
        for path in paths:
            Path(path).open("ab").close()  # whoever reads it at once finds it
        self._process: ForkServerProcess = _CONTEXT.Process(
            target=_work, args=(work, self._words, *paths, environment, os.getcwd()), daemon=True
        )
        self._process.start()

    @property
    def pid(self) -> int:
        """Process id."""
        assert self._process.pid is not None, "it was started"
        return self._process.pid

    def poll(self) -> int | None:
        """Exit code, or None while it runs; minus the signal that ended it."""
        return self._process.exitcode

    def wait(self, limit_s: float | None = None) -> int:
        """Exit code once it has ended; TimeoutExpired, as of `subprocess`, if it does not."""
        self._process.join(limit_s)
        if (code := self._process.exitcode) is None:
            raise subprocess.TimeoutExpired(self._words, limit_s or 0.0)
        return code

    def send_signal(self, number: int) -> None:
        """Send a signal, if it still runs."""
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def kill(self) -> None:
        """End without a word."""
        self._process.kill()


def finished(
    texts: Sequence[str], folder: Path, *, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """A command that ends by itself: its exit code, output and errors, which stand in files of the folder."""
    output, errors = folder / "output.txt", folder / "errors.txt"
    for path in (output, errors):
        path.write_bytes(b"")
    code = Program(texts, output, errors, env=env).wait(60)
    return subprocess.CompletedProcess(texts, code, output.read_text("utf-8"), errors.read_text("utf-8"))


def _work(
    work: Callable[[Sequence[str]], int],
    texts: tuple[str, ...],
    output: str,
    errors: str,
    environment: dict[str, str],
    folder: str,
) -> None:
    """The child: as if it had been started from the command line."""
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)
    _redirect(output, 1)
    _redirect(errors, 2)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    sys.exit(work(texts))


def _redirect(path: str, number: int) -> None:
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    os.dup2(file, number)
    os.close(file)
