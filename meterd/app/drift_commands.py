"""`meterd suspects`, `meterd visible-error`, `meterd drill`: which meter is wrong, what could be seen, and a rehearsal."""

import argparse
import json
import sys
import zoneinfo
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.errors import ConfigError, StoreError
from meterd.interval import day_of
from meterd.network import NOT_OBSERVABLE

if TYPE_CHECKING:
    from rich.table import Table

    from meterd.drift_drill import Drill
    from meterd.drift_name import Suspicion
    from meterd.site import Site
    from meterd.store.sqlite import SqliteStore
    from meterd.visible import Visible

DONE = 0
MOST_FACTOR = 100.0
Commands = argparse._SubParsersAction


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """The three commands and their options."""
    words = "show which meter is suspect, since when, by how much, how sure, and what else would explain it"
    suspects = commands.add_parser("suspects", help=words, description=words[0].upper() + words[1:] + ".")
    suspects.set_defaults(work=run_suspects)
    words = "show the smallest error of each meter that could be seen after 7, 30 and 365 days"
    visible = commands.add_parser("visible-error", help=words, description=words[0].upper() + words[1:] + ".")
    visible.set_defaults(work=run_visible)
    visible.add_argument(
        "--plan-only", action="store_true", help="from classes and ratings alone, before anything is bought"
    )
    words = "plant a fault in a copy of the site's own history and say when it would have been found and named"
    drill = commands.add_parser("drill", help=words, description=words[0].upper() + words[1:] + ".")
    drill.set_defaults(work=run_drill)
    drill.add_argument("--point", required=True, metavar="NAME", help="the point whose meter is to be wrong")
    drill.add_argument("--factor", required=True, metavar="FACTOR", help="what it reads of the truth: 0.98, or 0.333")
    drill.add_argument("--from", required=True, metavar="WHEN", help="2026-03-29 or a time: when the fault begins")
    drill.add_argument("--plot", type=Path, metavar="FILE.svg", help="draw the CUSUM paths")
    for parser in (suspects, visible, drill):
        parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
        parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
        parser.add_argument("--format", choices=("table", "json"), default="table", help="default: table")


def _site(arguments: argparse.Namespace) -> "Site":
    from meterd.app.config import load_plan

    return load_plan(arguments.plan).site


def _store(arguments: argparse.Namespace, site: "Site") -> "SqliteStore":
    from meterd.app.daemon import store_path
    from meterd.app.query import open_store

    return open_store(arguments.store or store_path(arguments.plan, site))


def run_suspects(arguments: argparse.Namespace) -> int:
    """A block per suspicion: what, since when, how sure, all that fits, and the look that would settle it."""
    from meterd.app.drift_watch import examine

    site = _site(arguments)
    store = _store(arguments, site)
    try:
        watched = examine(store, site)
    finally:
        store.close()
    if arguments.format == "json":
        found = [said.as_dict() for one in watched for said in one.suspicions]
        sys.stdout.write(json.dumps(found, indent=1) + "\n")
        return DONE
    for one in watched:
        places = ", ".join(node.name for node in one.network.nodes)
        for said in one.suspicions:
            _print_suspicion(said, arguments.plan, zoneinfo.ZoneInfo(site.zone))
        if not one.suspicions:
            print(f"{places}: no meter is suspect after {one.days} days")
        if one.state.learner is None:
            print(f"{places}: no baseline yet, {one.days} days so far; until then only gross faults can be seen")
    if not watched:
        print("there is nothing to watch: no closed figures, or no board with a feed and a feeder that are live")
    print("An error that all meters of a board share is not observable by any balance.")
    return DONE


def _print_suspicion(said: "Suspicion", plan: Path, zone: zoneinfo.ZoneInfo) -> None:
    head = said.text.removesuffix(f"; {NOT_OBSERVABLE}")
    for cause in said.candidates[0].causes:
        head = head.replace(f"; possible cause: {cause}", "", 1)
    print(f"found with the figures of {day_of(said.found_ms - 1, zone)}: {head}")
    for candidate in said.candidates:
        sure = "best" if candidate.odds <= 1 else f"{candidate.odds:.3g} times less likely"
        alike = f", alike by {candidate.correlation:+.2f}" if candidate.odds > 1 else ""
        print(f"  {candidate.text} ({sure}{alike})")
        for cause in candidate.causes:
            print(f"    possible cause: {cause}")
        if candidate.measured:
            print(f"    {candidate.measured}")
    if said.if_feed_right:
        print(f"  {said.if_feed_right}")
    print(f"  to settle it: {said.remedy}")
    if said.correction:
        for line in said.correction.split("; "):
            print(f"  once the cause is confirmed: {line.replace('correct PLAN', f'correct {plan}', 1)}")


