"""`meterd help`: the reference documents of this installation, in the terminal."""

import argparse
import sys
from importlib.resources import files
from pathlib import Path

from meterd.app.cli.commands import Subparsers, command
from meterd.core.errors import ConfigError

DONE = 0
PACKAGE = "meterd"
TOPICS = {  # word -> (what it is about, file inside the package, file of a checkout)
    "plan": ("the metering plan, every file and key", "app/cli/help/plan.md", "config/README.md"),
    "sources": ("protocols, old readings, probe", "adapters/sources/README.md", "meterd/adapters/sources/README.md"),
    "topics": ("topics, payloads, the rule for controllers", "core/topics/README.md", "meterd/core/topics/README.md"),
    "page": ("the page, access, health addresses", "adapters/web/README.md", "meterd/adapters/web/README.md"),
    "documents": ("reports, labels, cost allocation", "adapters/documents/README.md", "meterd/adapters/documents/README.md"),
    "operations": ("findings, corrections, backup, several sites", "app/operations/README.md", "meterd/app/operations/README.md"),
    "service": ("running it as a service, databases, containers", "app/cli/help/service.md", "docker/README.md"),
}  # fmt: skip


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "help", run, plan="")
    parser.add_argument(
        "topic", nargs="?", choices=sorted(TOPICS), metavar="TOPIC", help="without it: the list of topics"
    )


def run(arguments: argparse.Namespace) -> int:
    """`meterd help [TOPIC]`; returns the exit code."""
    if arguments.topic is None:
        width = max(map(len, TOPICS))
        for topic, (about, _, _) in TOPICS.items():
            print(f"meterd help {topic:<{width}}  {about}")
        return DONE
    sys.stdout.write(document(arguments.topic))
    return DONE


def document(topic: str) -> str:
    """The text of one reference. ConfigError if this installation lacks it."""
    _, packaged, checkout = TOPICS[topic]
    for place in (Path(str(files(PACKAGE))) / packaged, Path(__file__).parents[3] / checkout):
        if place.exists():
            return place.read_text(encoding="utf-8")
    raise ConfigError(f"the reference {topic} is missing from this installation; install meterd again")
