"""`meterd suspects`, `meterd visible-error`, `meterd drill`: which meter is wrong, what could be seen, and a rehearsal."""

import argparse
import json
import sys
import zoneinfo
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.adapters.documents.cusum_svg import svg
from meterd.adapters.documents.evidence_svg import svg as svg_of_evidence
from meterd.adapters.documents.texts import LANGUAGES, Texts
from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.texts.wording import titles_of
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.output import terminal
from meterd.app.operations.drift_evidence import evidence_of
from meterd.app.operations.drift_job import examine, parts
from meterd.app.operations.drift_job import run_drill as work
from meterd.app.operations.question import moment, some_points
from meterd.core.balance.topology import NOT_OBSERVABLE
from meterd.core.drift.detection_limits import HORIZONS, Visible, from_history, from_plan
from meterd.core.drift.identification import Suspicion, odds_text
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import day_of
from meterd.core.model.plan import Site

if TYPE_CHECKING:
    from rich.table import Table


DONE = 0
MOST_FACTOR = 100.0


def add(commands: Subparsers) -> None:
    """The three commands and their options."""
    suspects = command(commands, "suspects", run_suspects, store=True, formats=("table", "json"))
    suspects.add_argument(
        "--plot", type=Path, metavar="FILE.svg", help="draw the residuals that speak for each suspicion"
    )
    _add_language(suspects)
    visible = command(commands, "visible-error", run_visible, store=True, formats=("table", "json"))
    visible.add_argument(
        "--plan-only", action="store_true", help="from classes and ratings alone, before any meter is bought"
    )
    drill = command(commands, "drill", run_drill, store=True, formats=("table", "json"))
    drill.add_argument("--point", required=True, metavar="NAME", help="the point whose meter is to be wrong")
    drill.add_argument(
        "--factor",
        required=True,
        metavar="FACTOR",
        help="what it reads, as a factor of the true energy: 0.98, or 0.333",
    )
    drill.add_argument("--from", required=True, metavar="WHEN", help="2026-03-29 or a time: when the fault begins")
    drill.add_argument("--plot", type=Path, metavar="FILE.svg", help="draw the CUSUM paths")
    _add_language(drill)


def _add_language(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--lang", choices=LANGUAGES, help="language of the drawing; default: that of [page], or en")


def _texts(arguments: argparse.Namespace, site: Site) -> Texts:
    return Texts(arguments.lang or site.page.language)


def _site(arguments: argparse.Namespace) -> Site:
    return load_plan(arguments.plan).site


def _stored(arguments: argparse.Namespace, site: Site) -> AbstractContextManager[ReadStore]:
    return open_to_read(arguments.store or store_path(arguments.plan, site))


def run_suspects(arguments: argparse.Namespace) -> int:
    """A block per suspicion: what, since when, how sure, all that fits, and the look that would settle it."""
    site = _site(arguments)
    _needs_svg(arguments.plot)
    with _stored(arguments, site) as store:
        watched = examine(store, site)
        evidence = [] if arguments.plot is None else evidence_of(store, site, watched)
    if evidence:
        zone, texts = zoneinfo.ZoneInfo(site.zone), _texts(arguments, site)
        _write(svg_of_evidence(evidence, zone, texts, titles_of(site)), arguments.plot)
    elif arguments.plot is not None:
        print(f"nothing is drawn into {arguments.plot}: no suspicion has a week of daily balances", file=sys.stderr)
    if arguments.format == "json":
        results = [suspicion.as_dict() for part in watched for suspicion in part.suspicions]
        sys.stdout.write(json.dumps(results, indent=1) + "\n")
        return DONE
    for part in watched:
        places = ", ".join(node.name for node in part.network.nodes)
        for suspicion in part.suspicions:
            _print_suspicion(suspicion, arguments.plan, zoneinfo.ZoneInfo(site.zone))
        if not part.suspicions:
            print(f"{places}: no meter is suspect after {part.days} days")
        if part.state.learner is None:
            print(f"{places}: no baseline yet, {part.days} days so far; until then only gross faults can be detected")
    if not watched:
        print("drift cannot be monitored: no closed figures, or no board with a feed and a feeder that are live")
    print("No balance can detect an error that all meters of a board have in common.")
    return DONE


def _print_suspicion(suspicion: Suspicion, plan: Path, zone: zoneinfo.ZoneInfo) -> None:
    print(f"found with the figures of {day_of(suspicion.found_ms - 1, zone)}: {suspicion.text}")
    for candidate in suspicion.candidates:
        sure = "best" if candidate.odds <= 1 else f"{odds_text(candidate.odds)} times less likely"
        alike = f", alike by {candidate.correlation:+.2f}" if candidate.odds > 1 else ""
        print(f"  {candidate.text} ({sure}{alike})")
        for cause in candidate.causes:
            print(f"    possible cause: {cause}")
        if candidate.measured:
            print(f"    {candidate.measured}")
    if suspicion.if_feed_right:
        print(f"  {suspicion.if_feed_right}")
    for note in suspicion.notes:
        if note != NOT_OBSERVABLE:  # said once, at the end
            print(f"  {note}")
    print(f"  to decide: {suspicion.remedy}")
    if suspicion.correction:
        for line in suspicion.correction.split("; "):
            print(f"  once the cause is confirmed: {line.replace('correct PLAN', f'correct {plan}', 1)}")


def run_visible(arguments: argparse.Namespace) -> int:
    """A line per point: the smallest error seen and named per horizon."""
    site = _site(arguments)
    results: list[tuple[Visible, str]] = []
    if not arguments.plan_only:
        try:
            with _stored(arguments, site) as store:
                for item in examine(store, site):
                    ready = item.state.learner is not None
                    some = from_history(item.state) if ready else from_plan(item.network)
                    results += [(line, "history" if ready else "plan") for line in some]
        except StoreError:
            arguments.plan_only = True  # no store yet is the usual case before anything is bought
    if arguments.plan_only or not results:
        results = [(line, "plan") for part in parts(site, WallClock().now_ms()) for line in from_plan(part)]
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
            for v, source in results
        ]
        sys.stdout.write(json.dumps(lines, indent=1) + "\n")
        return DONE

    terminal().print(_visible_table(results))
    if any(source == "plan" for _, source in results):
        print("Which meters look alike is known only after a week of history: from the plan alone no meter is named.")
    return DONE


