"""Every command: the module that carries it out, and what it does in one line.

A module is loaded only when one of its commands is called: the help of all of them needs none.
"""

import argparse
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TypeAlias

CAUTIONS = (
    "Meters in a main distribution are worked on by qualified people with the board dead; a value on a screen never proves"
    " a part dead. Local codes and licensed practice decide."
)
COMMANDS = {
    "init": ("init", "make a plan from a list of meters (spreadsheet or CSV), a broker or a Modbus line"),
    "check": ("plan", "check a metering plan: every fault at once, or a summary on one screen"),
    "run": ("run", "run the daemon until SIGTERM or Ctrl+C"),
    "replay": ("replay", "send old readings (CSV, workbooks, Parquet) through the same computation"),
    "columns": ("columns", "show which column of a file is which point and register, and five rows as they are read"),
    "balance": ("figures", "show feed side, outgoing side, residual, band and verdict of each board"),
    "energy": ("figures", "show energies of points per interval, hour, day, week, month or year"),
    "what-if": ("what_if", "estimate the site's own year with more PV, a battery, another contract or tariff"),
    "savings": (
        "savings",
        "show what a measure saved: measured days against a baseline by regression, with uncertainty",
    ),
    "topics": ("plan", "list every topic with unit, meaning and validity"),
    "findings": ("findings", "list findings, mark them as seen, explained or closed, and announce planned work"),
    "export": ("store", "write readings and figures as Parquet or CSV, one file per month, with a description"),
    "backup": ("store", "copy the store as it stands, also while the daemon runs"),
    "verify": (
        "store",
        "compare every row of the store with the digests made when it was written, or with the archive",
    ),
    "restore": ("store", "replace the store by a backup, or by one made from an archive; the daemon must be stopped"),
    "archive": (
        "store",
        "write the closed months as Parquet into a folder or onto a file server; changed ones once more",
    ),
    "history": ("history", "show energies, balances, demand or PV of many sites over years, from their archives"),
    "jobs": ("jobs", "list what happens by the calendar: last run, next run, result; --run does one of them now"),
    "upgrade": ("upgrade", "say what this version would change for a plan and its store, and change nothing"),
    "retain": (
        "store",
        "delete old readings whose figures and archive are verified; with --delete the daemon must be stopped",
    ),
    "lines": ("lines", "list the lines that the time-series database refused, or send them again"),
    "user": ("users", "list, add, change and remove user accounts of the page"),
    "shares": ("shares", "show who may take how much of the surplus now and why, or the result of a week"),
    "pv-shares": (
        "shares",
        "divide the PV energy of a month among tenants, areas or points by the key of the plan",
    ),
    "suspects": (
        "drift",
        "show which meter is suspect, since when, by how much, how sure, and which other causes fit",
    ),
    "visible-error": ("drift", "show the smallest error of each meter that can be detected after 7, 30 and 365 days"),
    "drill": (
        "drift",
        "plant a fault in a copy of the site's own history: when is it detected, and when is its meter named?",
    ),
    "report": ("documents", "write the month's or year's report as PDF and workbook"),
    "cost-allocation": ("documents", "divide costs among tenants by [[allocation]] of the plan"),
    "acceptance": ("documents", "write the acceptance form of a point or a board as PDF"),
    "documents": ("documents", "write metering points and meter schedule from the plan"),
    "labels": ("documents", "write labels for meters and terminals, with QR codes, as PDF"),
    "correct": (
        "correct",
        "correct the energy of a register between two moments by a factor, or one reading; original readings never change",
    ),
    "exchange": (
        "exchange",
        "record the exchange of a meter: closing and opening reading, the new instrument; asks for what the options do not give",
    ),
    "rename": (
        "rename",
        "give a point a new name in all files of the plan; its history continues, and the old name still finds it",
    ),
    "patterns": ("patterns", "show what patterns shared by several sites would change at each; --take takes them over"),
    "probe": ("probe", "read one instrument once: registers in every word order, ratio and sign"),
    "clock-change": (
        "clock_change",
        "show the next change of the clocks and which periods close around it; verify the last one from the store",
    ),
    "fleet": ("fleet", "list the sites on one or more brokers: version, live or gone, heartbeat, epoch, open findings"),
    "health": ("fleet", "show the state of a running daemon, asked by its page; exit code 1 if it is not alive"),
    "help": ("help", "print a reference: plan, sources, topics, page, documents, operations, service"),
    "demo": ("demo", "run a simulated site, an embedded broker and the daemon, all in one"),
}
Subparsers: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def add_all(commands: Subparsers, called: str | None) -> None:
    """The command that is called with its options; if none of ours is, the names of all."""
    if called in COMMANDS:
        import_module(f"meterd.app.cli.{COMMANDS[called][0]}").add(commands)
        return
    for name, (_, text) in COMMANDS.items():
        commands.add_parser(name, help=text)


def command(
    commands: Subparsers,
    name: str,
    work: Callable[[argparse.Namespace], int],
    *,
    plan: str = "plan folder, or a single .toml file",
    store: bool = False,
    formats: tuple[str, ...] = (),
    epilog: str = "",
) -> argparse.ArgumentParser:
    """A command with the options that many share: the plan (unless its help is empty), `--store`, `--format`."""
    _, text = COMMANDS[name]
    parser = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".", epilog=epilog)
    parser.set_defaults(work=work)
    if plan:
        parser.add_argument("plan", type=Path, metavar="PLAN", help=plan)
    if store:
        parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: that of the plan")
    if formats:
        help_ = "default: table, in kWh" if "csv" in formats else f"default: {formats[0]}"
        parser.add_argument("--format", choices=formats, default=formats[0], help=help_)
    return parser
