"""`meterd run`: the daemon of a plan until it is told to stop."""

import argparse
import os
import signal
import threading
import zoneinfo
from dataclasses import replace
from pathlib import Path

from meterd.adapters.planfile.loader import store_path
from meterd.adapters.runtime.clock import TrialClock, WallClock
from meterd.adapters.runtime.heap import one_heap
from meterd.adapters.runtime.logging import FORMS, set_up
from meterd.app.cli.commands import CAUTIONS, Subparsers, command
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.plan_reload import read_plan
from meterd.app.daemon.web_backend import served
from meterd.app.operations.question import moment
from meterd.core.model.schedule import NO_SCHEDULE

DONE = 0


def add(commands: Subparsers) -> None:
    """The command and its options."""
    run = command(commands, "run", _run, epilog=CAUTIONS)
    run.add_argument("--store", type=Path, metavar="FILE", help="store file; default: that of the plan, beside it")
    run.add_argument("--verbose", action="store_true", help="log every change of state, not only what needs attention")
    run.add_argument("--log", choices=FORMS, default="text", help="lines for people, or one JSON object a line")
    run.add_argument(
        "--watchdog",
        type=float,
        default=0.0,
        metavar="SECONDS",
        help="end the process if its loop stands still for 30 s and then for this time; for use without a service manager",
    )
    run.add_argument(
        "--trial-from",
        metavar="TIME",
        help="accelerated trial: time begins at this moment and follows the times of the readings",
    )


def _run(arguments: argparse.Namespace) -> int:
    one_heap()
    set_up(arguments.log, verbose=arguments.verbose)

    plan, file = read_plan(arguments.plan)
    site = plan.site
    start = arguments.trial_from
    clock = WallClock() if start is None else TrialClock(moment(start, zoneinfo.ZoneInfo(site.zone), "--trial-from"))
    if start is not None:
        # a trial wakes nobody, and writes no copy into the place of a real one
        site = replace(site, notify=replace(site.notify, email_to=(), webhook_url=""), schedule=NO_SCHEDULE)
    watched = file if start is None else None  # nor does it take another plan
    path = arguments.store or store_path(arguments.plan, site)
    daemon = Daemon(site, path, clock, file=watched, watchdog_s=arguments.watchdog)
    signal.signal(signal.SIGHUP, lambda *_: daemon.reload())
    with served(daemon):
        daemon.run(stop_on_signal())
    return DONE


def stop_on_signal() -> threading.Event:
    """Set by the first SIGTERM or SIGINT; a second one ends the process at once."""
    stop = threading.Event()

    def handle(number: int, _frame: object) -> None:
        if stop.is_set():
            os._exit(128 + number)
        stop.set()

    signal.signal(signal.SIGTERM, handle)
    signal.signal(signal.SIGINT, handle)
    return stop
