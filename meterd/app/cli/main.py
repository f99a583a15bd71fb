"""The command line. Every command says what it needs; errors go to standard error, exit codes are few:

0 done, 1 could not be done, 2 the plan or the command line is wrong.
"""

import argparse
import os
import signal
import sys
import zoneinfo
from collections.abc import Callable, Sequence
from typing import cast

from meterd import __version__
from meterd.adapters.runtime.garbage import spare_a_start
from meterd.app.cli.commands import CAUTIONS, COMMANDS, Subparsers, add_all
from meterd.app.cli.parser import Parser, nearest
from meterd.core.errors import ConfigError, MeterdError, described

DONE, FAILED, WRONG = 0, 1, 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    zoneinfo.reset_tzpath(to=[])  # zone rules of the pinned package, the same on every machine
    # our matrices are small: a second thread only waits for them, and takes a core from others (26 ms for a product of 0.3)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # nothing that happens to be installed here takes part in reading a plan; to look for it costs 0.1 s a command
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    if argv is None:  # a process of its own
        spare_a_start()
    given = sys.argv[1:] if argv is None else argv
    arguments = _parser(next((word for word in given if not word.startswith("-")), None)).parse_args(given)
    try:
        work: Callable[[argparse.Namespace], int] = arguments.work
        return work(arguments)
    except ConfigError as exc:
        print(exc, file=sys.stderr)
        return WRONG
    except MeterdError as exc:
        print(exc, file=sys.stderr)
        return FAILED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader of a pipe had enough
        return DONE
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except Exception as exc:  # no traceback reaches a terminal; its last place in this program does
        print(
            f"unexpected: {described(exc)}; this is a fault of meterd, please report it with this line", file=sys.stderr
        )
        return FAILED


def _parser(called: str | None) -> argparse.ArgumentParser:
    parser = Parser(
        prog="meterd",
        description="Collects the meters of a low-voltage main distribution, balances each board, computes the PV surplus and"
        " puts every derived value on MQTT.",
        epilog=CAUTIONS,
    )
    parser.add_argument("--version", action="version", version=f"meterd {__version__}")
    commands = cast("Subparsers", parser.add_subparsers(metavar="COMMAND", dest="command", required=True))
    if called is not None and called not in COMMANDS:
        parser.error(f"there is no command {called}; {nearest(called, COMMANDS)}\nall commands: {', '.join(COMMANDS)}")
    add_all(commands, called)
    if called is not None:
        parser.options = [word for action in commands.choices[called]._actions for word in action.option_strings]
    return parser


if __name__ == "__main__":
    sys.exit(main())
