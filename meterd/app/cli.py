"""The command line. Every command says what it needs; errors go to standard error, exit codes are few:

0 done, 1 could not be done, 2 the plan or the command line is wrong.
"""

import argparse
import os
import signal
import sys
import threading
import zoneinfo
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from meterd import __version__
from meterd.app.clock_commands import add as add_clock_change
from meterd.app.drift_commands import add as add_drift
from meterd.app.finding_commands import add as add_findings
from meterd.app.fleet_command import add as add_fleet
from meterd.app.life_commands import add as add_life
from meterd.app.logs import FORMS, set_up
from meterd.app.paper_commands import add as add_papers
from meterd.app.probe_commands import add as add_probe
from meterd.app.share_commands import add as add_shares
from meterd.app.store_commands import add as add_stores
from meterd.app.user_commands import add as add_users
from meterd.errors import ConfigError, MeterdError, described
from meterd.interval import Period, text

DONE, FAILED, WRONG = 0, 1, 2

CAUTIONS = (
    "Meters in a main distribution are worked on by qualified people with the board dead; a value on a screen never proves"
    " a part dead. Local codes and licensed practice decide."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    zoneinfo.reset_tzpath(to=[])  # zone rules of the pinned package, the same on every machine
    arguments = _parser().parse_args(argv)
    try:
        work: Callable[[argparse.Namespace], int] = arguments.work
        return work(arguments)
    except ConfigError as exc:
        print(exc, file=sys.stderr)
        return WRONG
    except MeterdError as exc:
        print(exc, file=sys.stderr)
        return FAILED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # the reader of a pipe had enough
        return DONE
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except Exception as exc:  # no traceback reaches a terminal; its last place in this program does
        print(
            f"unexpected: {described(exc)}; this is a fault of meterd, please report it with this line", file=sys.stderr
        )
        return FAILED


def _console() -> Console:
    return Console(soft_wrap=not sys.stdout.isatty(), highlight=False, width=None if sys.stdout.isatty() else 200)


# -- commands ----------------------------------------------------------------------------------------------------------


def _check(arguments: argparse.Namespace) -> int:
    from meterd.app.check import render_faults, summary
    from meterd.app.config import PlanError, load_plan
    from meterd.derived import catalogue

    try:
        plan = load_plan(arguments.plan)
    except PlanError as exc:
        print(render_faults(exc.faults), file=sys.stderr)
        count = len(exc.faults)
        print(f"{arguments.plan}: {count} fault{'s' if count > 1 else ''}, nothing was changed", file=sys.stderr)
        return WRONG
    _console().print(summary(plan, len(catalogue(plan.site))))
    return DONE


def _topics(arguments: argparse.Namespace) -> int:
    from meterd.app.asyncapi import asyncapi, render_topics
    from meterd.app.config import load_plan

    site = load_plan(arguments.plan).site
    sys.stdout.write((asyncapi(site) if arguments.asyncapi else render_topics(site)).rstrip("\n") + "\n")
    return DONE


def _run(arguments: argparse.Namespace) -> int:
    set_up(arguments.log, verbose=arguments.verbose)
    from meterd.app.clock import TrialClock, WallClock
    from meterd.app.daemon import Daemon, store_path
    from meterd.app.desk import served
    from meterd.app.plan_watch import read_plan
    from meterd.app.query import moment

    plan, file = read_plan(arguments.plan)
    site = plan.site
    start = arguments.trial_from
    clock = WallClock() if start is None else TrialClock(moment(start, zoneinfo.ZoneInfo(site.zone), "--trial-from"))
    if start is not None:
        site = replace(site, notify=replace(site.notify, email_to=(), webhook_url=""))  # a trial wakes nobody
    watched = file if start is None else None  # nor does it take another plan
    daemon = Daemon(site, arguments.store or store_path(arguments.plan, site), clock, file=watched)
    signal.signal(signal.SIGHUP, lambda *_: daemon.reload())
    with served(daemon):
        daemon.run(_stop_on_signal())
    return DONE


def _stop_on_signal() -> threading.Event:
    """Set by the first SIGTERM or SIGINT; a second one ends the process at once."""
    stop = threading.Event()

    def handle(number: int, _frame: object) -> None:
        if stop.is_set():
            os._exit(128 + number)
        stop.set()

    signal.signal(signal.SIGTERM, handle)
    signal.signal(signal.SIGINT, handle)
    return stop


def _replay(arguments: argparse.Namespace) -> int:
    from meterd.app import replay
    from meterd.app.clock import WallClock
    from meterd.app.config import load_plan

    if (arguments.out is None) == (arguments.into is None):
        raise ConfigError("say where the result goes: --out FOLDER for tables, or --into STORE")
    if arguments.report is not None and arguments.into is None:
        raise ConfigError("--report tells what was imported: give it together with --into")
    plan = load_plan(arguments.plan)
    corrections = () if arguments.corrections is None else replay.corrections_of(arguments.corrections)
    columns = replay.column_map(arguments.map)
    work = replay.prepare(plan, arguments.files, arguments.source, columns, corrections)
    screen = Console(stderr=True)
    with work.history, Progress(console=screen, disable=not screen.is_terminal) as progress:
        task = progress.add_task("registers", total=len(work.channels))

        def step(channel: tuple[str, str]) -> None:
            progress.update(task, advance=1, description=channel[0])

        if arguments.out is not None:
            report = replay.into_folder(work, arguments.out, arguments.format, step)
        else:
            report = replay.into_store(work, arguments.into, WallClock().now_ms(), step)
    _say_replay(report, arguments.out or arguments.into)
    if arguments.report is not None:
        from meterd.app.store_commands import write_report

        write_report(plan, report, arguments.report)
    return DONE


def _say_replay(report: "object", where: Path) -> None:
    from meterd.app.replay import Report

    assert isinstance(report, Report)
    console = _console()
    console.print(f"{report.readings} readings from {text(report.first_ms)} to {text(report.until_ms)} -> {where}")
    if report.events:
        console.print("decided: " + ", ".join(f"{kind} {count}" for kind, count in sorted(report.events.items())))
    if report.refused:
        console.print(f"refused: {report.refused} values, for example")
        for sample in report.samples[:10]:
            console.print(f"  {sample}")
    for name, rows in list(report.strangers.items())[:10]:
        console.print(f"not in the plan: {name}, {rows} rows left out")


def _energy(arguments: argparse.Namespace) -> int:
    from meterd.app import query
    from meterd.app.clock import WallClock
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path

    site = load_plan(arguments.plan).site
    period = Period.MONTH if arguments.demand else Period(arguments.period)
    points = query.some_points(site, arguments.point)
    past = query.as_of(arguments.as_of, site)
    store = query.open_store(arguments.store or store_path(arguments.plan, site), past)
    try:
        wanted = (getattr(arguments, "from"), arguments.until)
        span = query.parse_span(wanted, period, site, query.kept_span(store, site), WallClock().now_ms())
        if arguments.demand:
            lines, title = query.demand_lines(store, site, span, points), "Maximum demand, mean of an interval"
        elif arguments.pv:
            lines, title = query.pv_lines(store, site, period, span), f"PV, netted per {site.interval_s} s and summed"
        else:
            lines, title = query.energy_lines(store, site, period, span, points), f"Energy per {period}"
    finally:
        store.close()
    query.write(lines, arguments.format, _console(), title=f"{title} ({site.zone})", empty="no figures in that span")
    return DONE


def _balance(arguments: argparse.Namespace) -> int:
    from meterd.app import query
    from meterd.app.clock import WallClock
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path

    site = load_plan(arguments.plan).site
    period = Period(arguments.period)
    boards = query.some_boards(site, arguments.board)
    past = query.as_of(arguments.as_of, site)
    store = query.open_store(arguments.store or store_path(arguments.plan, site), past)
    try:
        wanted = (getattr(arguments, "from"), arguments.until)
        span = query.parse_span(wanted, period, site, query.kept_span(store, site), WallClock().now_ms())
        lines = query.balance_lines(store, site, period, span, boards)
    finally:
        store.close()
    title = f"Feed side against outgoing side per {period} ({site.zone}); band: what the instruments explain (k = 2)"
    query.write(lines, arguments.format, _console(), title=title, empty="no balances in that span")
    return DONE


def _demo(arguments: argparse.Namespace) -> int:
    from meterd.app.demo import run_demo

    set_up("text", verbose=arguments.verbose)
    return run_demo(arguments, _stop_on_signal())


# -- arguments ---------------------------------------------------------------------------------------------------------


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="meterd",
        description="Collects the meters of a low-voltage main distribution, balances each board, computes the PV surplus and"
        " puts every derived value on MQTT.",
        epilog=CAUTIONS,
    )
    parser.add_argument("--version", action="version", version=f"meterd {__version__}")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    _add(commands, "check", _check, "check a metering plan: every fault at once, or a summary on one screen")
    _add_run(commands)
    _add_replay(commands)
    _add_balance(commands)
    _add_energy(commands)
    topics = _add(commands, "topics", _topics, "list every topic with unit, meaning and validity")
    topics.add_argument("--asyncapi", action="store_true", help="the same as an AsyncAPI 3 document (JSON)")
    add_findings(commands)
    add_stores(commands)
    add_users(commands)
    add_shares(commands)
    add_drift(commands)
    add_papers(commands)
    add_life(commands)
    add_probe(commands)
    add_clock_change(commands)
    add_fleet(commands)
    _add_demo(commands)
    return parser


