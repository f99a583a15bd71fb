"""`meterd patterns FOLDER PLAN...`: patterns that several sites share, what a newer one would change at each, taking it over."""

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path

from meterd.app.cli.commands import Subparsers, command
from meterd.app.operations.shared_patterns import PatternChange, changes, take
from meterd.core.errors import ConfigError

DONE, FAILED = 0, 1


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "patterns", _patterns, plan="", formats=("lines", "json"))
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the shared patterns, NAME.toml each")
    parser.add_argument("plans", type=Path, nargs="+", metavar="PLAN", help="plan folders; each has its own patterns/")
    parser.add_argument("--take", action="store_true", help="put them into these plans, where no fault follows")


def _patterns(arguments: argparse.Namespace) -> int:
    """Exit code 1 if a plan would have faults: nothing is taken over there."""
    if not any(arguments.folder.glob("*.toml")):
        raise ConfigError(f"{arguments.folder} has no patterns; name a folder with NAME.toml files")
    every: list[PatternChange] = []
    for plan in arguments.plans:
        results = changes(plan, arguments.folder)
        every += results
        if arguments.take and not any(item.faults for item in results):
            for item in results:
                if not item.same:
                    take(plan, arguments.folder, item.pattern)
    if arguments.format == "json":
        sys.stdout.write(json.dumps([asdict(item) for item in every], indent=1) + "\n")
    else:
        print("\n".join(_line(item, taken=arguments.take) for item in every) or "no plan has one of these patterns")
    return FAILED if any(item.faults for item in every) else DONE


def _line(item: PatternChange, *, taken: bool) -> str:
    head = f"{item.site}: {item.pattern}:"
    if item.faults:
        return "\n".join([f"{head} NOT taken, the plan would have faults:", *(f"  {text}" for text in item.faults)])
    if item.same:
        return f"{head} is the shared one"
    return f"{head} {'taken' if taken else 'would change'}: {item.words}"
