"""`meterd what-if`: the site's own year with more PV, a battery, another contract or tariff. An estimate."""

import argparse
import json
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.table import Table

from meterd.adapters.planfile.loader import load_plan, load_tariff, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.texts.wording import say
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.output import Line, terminal, write
from meterd.core.energy.what_if_year import Question, WhatIf, assumptions, figures, what_if
from meterd.core.errors import ConfigError

DONE = 0
DIVISORS = {"Wh": (1000, "kWh"), "W": (1000, "kW")}


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "what-if", _what_if, store=True, formats=("table", "csv", "json"))
    parser.add_argument(
        "--year", type=int, metavar="YEAR", help="calendar year; default: the one that is known longest"
    )
    for option, unit, text in (
        ("--contract", "KW", "another contracted power: how often is it passed?"),
        ("--pv", "KWP", "so much more PV, producing as the roof of the site does"),
        ("--pv-installed", "KWP", "what the PV of the site has; default: from its best interval, taken as 85 %% of it"),
        ("--battery", "KWH", "a battery that is charged with export and gives back import, 95 %% each way"),
        ("--battery-power", "KW", "what it takes and gives at most; default: its size in two hours"),
    ):
        parser.add_argument(option, metavar=unit, type=_size, help=text)
    parser.add_argument(
        "--tariff", type=Path, metavar="FILE", help="a .toml file with [[tariff]] rows of another tariff"
    )


def _size(text: str) -> Fraction:
    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write one such as 50 or 12.5") from None


def _what_if(arguments: argparse.Namespace) -> int:
    site = load_plan(arguments.plan).site
    question = Question(
        year=arguments.year,
        contract_kw=arguments.contract,
        more_kwp=arguments.pv or Fraction(0),
        installed_kwp=arguments.pv_installed,
        battery_kwh=arguments.battery or Fraction(0),
        battery_kw=arguments.battery_power,
        tariff=None if arguments.tariff is None else load_tariff(arguments.tariff, site),
    )
    if question == Question(year=arguments.year):
        raise ConfigError("nothing is to be different: name --contract, --pv, --battery or --tariff")
    with open_to_read(arguments.store or store_path(arguments.plan, site)) as store:
        answer = what_if(store, site, question, WallClock().now_ms())
    lines = list(_lines(answer))
    texts = [say("en", f"what-if.{key}", **values) for key, values in assumptions(answer, ZoneInfo(site.zone))]
    if arguments.format == "json":
        print(json.dumps({"year": answer.year, "figures": lines, "assumptions": texts}, indent=1))
    elif arguments.format == "csv":
        write(lines, "csv", terminal(), title="", empty="")
    else:
        terminal().print(_table(answer))
        for sentence in texts:
            terminal().print(f"- {sentence}")
    return DONE


def _lines(answer: WhatIf) -> Iterator[Line]:
    for figure in figures(answer):
        yield {"figure": figure.key, "unit": figure.unit, "before": figure.before, "after": figure.after}


def _table(answer: WhatIf) -> Table:
    table = Table(title=f"Estimate for {answer.year}", title_justify="left", box=None, pad_edge=False)
    table.add_column("figure")
    for name in ("as it was", "what if", "difference"):
        table.add_column(name, justify="right")
    table.add_column("unit")
    for figure in figures(answer):
        divisor, unit = DIVISORS.get(figure.unit, (1, figure.unit))
        digits = 0 if figure.key == "above" else 2 if figure.key == "bill" else 1
        change = None if figure.before is None or figure.after is None else figure.after - figure.before
        cells = ["" if v is None else f"{v / divisor:,.{digits}f}" for v in (figure.before, figure.after, change)]
        table.add_row(say("en", f"what-if.{figure.key}"), *cells, unit)
    return table
