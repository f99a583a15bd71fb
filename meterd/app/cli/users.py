"""`meterd user`: who may log in at the page, and what they may do there."""

import argparse
import getpass
import sys
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile
from meterd.app.cli.commands import Subparsers, command
from meterd.app.daemon.web_backend import users_path
from meterd.app.operations.queries import moment
from meterd.core.errors import ConfigError
from meterd.core.model.periods import local

DONE = 0
NEVER = "never"


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "user", run, store=True)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--add", metavar="NAME", help="add a user account, or set a new password and role")
    what.add_argument("--change", metavar="NAME", help="change --role or --until of a user account; the password stays")
    what.add_argument("--remove", metavar="NAME", help="remove a user account; an open session ends at once")
    parser.add_argument(
        "--role", choices=("look", "acknowledge", "change"),
        help="look: see all; acknowledge: also deal with findings; change: everything (default: look)",
    )  # fmt: skip
    parser.add_argument(
        "--until", metavar="WHEN",
        help="end of the access, open sessions included: 2026-03-29 (local midnight) or 2026-03-29T10:00:00Z; never",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Carry out one command; returns the exit code."""
    site = load_plan(arguments.plan).site
    users = UserFile(users_path(site, arguments.store or store_path(arguments.plan, site)))
    name = arguments.add or arguments.change
    if not name and (arguments.role or arguments.until):
        raise ConfigError("--role and --until belong to a user account; name it with --add NAME or --change NAME")
    if arguments.change and not (arguments.role or arguments.until):
        raise ConfigError(f"nothing to change for {arguments.change}; give --role or --until")
    if name:
        _keep(users, arguments, name, ZoneInfo(site.zone))
    elif arguments.remove is not None:
        users.remove(arguments.remove)
        print(f"{arguments.remove} may not log in any more")
    else:
        _list(users, ZoneInfo(site.zone))
    return DONE


def _keep(users: UserFile, arguments: argparse.Namespace, name: str, zone: ZoneInfo) -> None:
    known = users.named(name) if arguments.change else users.users().get(name)
    until_ms = _end(arguments.until, zone) if arguments.until else known.until_ms if known else None
    if arguments.change:
        assert known is not None, "named() refuses who is not there"
        role = UserRole(arguments.role) if arguments.role else known.role
        users.change(name, role, until_ms)
    else:
        role = UserRole(arguments.role or "look")
        users.keep(name, role, _password(), until_ms=until_ms)
    now_ms = WallClock().now_ms()
    verb = "may no longer log in, with" if until_ms is not None and until_ms <= now_ms else "may log in with"
    print(f"{name} {verb} role {role}{_until(until_ms, zone)}")


def _end(words: str, zone: ZoneInfo) -> int | None:
    if words == NEVER:
        return None
    until_ms = moment(words, zone, "--until")
    if until_ms <= WallClock().now_ms():
        raise ConfigError(
            f"--until {words} is over already ({_local(until_ms, zone)}); write a later one, or end the access with --remove"
        )
    return until_ms


def _list(users: UserFile, zone: ZoneInfo) -> None:
    now_ms = WallClock().now_ms()
    for user in sorted(users.users().values(), key=lambda user: user.name):
        over = ", is over" if user.over(now_ms) else ""
        print(f"{user.role}\t{user.name}{_until(user.until_ms, zone)}{over}")
    if not users.users():
        print("there are no user accounts; add one with --add NAME --role look")


def _until(until_ms: int | None, zone: ZoneInfo) -> str:
    return "" if until_ms is None else f" until {_local(until_ms, zone)}"


def _local(at_ms: int, zone: ZoneInfo) -> str:
    return f"{local(at_ms, zone):%Y-%m-%d %H:%M} {zone.key}"


def _password() -> str:
    """Asked twice at a terminal, read as one line from a pipe; never from the command line, where others would see it."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("password: ")
    if getpass.getpass("once more: ") != first:
        raise ConfigError("the two passwords differ; nothing was changed")
    return first
