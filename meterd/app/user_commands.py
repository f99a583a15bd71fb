"""`meterd user`: who may log in at the page, and what they may do there."""

import argparse
import getpass
import sys
from pathlib import Path

from meterd.errors import ConfigError

DONE = 0
Commands = argparse._SubParsersAction


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """The command and its options."""
    words = "list, add and remove the people who may log in at the page"
    parser = commands.add_parser("user", help=words, description=words[0].upper() + words[1:] + ".")
    parser.set_defaults(work=run)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
    parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--add", metavar="NAME", help="add a person, or give a new password and role")
    what.add_argument("--remove", metavar="NAME", help="take a person away; an open session ends at once")
    parser.add_argument(
        "--role", choices=("look", "acknowledge", "change"), default="look",
        help="look: see all; acknowledge: also deal with findings; change: everything (default: look)",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Carry out one command; returns the exit code."""
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path
    from meterd.app.desk import users_path
    from meterd.page import UserRole
    from meterd.page.access import UserFile

    site = load_plan(arguments.plan).site
    users = UserFile(users_path(site, arguments.store or store_path(arguments.plan, site)))
    if arguments.add is not None:
        users.keep(arguments.add, UserRole(arguments.role), _password())
        print(f"{arguments.add} may log in with role {arguments.role}")
    elif arguments.remove is not None:
        users.remove(arguments.remove)
        print(f"{arguments.remove} may not log in any more")
    else:
        for user in sorted(users.users().values(), key=lambda one: one.name):
            print(f"{user.role}\t{user.name}")
        if not users.users():
            print("nobody can log in; add somebody with --add NAME --role look")
    return DONE


def _password() -> str:
    """Asked twice at a terminal, read as one line from a pipe; never from the command line, where others would see it."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("password: ")
    if getpass.getpass("once more: ") != first:
        raise ConfigError("the two passwords differ; nothing was changed")
    return first