def run_visible(arguments: argparse.Namespace) -> int:
    """A line per point: the smallest error seen and named per horizon."""
    from meterd.app.clock import WallClock
    from meterd.app.drift_watch import examine, parts
    from meterd.visible import HORIZONS, from_history, from_plan

    site = _site(arguments)
    found: list[tuple[Visible, str]] = []
    if not arguments.plan_only:
        try:
            store = _store(arguments, site)
        except StoreError:
            arguments.plan_only = True  # no store yet is the usual case before anything is bought
        else:
            try:
                for one in examine(store, site):
                    ready = one.state.learner is not None
                    some = from_history(one.state) if ready else from_plan(one.network)
                    found += [(line, "history" if ready else "plan") for line in some]
            finally:
                store.close()
    if arguments.plan_only or not found:
        found = [(line, "plan") for part in parts(site, WallClock().now_ms()) for line in from_plan(part)]
    if arguments.format == "json":
        lines = [
            {
                "point": v.point,
                "from": source,
                "days": HORIZONS,
                "seen": v.seen,
                "named": v.named,
                "rival": v.rival,
                "note": v.note,
            }
            for v, source in found
        ]
        sys.stdout.write(json.dumps(lines, indent=1) + "\n")
        return DONE
    from meterd.app.cli import _console

    _console().print(_visible_table(found))
    if any(source == "plan" for _, source in found):
        print("Which meters look alike is only known from a week of history on: from the plan no name is promised.")
    return DONE


def _visible_table(found: "list[tuple[Visible, str]]") -> "Table":
    from rich.table import Table

    from meterd.visible import HORIZONS

    history = any(source == "history" for _, source in found)
    title = "Smallest error of each meter that could be seen" + (" (and named)" if history else "") + " after days"
    table = Table(title=title, title_justify="left", box=None)
    named = [f"named {days}" for days in HORIZONS] if history else []
    left = ("point", "from", "most like", "note")
    for name in (
        "point",
        *(str(days) for days in HORIZONS),
        *named,
        "from",
        *(("most like", "note") if history else ()),
    ):
        table.add_column(name, justify="left" if name in left else "right")
    for line, source in found:
        cells = [_percent(value) for value in line.seen]
        if history:
            cells += [_percent(value) if source == "history" else "" for value in line.named]
        table.add_row(line.point, *cells, source, *((line.rival, line.note) if history else ()))
    return table


def _percent(value: float | None) -> str:
    return "never" if value is None else f"{100 * value:.2f} %" if value < 0.1 else f"{100 * value:.0f} %"


def run_drill(arguments: argparse.Namespace) -> int:
    """One sentence, and the CUSUM paths as a drawing if asked for."""
    from meterd.app.drift_watch import run_drill as work
    from meterd.app.query import moment, some_points

    site = _site(arguments)
    factor = _factor(arguments.factor)
    if arguments.plot is not None and arguments.plot.suffix.lower() != ".svg":
        raise ConfigError(f"cannot draw --plot {arguments.plot}: the drawing is SVG; write a name that ends in .svg")
    point = some_points(site, [arguments.point])[0]
    from_ms = moment(getattr(arguments, "from"), zoneinfo.ZoneInfo(site.zone), "--from")
    store = _store(arguments, site)
    try:
        result = work(store, site, point, factor, from_ms)
    finally:
        store.close()
    if arguments.plot is not None:
        _draw(result, arguments.plot)
    if arguments.format == "json":
        sys.stdout.write(json.dumps(result.as_dict(), indent=1) + "\n")
    else:
        print(result.text)
        if result.false_alarms:
            count = len(result.false_alarms)
            print(f"before the fault the watch raised {count} alarm{'s'[: count > 1]} on the history as it is")
    return DONE


def _factor(words: str) -> float:
    """What the meter reads of the truth; negative where it counts backwards."""
    try:
        factor = float(words)
    except ValueError:
        factor = float("nan")
    if not abs(factor) <= MOST_FACTOR or factor == 1:
        raise ConfigError(
            f"cannot drill with --factor {words}: write what the meter reads of the truth, such as 0.98 (2 % too little),"
            " 0.333 (one current transformer reversed) or -0.5 (currents rotated)"
        )
    return factor


def _draw(result: "Drill", path: Path) -> None:
    from meterd.app.drift_plot import svg

    try:
        path.write_text(svg(result), encoding="utf-8")
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc.strerror}; choose a folder that can be written") from exc