Commands = argparse._SubParsersAction


def _add(
    commands: "Commands[argparse.ArgumentParser]", name: str, work: Callable[[argparse.Namespace], int], words: str
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".", epilog=CAUTIONS)
    parser.set_defaults(work=work)
    if name != "demo":
        parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
    return parser


def _add_run(commands: "Commands[argparse.ArgumentParser]") -> None:
    run = _add(commands, "run", _run, "run the daemon until SIGTERM or Ctrl+C")
    run.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says, beside it")
    run.add_argument("--verbose", action="store_true", help="log every change of state, not only what needs attention")
    run.add_argument("--log", choices=FORMS, default="text", help="lines for people, or one JSON object a line")
    run.add_argument(
        "--trial-from",
        metavar="TIME",
        help="accelerated trial: time begins at this moment and is carried on by the readings themselves",
    )


def _add_replay(commands: "Commands[argparse.ArgumentParser]") -> None:
    replay = _add(commands, "replay", _replay, "send old readings (CSV, Parquet) through the same computation")
    replay.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="columns time, point, register, value; or wide"
    )
    replay.add_argument("--out", type=Path, metavar="FOLDER", help="write tables of energies, balances and PV there")
    replay.add_argument("--format", choices=("csv", "parquet"), default="csv", help="of those tables (default: csv)")
    replay.add_argument("--into", type=Path, metavar="STORE", help="keep readings and figures in this store instead")
    replay.add_argument("--report", type=Path, metavar="FILE", help="with --into: a check report (.json, else text)")
    replay.add_argument(
        "--corrections", type=Path, metavar="STORE", help="with --out: apply the corrections entered in this store"
    )
    replay.add_argument("--source", metavar="NAME", help="source of the plan whose inputs the files belong to")
    replay.add_argument(
        "--map",
        action="append",
        default=[],
        metavar="COLUMN=POINT:REGISTER",
        help="what a column of a wide file is; repeat",
    )


