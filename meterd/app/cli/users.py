"""`meterd user`: who may log in at the page, and what they may do there."""

import argparse
import getpass
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.runtime.people_log import Act, PeopleLog, people_log_path
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile, users_path
from meterd.app.cli import output
from meterd.app.cli.commands import Subparsers, command
from meterd.app.operations.people import acts
from meterd.app.operations.question import moment
from meterd.core.errors import ConfigError
from meterd.core.model.periods import from_ms as from_utc
from meterd.core.model.periods import local

DONE = 0
NEVER = "never"
ALWAYS_MS = 2**62


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "user", run, store=True, formats=("table", "csv", "json"))
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--add", metavar="NAME", help="add a user account, or set a new password and role")
    what.add_argument("--change", metavar="NAME", help="change --role or --until of a user account; the password stays")
    what.add_argument("--remove", metavar="NAME", help="remove a user account; an open session ends at once")
    what.add_argument(
        "--log",
        action="store_true",
        help="who did what: logins, accounts, findings, corrections, exchanges, documents, plans",
    )
    parser.add_argument("--from", metavar="WHEN", help="begin of the log, 2026-03-29 or a time; default: all there is")
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
    store, zone = arguments.store or store_path(arguments.plan, site), ZoneInfo(site.zone)
    _sound(arguments)
    users = UserFile(users_path(site, store))
    if arguments.add or arguments.change:
        did = _keep(users, arguments, arguments.add or arguments.change, zone)
        _record(store, "account-added" if arguments.add else "account-changed", did)
    elif arguments.remove is not None:
        users.remove(arguments.remove)
        did = f"{arguments.remove} may not log in any more"
        _record(store, "account-removed", did)
        print(did)
    elif arguments.log:
        _log(arguments, store, zone)
    else:
        _list(users, zone)
    return DONE


def _sound(arguments: argparse.Namespace) -> None:
    named, given = arguments.add or arguments.change, arguments.role or arguments.until
    if given and not named:
        raise ConfigError("--role and --until belong to a user account; name it with --add NAME or --change NAME")
    if arguments.change and not given:
        raise ConfigError(f"nothing to change for {arguments.change}; give --role or --until")
    if not arguments.log and (getattr(arguments, "from") or arguments.format != "table"):
        raise ConfigError("--from and --format belong to the log; add --log")


def _log(arguments: argparse.Namespace, path: Path, zone: ZoneInfo) -> None:
    begin = getattr(arguments, "from")
    from_ms = moment(begin, zone, "--from") if begin else 0
    with open_to_read(path) as store:
        results = acts(store, path, from_ms, ALWAYS_MS)
    table = arguments.format == "table"
    lines: list[output.Line] = [
        {
            "time": f"{local(act.at_ms, zone):%Y-%m-%d %H:%M:%S}" if table else from_utc(act.at_ms).isoformat(),
            "who": act.person,
            "did": act.kind,
            "what": act.what,
            "from": act.address,
        }
        for act in results
    ]
    output.write(
        lines, arguments.format, output.terminal(), title=f"Who did what, {zone.key}", empty="nobody did anything yet"
    )


def _record(store: Path, kind: str, did: str) -> None:
    """In the name of the person at this machine, as its operating system knows them."""
    try:
        person = getpass.getuser()
    except (KeyError, OSError):
        person = ""
    PeopleLog(people_log_path(store)).add(Act(WallClock().now_ms(), kind, person, did))


def _keep(users: UserFile, arguments: argparse.Namespace, name: str, zone: ZoneInfo) -> str:
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
    did = f"{name} {verb} role {role}{_until(until_ms, zone)}"
    print(did)
    return did


def _end(text: str, zone: ZoneInfo) -> int | None:
    if text == NEVER:
        return None
    until_ms = moment(text, zone, "--until")
    if until_ms <= WallClock().now_ms():
        raise ConfigError(
            f"--until {text} is over already ({_local(until_ms, zone)}); write a later one, or end the access with --remove"
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
