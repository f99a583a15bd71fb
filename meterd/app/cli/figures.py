"""`meterd energy` and `meterd balance`: figures of the store, as they are or as they were."""

import argparse
from pathlib import Path

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.app.cli.commands import CAUTIONS, Subparsers, command
from meterd.app.cli.output import terminal, write
from meterd.app.operations import queries as query
from meterd.app.operations.energy_cost import cost_lines
from meterd.app.operations.question import as_of, some_boards, some_points
from meterd.core.model.periods import Period

DONE = 0
COST_TITLE = "Cost by the tariff of the plan: no bill, see `meterd help plan`"


def add(commands: Subparsers) -> None:
    """Both commands and their options."""
    _add_energy(commands)
    _add_balance(commands)


def _add_span(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--period", choices=[p.value for p in Period], default="day", help="length of a line (default: day)"
    )
    parser.add_argument("--from", metavar="WHEN", help="2026, 2026-03, 2026-03-29 (local) or 2026-03-29T10:00:00Z")
    parser.add_argument("--until", metavar="WHEN", help="the same, exclusive; default: now")
    parser.add_argument("--as-of", metavar="WHEN", help="figures as stored at that time, before later corrections")
    parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: that of the plan")
    parser.add_argument("--format", choices=("table", "csv", "json"), default="table", help="default: table, in kWh")


def _add_balance(commands: Subparsers) -> None:
    balance = command(commands, "balance", _balance, epilog=CAUTIONS)
    _add_span(balance)
    balance.add_argument(
        "--board", action="append", default=[], metavar="NAME", help="only this board; repeat for more"
    )


def _add_energy(commands: Subparsers) -> None:
    energy = command(commands, "energy", _energy, epilog=CAUTIONS)
    _add_span(energy)
    energy.add_argument("--point", action="append", default=[], metavar="NAME", help="only this point; repeat for more")
    energy.add_argument("--demand", action="store_true", help="maximum demand per month instead")
    energy.add_argument("--pv", action="store_true", help="PV figures of the site instead")
    energy.add_argument(
        "--cost", action="store_true", help="what it costs by [[tariff]] instead, and g CO2, for each month or year"
    )


def _energy(arguments: argparse.Namespace) -> int:

    site = load_plan(arguments.plan).site
    monthly = arguments.demand or (arguments.cost and arguments.period == "day")  # the default suits neither
    period = Period.MONTH if monthly else Period(arguments.period)
    points = some_points(site, arguments.point)
    past = as_of(arguments.as_of, site)
    with open_to_read(arguments.store or store_path(arguments.plan, site), past) as store:
        wanted = (getattr(arguments, "from"), arguments.until)
        span = query.parse_span(wanted, period, site, query.span_of_store(store, site), WallClock().now_ms())
        if arguments.demand:
            lines, title = query.demand_lines(store, site, span, points), "Maximum demand, mean of an interval"
        elif arguments.cost:
            lines, title = cost_lines(store, site, period, span, points if arguments.point else []), COST_TITLE
            if arguments.format == "json":  # an object has what can be said of it; null is missing
                lines = [{name: value for name, value in line.items() if value != ""} for line in lines]
            elif arguments.format == "table":  # people read what page and report show
                lines = [{name: value for name, value in line.items() if name != "amount_exact"} for line in lines]
        elif arguments.pv:
            lines, title = query.pv_lines(store, site, period, span), f"PV, counted per {site.interval_s} s and summed"
        else:
            lines, title = query.energy_lines(store, site, period, span, points), f"Energy per {period}"
    write(lines, arguments.format, terminal(), title=f"{title} ({site.zone})", empty="no figures in that span")
    return DONE


def _balance(arguments: argparse.Namespace) -> int:

    site = load_plan(arguments.plan).site
    period = Period(arguments.period)
    boards = some_boards(site, arguments.board)
    past = as_of(arguments.as_of, site)
    with open_to_read(arguments.store or store_path(arguments.plan, site), past) as store:
        wanted = (getattr(arguments, "from"), arguments.until)
        span = query.parse_span(wanted, period, site, query.span_of_store(store, site), WallClock().now_ms())
        lines = query.balance_lines(store, site, period, span, boards)
    title = f"Feed side against outgoing side per {period} ({site.zone}); band: what the instruments explain (k = 2)"
    write(lines, arguments.format, terminal(), title=title, empty="no balances in that span")
    return DONE
