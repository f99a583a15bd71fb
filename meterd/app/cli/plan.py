"""`meterd check` and `meterd topics`: what a plan says, and what will be published of it."""

import argparse
import sys
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.fault import Fault
from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.adapters.planfile.read import SITE_FILE
from meterd.app.cli.check import holidays_end, render_faults, summary
from meterd.app.cli.commands import CAUTIONS, Subparsers, command
from meterd.app.cli.output import terminal
from meterd.core.topics.asyncapi import asyncapi, render_schemas, render_topics
from meterd.core.topics.table import catalogue

DONE, WRONG = 0, 2


def add(commands: Subparsers) -> None:
    """Both commands and their options."""
    command(commands, "check", _check, epilog=CAUTIONS)
    topics = command(commands, "topics", _topics, epilog=CAUTIONS)
    topics.add_argument("--asyncapi", action="store_true", help="the same as an AsyncAPI 3 document (JSON)")
    topics.add_argument("--schemas", action="store_true", help="JSON Schemas of service, catalogue and findings")


def _check(arguments: argparse.Namespace) -> int:
    try:
        plan = load_plan(arguments.plan)
    except PlanError as exc:
        print(render_faults(exc.faults), file=sys.stderr)
        count = len(exc.faults)
        print(f"{arguments.plan}: {count} fault{'s' if count > 1 else ''}, nothing was changed", file=sys.stderr)
        return WRONG
    text = holidays_end(plan.site, datetime.now(ZoneInfo(plan.site.zone)).date())
    if text:
        name = SITE_FILE if arguments.plan.is_dir() else arguments.plan.name
        plan = replace(plan, warnings=(*plan.warnings, Fault(name, None, None, text, "write those of the next year")))
    terminal().print(summary(plan, len(catalogue(plan.site))))
    return DONE


def _topics(arguments: argparse.Namespace) -> int:
    site = load_plan(arguments.plan).site
    shown = render_schemas() if arguments.schemas else asyncapi(site) if arguments.asyncapi else render_topics(site)
    sys.stdout.write(shown.rstrip("\n") + "\n")
    return DONE
