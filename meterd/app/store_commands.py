"""`meterd export`, `backup`, `restore` and `retain`: the store of a plan out of it, back into it, and made smaller."""

import argparse
import zoneinfo
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.errors import ConfigError
from meterd.interval import text

if TYPE_CHECKING:
    from meterd.app.config import Plan
    from meterd.app.export import Span
    from meterd.app.replay import Report
    from meterd.store.backup import Copy

DONE = 0
Commands = argparse._SubParsersAction


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """The commands and their options."""
    words = "write readings and figures as Parquet or CSV, one file per month, with a description"
    export = _add(commands, "export", _export, words)
    export.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="a new folder")
    export.add_argument("--from", metavar="WHEN", help="2026, 2026-03, 2026-03-29 (local) or 2026-03-29T10:00:00Z")
    export.add_argument("--until", metavar="WHEN", help="the same, exclusive; default: all there is")
    export.add_argument("--format", choices=("parquet", "csv"), default="parquet", help="default: parquet")
    export.add_argument(
        "--only",
        action="append",
        default=[],
        choices=("readings", "energy", "balance", "pv"),
        help="this table; repeat",
    )
    backup = _add(commands, "backup", _backup, "copy the store as it stands, also while the daemon runs")
    backup.add_argument("file", type=Path, metavar="FILE", help="where to; an older backup there is replaced")
    restore = _add(commands, "restore", _restore, "put a backup in the place of the store; the daemon must be stopped")
    restore.add_argument("file", type=Path, metavar="FILE", help="the backup")
    words = "delete old readings whose figures and archive are verified; the daemon must be stopped"
    retain = _add(commands, "retain", _retain, words)
    retain.add_argument(
        "--keep", type=int, required=True, metavar="DAYS", help="days of readings that stay, 62 or more"
    )
    retain.add_argument("--archive", type=Path, metavar="FOLDER", help="a new folder for what goes; with --delete")
    retain.add_argument("--delete", action="store_true", help="do it; without, only say what would go")


def _add(
    commands: "Commands[argparse.ArgumentParser]", name: str, work: Callable[[argparse.Namespace], int], words: str
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
    parser.set_defaults(work=work)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
    parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
    return parser


def _plan_and_store(arguments: argparse.Namespace) -> "tuple[Plan, Path]":
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path

    plan = load_plan(arguments.plan)
    return plan, arguments.store or store_path(arguments.plan, plan.site)


def _now_ms() -> int:
    from meterd.app.clock import WallClock

    return WallClock().now_ms()


def _export(arguments: argparse.Namespace) -> int:
    from meterd.app.export import COLUMNS, Wanted, export

    plan, store = _plan_and_store(arguments)
    tables = tuple(arguments.only) or tuple(COLUMNS)
    wanted = Wanted(tables, _span(arguments, plan, store), arguments.format)
    files = export(plan, store, arguments.out, wanted, _now_ms())
    for table in tables:
        rows = sum(file.rows for file in files if file.table == table)
        print(f"{table}: {rows} rows in {sum(file.table == table for file in files)} files")
    return DONE


def _span(arguments: argparse.Namespace, plan: "Plan", store: Path) -> "Span | None":
    from meterd.app.export import Span
    from meterd.app.query import moment
    from meterd.store.archive import ArchiveReader

    low, high = getattr(arguments, "from"), arguments.until
    if low is None and high is None:
        return None
    reader = ArchiveReader(store)
    try:
        first, last = reader.span() or (0, 0)
    finally:
        reader.close()
    zone = zoneinfo.ZoneInfo(plan.site.zone)
    span = Span(moment(low, zone, "--from") if low else first, moment(high, zone, "--until") if high else last)
    if span.from_ms >= span.until_ms:
        raise ConfigError(f"--from {text(span.from_ms)} is not before --until {text(span.until_ms)}")
    return span


def _backup(arguments: argparse.Namespace) -> int:
    from meterd.store.backup import backup

    _, store = _plan_and_store(arguments)
    print(f"{arguments.file}: {_described(backup(store, arguments.file))}")
    return DONE


def _described(copy: "Copy") -> str:
    newest = "none" if copy.newest_ms is None else text(copy.newest_ms)
    closed = "" if copy.closed_to_ms is None else f", figures until {text(copy.closed_to_ms)}"
    return f"{copy.readings} readings, the newest of {newest}{closed}; read whole, sound"


def _restore(arguments: argparse.Namespace) -> int:
    from meterd.store.backup import inspect, restore

    plan, store = _plan_and_store(arguments)
    points = {point.name for point in plan.site.points}
    copy = inspect(arguments.file)
    if copy.points and not copy.points & points:
        some = ", ".join(sorted(copy.points)[:3])
        raise ConfigError(f"{arguments.file} is of another site: it has points such as {some}, and none of this plan")
    copy, aside = restore(arguments.file, store, f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    print(f"{store}: {_described(copy)}")
    if aside is not None:
        print(f"the store that was there is kept as {aside}")
    print("start the daemon: it goes on from there; what files still hold of the time since comes in by replay --into")
    return DONE


def _retain(arguments: argparse.Namespace) -> int:
    from meterd.app.old_readings import LEAST_DAYS, cut_of, verify_figures
    from meterd.app.retention import archive, retain
    from meterd.store.sqlite import SqliteStore

    if arguments.keep < LEAST_DAYS:
        raise ConfigError(f"--keep {arguments.keep} is too few: write {LEAST_DAYS} or more")
    if arguments.delete and arguments.archive is None:
        raise ConfigError("say where the copy of what goes is written: --archive FOLDER")
    plan, path = _plan_and_store(arguments)
    store = SqliteStore.writer(path)
    try:
        now_ms = _now_ms()
        cut = cut_of(store, plan.site, arguments.keep, now_ms)
        if not cut.total:
            print(f"nothing to delete before {text(cut.before_ms)}")
            return DONE
        compared = verify_figures(store, plan.site, cut)
        print(f"{compared} figures of {len(cut.readings)} registers are what their readings give")
        if not arguments.delete:
            print(f"{cut.total} readings before {text(cut.before_ms)} would go; with --delete --archive FOLDER they do")
            return DONE
        archive(plan, path, arguments.archive, cut, now_ms)
        gone = retain(store, cut)
    finally:
        store.close()
    print(f"{gone} readings before {text(cut.before_ms)} deleted, kept in {arguments.archive}")
    print(f"figures before {text(cut.figures_from_ms)} are final now; the room is used again for new readings")
    return DONE


def write_report(plan: "Plan", report: "Report", path: Path) -> None:
    """The check report of an import."""
    from meterd.app.import_report import ImportReport

    limits = plan.site.limits
    ImportReport(
        plan.site.name, plan.fingerprint, _now_ms(), limits.gap_exact_s, report.registers, report.decided,
        report.strangers, report.until_ms,
    ).write(path)  # fmt: skip
