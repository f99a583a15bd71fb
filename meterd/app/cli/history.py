"""`meterd history`: figures of many sites over years, from their archives."""

import argparse
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.adapters.archive.target import Login
from meterd.adapters.cluster.workers import usual, workers
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.secret import secret
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.output import Line, terminal, write
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period

if TYPE_CHECKING:
    from meterd.app.operations.history import PlanFile

DONE, FAILED = 0, 1
OF_A_MONTH = (Period.INTERVAL, Period.HOUR, Period.DAY, Period.MONTH)  # a month has them whole
NAMED = 20
TITLES = {
    "energy": "Energy per {period}",
    "balance": "Feed side against outgoing side per {period}; band: what the instruments explain (k = 2)",
    "demand": "Maximum demand per month, mean of an interval",
    "pv": "PV per {period}",
    "drift": "Drift: which meter is suspect at each site",
    "comparison": "Energies of the sites per {period}, the largest first, beside the {period} before",
}
STUDIES = ("drift", "comparison")  # of whole sites, with their plans
COMPARED = (Period.MONTH, Period.YEAR)


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "history", _history, plan="", formats=("table", "csv", "json"))
    parser.add_argument(
        "archives", nargs="+", metavar="ARCHIVE", help="a folder or an address such as ftp://host/folder"
    )
    parser.add_argument("--show", choices=tuple(TITLES), default="energy", help="default: energy")
    parser.add_argument(
        "--plan", action="extend", nargs="+", default=[], type=Path, metavar="PLAN",
        help="plans of sites; drift and comparison need them; else the figures of these sites are made once more from the "
        "archived readings by their plans, and compared",
    )  # fmt: skip
    parser.add_argument("--site", action="append", default=[], metavar="NAME", help="only this site; repeat for more")
    parser.add_argument(
        "--period", choices=[p.value for p in Period], default="month", help="length of a line (default: month)"
    )
    parser.add_argument("--from", default="", metavar="MONTH", help="2026 or 2026-03: the first month")
    parser.add_argument("--until", default="", metavar="MONTH", help="the same, exclusive; default: all there is")
    parser.add_argument(
        "--workers",
        type=int,
        default=usual(),
        metavar="N",
        help="processes at work; 1: this one (default: %(default)s)",
    )
    parser.add_argument("--cluster", default="", metavar="tcp://HOST:PORT", help="a running scheduler of dask instead")
    parser.add_argument("--username", default="", metavar="NAME", help="for archives on a server")
    parser.add_argument("--password-file", default="", metavar="FILE", help="the same")


def _history(arguments: argparse.Namespace) -> int:
    from meterd.app.operations.history import Place, Question, ask

    if arguments.workers < 1:
        raise ConfigError(f"--workers {arguments.workers}: write 1 or more")
    question = Question(
        arguments.show,
        Period(arguments.period),
        _month(getattr(arguments, "from"), "--from"),
        _month(arguments.until, "--until"),
    )
    study = question.show in STUDIES
    if study and not arguments.plan:
        raise ConfigError(f"--show {question.show} needs the plans of the sites: add --plan PLAN PLAN ...")
    if question.show == "comparison" and question.period not in COMPARED:
        raise ConfigError(f"--show comparison and --period {question.period}: write one of {', '.join(COMPARED)}")
    if not study and arguments.plan and question.period not in OF_A_MONTH:
        raise ConfigError(f"--plan and --period {question.period}: write one of {', '.join(OF_A_MONTH)}")
    login = Login(arguments.username, _password(arguments.password_file))
    places = [Place(_absolute(url), login) for url in arguments.archives]
    lines: list[Line] = []
    troubles: list[str] = []
    differing: list[str] = []
    compared = 0
    with workers(arguments.workers, arguments.cluster) as spread:
        for answer in ask(places, arguments.site, question, spread, plans=_plans(arguments.plan)):
            lines += answer.lines
            troubles += answer.troubles
            differing += answer.differing
            compared += answer.compared
    title = TITLES[question.show].format(period=question.period)
    write(lines, arguments.format, terminal(), title=f"{title} (local to each site)", empty="no figures in that span")
    for text in dict.fromkeys(troubles):
        print(text, file=sys.stderr)
    if arguments.plan and not study:
        print(f"{compared} interval figures made once more, {len(differing)} differ from the archive", file=sys.stderr)
    for text in differing[:NAMED]:
        print(f"  {text}", file=sys.stderr)
    return FAILED if troubles or differing else DONE


def _plans(paths: list[Path]) -> "dict[str, PlanFile]":
    from meterd.app.operations.history import PlanFile

    loaded = [(load_plan(path), path.absolute()) for path in paths]
    return {plan.site.name: PlanFile(str(path), plan.fingerprint) for plan, path in loaded}


def _month(text: str, option: str) -> str:
    if text and not re.fullmatch(r"\d{4}(-(0[1-9]|1[0-2]))?", text):
        raise ConfigError(f"cannot read {option} {text!r}: write 2026 or 2026-03")
    return text


def _absolute(url: str) -> str:
    """A folder by its whole path: workers may run in another one."""
    return url if "://" in url else str(Path(url).absolute())


def _password(file: str) -> str:
    return secret("", file, "the password of the archive")
