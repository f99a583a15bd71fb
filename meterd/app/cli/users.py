"""`meterd user`: who may log in at the page, and what they may do there."""

import argparse
import getpass
import sys

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile
from meterd.app.cli.commands import Subparsers, command
from meterd.app.daemon.web_backend import users_path
from meterd.core.errors import ConfigError

DONE = 0


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "user", run, store=True)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--add", metavar="NAME", help="add a user account, or set a new password and role")
    what.add_argument("--remove", metavar="NAME", help="remove a user account; an open session ends at once")
    parser.add_argument(
        "--role", choices=("look", "acknowledge", "change"), default="look",
        help="look: see all; acknowledge: also deal with findings; change: everything (default: look)",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Carry out one command; returns the exit code."""
    site = load_plan(arguments.plan).site
    users = UserFile(users_path(site, arguments.store or store_path(arguments.plan, site)))
    if arguments.add is not None:
        users.keep(arguments.add, UserRole(arguments.role), _password())
        print(f"{arguments.add} may log in with role {arguments.role}")
    elif arguments.remove is not None:
        users.remove(arguments.remove)
        print(f"{arguments.remove} may not log in any more")
    else:
        for user in sorted(users.users().values(), key=lambda user: user.name):
            print(f"{user.role}\t{user.name}")
        if not users.users():
            print("there are no user accounts; add one with --add NAME --role look")
    return DONE


def _password() -> str:
    """Asked twice at a terminal, read as one line from a pipe; never from the command line, where others would see it."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("password: ")
    if getpass.getpass("once more: ") != first:
        raise ConfigError("the two passwords differ; nothing was changed")
    return first