def _add_span(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--period", choices=[p.value for p in Period], default="day", help="length of a line (default: day)"
    )
    parser.add_argument("--from", metavar="WHEN", help="2026, 2026-03, 2026-03-29 (local) or 2026-03-29T10:00:00Z")
    parser.add_argument("--until", metavar="WHEN", help="the same, exclusive; default: now")
    parser.add_argument(
        "--as-of", metavar="WHEN", help="figures as they stood at that moment, before later corrections"
    )
    parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
    parser.add_argument("--format", choices=("table", "csv", "json"), default="table", help="default: table, in kWh")


def _add_balance(commands: "Commands[argparse.ArgumentParser]") -> None:
    balance = _add(commands, "balance", _balance, "show what goes in against what goes out of each board, and the band")
    _add_span(balance)
    balance.add_argument(
        "--board", action="append", default=[], metavar="NAME", help="only this board; repeat for more"
    )


def _add_energy(commands: "Commands[argparse.ArgumentParser]") -> None:
    energy = _add(commands, "energy", _energy, "show energies of points per interval, hour, day, week, month or year")
    _add_span(energy)
    energy.add_argument("--point", action="append", default=[], metavar="NAME", help="only this point; repeat for more")
    energy.add_argument("--demand", action="store_true", help="maximum demand per month instead")
    energy.add_argument("--pv", action="store_true", help="PV figures of the site instead")


def _add_demo(commands: "Commands[argparse.ArgumentParser]") -> None:
    demo = _add(commands, "demo", _demo, "run a simulated site, an embedded broker and the daemon, all in one")
    demo.add_argument(
        "--for", dest="duration", metavar="TIME", help="end after this time: 60s, 5m, 1h; default: Ctrl+C"
    )
    demo.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="NAME:POINT[:VALUE][@START[+LASTS]]",
        help="plant a fault; START -10d lies in the history; repeat",
    )
    demo.add_argument("--list-faults", action="store_true", help="list the faults that can be planted, and end")
    demo.add_argument("--port", type=int, default=0, help="port of the embedded broker (default: a free one)")
    demo.add_argument(
        "--days", type=int, default=7, help="of history before the start, a reading every five minutes (default: 7)"
    )
    demo.add_argument("--seed", type=int, help="of the simulated site; the default has passing clouds")
    demo.add_argument("--speed", type=float, default=1.0, help="times real time (default: 1)")
    demo.add_argument("--store", type=Path, metavar="FILE", help="keep the store; default: a temporary one")
    demo.add_argument("--page-port", type=int, default=0, help="of the page (default: that of the plan, or a free one)")
    demo.add_argument("--verbose", action="store_true", help="log every change of state")


if __name__ == "__main__":
    sys.exit(main())
