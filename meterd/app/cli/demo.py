"""`meterd demo`: the command; what it runs is in `demo_site`, which takes some seconds to load."""

import argparse
from pathlib import Path

from meterd.adapters.runtime.logging import set_up
from meterd.app.cli.commands import CAUTIONS, Subparsers, command
from meterd.app.cli.demo_site import run_demo
from meterd.app.cli.run import stop_on_signal

DONE = 0


def add(commands: Subparsers) -> None:
    """The command and its options."""
    demo = command(commands, "demo", _demo, plan="", epilog=CAUTIONS)
    demo.add_argument(
        "--for", dest="duration", metavar="TIME", help="end after this time: 60s, 5m, 1h; default: Ctrl+C"
    )
    demo.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME:POINT[:VALUE][@START[+LASTS]]",
        help="plant a fault; START counts from the start of the demo, -10d lies in the history; repeat",
    )
    demo.add_argument("--list-faults", action="store_true", help="list the faults that can be planted, and end")
    demo.add_argument("--port", type=int, default=0, help="port of the embedded broker (default: a free one)")
    demo.add_argument(
        "--days",
        type=int,
        default=7,
        help="of history before the start (default: 7), a reading every 5 minutes, every 15 in long ones",
    )
    demo.add_argument("--seed", type=int, help="of the simulated site; the default has passing clouds")
    demo.add_argument("--speed", type=float, default=1.0, help="times real time (default: 1)")
    demo.add_argument("--store", type=Path, metavar="FILE", help="file of the store; default: a temporary one")
    demo.add_argument("--page-port", type=int, default=0, help="of the page (default: that of the plan, or a free one)")
    demo.add_argument("--verbose", action="store_true", help="log every change of state")


def _demo(arguments: argparse.Namespace) -> int:
    set_up("text", verbose=arguments.verbose)
    return run_demo(arguments, stop_on_signal())