def _visible_table(results: list[tuple[Visible, str]]) -> "Table":
    from rich.table import Table

    history = any(source == "history" for _, source in results)
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
    for line, source in results:
        cells = [_percent(value) for value in line.seen]
        if history:
            cells += [_percent(value) if source == "history" else "" for value in line.named]
        table.add_row(line.point, *cells, source, *((line.rival, line.note) if history else ()))
    return table


def _percent(value: float | None) -> str:
    return "never" if value is None else f"{100 * value:.2f} %" if value < 0.1 else f"{100 * value:.0f} %"


def run_drill(arguments: argparse.Namespace) -> int:
    """One sentence, and the CUSUM paths as a drawing if asked for."""
    site = _site(arguments)
    factor = _factor(arguments.factor)
    _needs_svg(arguments.plot)
    point = some_points(site, [arguments.point])[0]
    from_ms = moment(getattr(arguments, "from"), zoneinfo.ZoneInfo(site.zone), "--from")
    with _stored(arguments, site) as store:
        result = work(store, site, point, factor, from_ms)
    if arguments.plot is not None:
        _write(svg(result, _texts(arguments, site), titles_of(site)), arguments.plot)
    if arguments.format == "json":
        sys.stdout.write(json.dumps(result.as_dict(), indent=1) + "\n")
    else:
        print(result.text)
        if result.false_alarms:
            count = len(result.false_alarms)
            print(
                f"before the fault the daily drift job raised {count} alarm{'s'[: count > 1]} on the history as it is"
            )
    return DONE


def _factor(text: str) -> float:
    """What the meter reads of the truth; negative where it counts backwards."""
    try:
        factor = float(text)
    except ValueError:
        factor = float("nan")
    if not abs(factor) <= MOST_FACTOR or factor == 1:
        raise ConfigError(
            f"cannot drill with --factor {text}: write the reading as a factor of the true energy, such as 0.98 (2 % too"
            " little), 0.333 (one current transformer reversed) or -0.5 (currents rotated)"
        )
    return factor


def _needs_svg(path: Path | None) -> None:
    if path is not None and path.suffix.lower() != ".svg":
        raise ConfigError(f"cannot draw --plot {path}: the drawing is SVG; write a name that ends in .svg")


def _write(drawing: str, path: Path) -> None:
    try:
        path.write_text(drawing, encoding="utf-8")
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc.strerror}; choose a folder that can be written") from exc
