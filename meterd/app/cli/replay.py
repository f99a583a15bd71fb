"""`meterd replay`: old readings through the same computation, into tables or into a store."""

import argparse
import csv
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import astuple, fields
from pathlib import Path

from meterd.adapters.planfile.loader import Plan, load_plan
from meterd.adapters.planfile.read import MAPPING_FILE
from meterd.adapters.runtime.clock import WallClock
from meterd.app.cli.commands import CAUTIONS, Subparsers, command
from meterd.app.cli.output import say
from meterd.app.cli.shown_registers import readings
from meterd.app.operations.history_files import Shape, column_map
from meterd.app.operations.replay_tables import into_folder
from meterd.app.operations.replay_work import Report, Step, Work, prepare
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import text
from meterd.core.model.reading import EXPORT, REGISTERS, LeftOut
from meterd.core.registers.corrections import Correction
from meterd.core.reports.import_report import ImportReport, open_end

DONE = 0
SET_HELP = "one key of a mapping file, such as date_order=day-month-year, decimal=, or label=end; repeat"


def add(commands: Subparsers) -> None:
    """The command and its options."""
    replay = command(commands, "replay", _replay, epilog=CAUTIONS)
    replay.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="FILE",
        help="CSV, Parquet, .xlsx, .ods, also packed; what `meterd columns` shows is what is read",
    )
    replay.add_argument(
        "--columns",
        type=Path,
        metavar="MAPPING",
        help="mapping file of the columns; `meterd columns --write` makes one",
    )
    replay.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help=SET_HELP)
    replay.add_argument("--out", type=Path, metavar="FOLDER", help="write tables of energies, balances and PV there")
    replay.add_argument("--format", choices=("csv", "parquet"), default="csv", help="of those tables (default: csv)")
    replay.add_argument("--into", type=Path, metavar="STORE", help="write readings and figures into this store instead")
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
    replay.add_argument(
        "--no-export",
        action="append",
        default=[],
        metavar="POINT[=READING]",
        help="the files lack 2.8.0 of that point because it exported nothing then; READING is what the register showed",
    )


def _replay(arguments: argparse.Namespace) -> int:

    if (arguments.out is None) == (arguments.into is None):
        raise ConfigError("give a place for the result: --out FOLDER for tables, or --into STORE")
    if arguments.report is not None and arguments.into is None:
        raise ConfigError("--report describes an import: give it together with --into")
    plan = load_plan(arguments.plan)
    corrections = _corrections(arguments.corrections)
    columns = column_map(arguments.map)
    standing = _no_export(arguments.no_export)
    shape = _shape(arguments)
    work = prepare(plan, arguments.files, arguments.source, columns, corrections, no_export=standing, shape=shape)
    for line in work.history.mappings:
        print(line)
    with work.history, _progress(len(work.channels)) as step:
        if arguments.out is not None:
            report = into_folder(work, arguments.out, arguments.format, step)
        else:
            report = _into_store(work, arguments.into, step)
    _say_replay(report, arguments.out or arguments.into)
    _list_left_out(report, arguments.out, arguments.into)
    if arguments.report is not None:
        _write_report(plan, report, arguments.report)
    return DONE


def _corrections(store: Path | None) -> tuple[Correction, ...]:
    if store is None:
        return ()
    from meterd.app.operations.batch_import import corrections_of

    return corrections_of(store)


def _into_store(work: Work, store: Path, step: Step) -> Report:
    from meterd.app.operations.batch_import import into_store

    return into_store(work, store, WallClock().now_ms(), step)


@contextmanager
def _progress(registers: int) -> Iterator[Step]:
    """A bar that goes on with each register, where a person can see it."""
    if not sys.stderr.isatty():
        yield lambda _channel: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True)) as progress:
        task = progress.add_task("registers", total=registers)
        yield lambda channel: progress.update(task, advance=1, description=channel[0])


def _shape(arguments: argparse.Namespace) -> Shape:
    """The mapping file that is named, else the one in the plan folder."""
    own = arguments.plan / MAPPING_FILE
    mapping = arguments.columns or (own if own.is_file() else None)
    asked = arguments.columns is not None or bool(arguments.set)
    return Shape(mapping, tuple(arguments.set), asked)


def _no_export(texts: Sequence[str]) -> dict[str, int | None]:
    """Points without export, with what their register showed where that is said."""
    pairs = [item.partition("=") for item in texts]
    return {
        point: readings(shown, [EXPORT], f"--no-export {point}")[EXPORT] if sign else None
        for point, sign, shown in pairs
    }


def _say_replay(report: Report, where: Path) -> None:

    say(f"{report.readings} readings from {text(report.first_ms)} to {text(report.until_ms)} -> {where}")
    if message := open_end(report.last_ms, report.until_ms):
        say(message)
    if report.events:
        say("decided: " + ", ".join(f"{kind} {count}" for kind, count in sorted(report.events.items())))
    for finding in report.checks:
        say(f"check: {finding.text}")
        say(f"  {finding.remedy}")
    if report.refused:
        say(f"refused: {report.refused} values, for example")
        for sample in report.samples[:10]:
            say(f"  {sample}")
    for (point, register), count in report.beyond.items():
        message = (
            f"{point} {REGISTERS[register].name}: {count} readings are at or above register_max_wh and count nothing"
        )
        say(f"{message}; correct it in instruments.csv if the register has more digits")
    for name, rows in list(report.strangers.items())[:10]:
        say(f"not in the plan: {name}, {rows} rows left out")


def _list_left_out(report: Report, folder: Path | None, store: Path | None) -> None:
    """Every cell and row that is not read as a CSV file in the folder or beside the store, and how many of which kind."""
    if not report.left_out:
        return
    path = folder / "left-out.csv" if folder else store.with_name(f"{store.stem}.left-out.csv") if store else Path()
    kinds = Counter((cell.reason, bool(cell.column)) for cell in report.left_out)
    for (reason, is_cell), count in kinds.most_common(10):
        say(f"left out: {count} {'values' if is_cell else 'rows'}: {reason}")
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow([item.name for item in fields(LeftOut)])
            writer.writerows(astuple(cell) for cell in report.left_out)
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc.strerror}") from exc
    say(f"all of them with file, row, column and value: {path}")


def _write_report(plan: Plan, report: Report, path: Path) -> None:
    """The check report of an import: JSON if the name ends so, else text. StoreError if the file cannot be written."""
    limits = plan.site.limits
    made = ImportReport(
        plan.site.name,
        plan.fingerprint,
        WallClock().now_ms(),
        gap_s=limits.gap_exact_s,
        registers=report.registers,
        decided=report.decided,
        strangers=report.strangers,
        figures_until_ms=report.until_ms,
        checks=report.checks,
    )
    lines = json.dumps(made.as_json(), indent=1) if path.suffix == ".json" else "\n".join(made.lines())
    try:
        path.write_text(lines + "\n", encoding="utf-8")
    except OSError as exc:
        raise StoreError(f"cannot write the report {path}: {exc}") from exc
