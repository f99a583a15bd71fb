"""`meterd lines`: lines that the time-series database refused, and how to send them again."""

import argparse

from meterd.adapters.line_database.refused import again_file
from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.store.opening import open_to_read
from meterd.app.cli.commands import Subparsers, command

DONE = 0
SHOWN = 10


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "lines", _lines, store=True)
    parser.add_argument("--again", action="store_true", help="let the daemon send them again at once")


def _lines(arguments: argparse.Namespace) -> int:
    plan = load_plan(arguments.plan)
    path = arguments.store or store_path(arguments.plan, plan.site)
    with open_to_read(path) as store:
        refused = store.outbox.refused()
    print(f"{len(refused)} lines are set aside")
    for item in refused[:SHOWN]:
        print(f"  {item.line}  ({item.reason})")
    if arguments.again and refused:
        again_file(path).touch()
        print("the daemon sends them again within seconds, or when it is started")
    return DONE
