"""`meterd rename`: a point gets a new name; its history goes on under it, and the old name finds it."""

import argparse
import json
import sys
from datetime import UTC, datetime
from pathlib import Path

from meterd.adapters.planfile.edit import PlanFiles
from meterd.adapters.planfile.loader import PlanError, load_plan, store_path
from meterd.adapters.planfile.renaming import rename, renamed, same
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.texts.near_points import near_points
from meterd.app.cli.check import render_faults
from meterd.app.cli.commands import Subparsers, command
from meterd.app.operations.order_handler import carry_out
from meterd.app.operations.orders import new_order
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site

DONE = 0


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "rename", run, store=True)
    parser.add_argument("--point", required=True, metavar="OLD", help="its name now")
    parser.add_argument("--to", required=True, metavar="NEW", help="its new name")
    parser.add_argument("--person", required=True, metavar="NAME", help="who renames it")
    parser.add_argument("--note", default="", metavar="TEXT", help="reason; stored with the record")
    parser.add_argument("--show", action="store_true", help="only check whether it can be done; nothing is changed")


def run(arguments: argparse.Namespace) -> int:
    """`meterd rename`."""
    old, new = arguments.point, arguments.to
    site = load_plan(arguments.plan).site
    if all(point.name != old for point in site.points):
        now = next((p.name for p in site.points if old in p.aliases), None)
        near = " or ".join(near_points(site, old))
        hint = f"did you mean {near}?" if near else "`meterd check` lists them"
        text = f"{old} is called {now} now" if now else f"the plan has no point {old}; {hint}"
        raise ConfigError(f"{text}; nothing was changed")
    files = PlanFiles(arguments.plan)
    rename(files, site, old, new)
    try:
        before, after = files.check()
    except PlanError as exc:
        raise ConfigError(f"{render_faults(exc.faults)}\nthe plan would have faults; nothing was changed") from exc
    if not same(renamed(before.site, old, new), after.site):
        raise ConfigError(
            f"the plan would change in more than the name of {old}; rename it by hand; nothing was changed"
        )
    if arguments.show:
        print(f"{old} can be renamed to {new}; nothing was changed")
        return DONE
    aside = files.put(f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    print(f"{old} is now called {new}; the old files are stored in {aside}")
    _keep(arguments, after.site, arguments.store or store_path(arguments.plan, site))
    return DONE


def _keep(arguments: argparse.Namespace, site: Site, path: Path) -> None:
    """The record, and with it the history if no daemon runs; a running one takes it over with the plan."""
    if not path.exists():
        return
    now_ms = WallClock().now_ms()
    details = json.dumps({"kind": "rename", "details": {"old": arguments.point, "new": arguments.to}})
    note = arguments.note or f"{arguments.point} renamed to {arguments.to}"
    order = new_order("record", arguments.to, arguments.person, note, details=details, from_ms=now_ms)
    done, text = carry_out(order, path, site, now_ms)
    print(text, file=sys.stdout if done else sys.stderr)
    print("its history continues under the new name; a running daemon applies the plan by itself")
