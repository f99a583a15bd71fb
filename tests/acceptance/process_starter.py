"""Starts `meterd` again and again without loading its libraries each time: a process that has them and forks.

Each line on standard input is a JSON array: log file, arguments. The answer is the process id of the child.
"""

import json
import os
import signal
import sys

from meterd.adapters.planfile import loader as config  # noqa: F401 - what a run loads
from meterd.app.cli import main as cli
from meterd.app.daemon import daemon  # noqa: F401 - what a run loads
from meterd.app.daemon import web_backend as desk  # noqa: F401 - what a run loads
from meterd.app.operations import ledger as bookkeeper  # noqa: F401 - what a run loads
from meterd.app.operations import queries as query  # noqa: F401 - what a run loads


def work(log: str, arguments: list[str]) -> None:
    """The child: as a process of its own that was started from the command line."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.setsid()
    out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    for number in (1, 2):
        os.dup2(out, number)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    code = 70
    try:
        code = cli.main(arguments)
    finally:
        os._exit(code)


def main() -> None:
    """Serve until standard input ends."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    print("ready", flush=True)
    for line in sys.stdin:
        log, arguments = json.loads(line)
        child = os.fork()
        if child == 0:
            work(log, arguments)
        print(child, flush=True)


if __name__ == "__main__":
    main()
