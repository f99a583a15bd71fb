"""`meterd export`, `backup`, `archive`, `restore` and `retain`: the store out, back, and made smaller."""

import argparse
import zoneinfo
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.adapters.planfile.loader import Plan, load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.backup import Copy, inspect
from meterd.adapters.store.dump import ArchiveReader
from meterd.adapters.store.opening import open_to_read, open_to_write
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.store.reading_connection import REMEDY
from meterd.app.cli.commands import Subparsers, command
from meterd.app.operations.people import backup_with_people, restore_with_people
from meterd.app.operations.question import moment
from meterd.app.operations.retention_check import Cut, cut_of, verify_figures
from meterd.core.errors import ConfigError
from meterd.core.model.periods import text
from meterd.core.model.plan import LEAST_DAYS, Site

if TYPE_CHECKING:
    from meterd.app.operations.export import Span

DONE = 0
MOST_DAYS = 36_525
FAILED, NAMED = 1, 20


def add(commands: Subparsers) -> None:
    """The commands and their options."""
    export = command(commands, "export", _export, store=True)
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
    backup = command(commands, "backup", _backup, store=True)
    backup.add_argument("file", type=Path, metavar="FILE", help="where to; an older backup there is replaced")
    place = "a folder or an address such as ftp://host/folder; default: archive_url of the plan"
    verify = command(commands, "verify", _verify, store=True)
    verify.add_argument("--archive", nargs="?", const="", metavar="PLACE", help=f"compare with the archive at {place}")
    archive = command(commands, "archive", _archive, store=True)
    archive.add_argument("--to", default="", metavar="PLACE", help=place)
    restore = command(commands, "restore", _restore, store=True)
    restore.add_argument("file", type=Path, nargs="?", metavar="FILE", help="the backup")
    restore.add_argument("--archive", nargs="?", const="", metavar="PLACE", help=f"make it from the archive at {place}")
    restore.add_argument("--until", default="", metavar="YYYY-MM", help="with --archive: the last month")
    retain = command(commands, "retain", _retain, store=True)
    retain.add_argument(
        "--keep", type=int, required=True, metavar="DAYS", help="days of readings that stay, 62 or more"
    )
    retain.add_argument(
        "--archive", type=Path, metavar="FOLDER", help="a new folder for the deleted readings; with --delete"
    )
    retain.add_argument("--delete", action="store_true", help="delete them; without this option they are only counted")


def _plan_and_store(arguments: argparse.Namespace) -> tuple[Plan, Path]:
    plan = load_plan(arguments.plan)
    return plan, arguments.store or store_path(arguments.plan, plan.site)


def _now_ms() -> int:
    return WallClock().now_ms()


def _export(arguments: argparse.Namespace) -> int:
    from meterd.app.operations.export import COLUMNS, ExportRequest, export

    plan, store = _plan_and_store(arguments)
    tables = tuple(arguments.only) or tuple(COLUMNS)
    wanted = ExportRequest(tables, _span(arguments, plan, store), arguments.format)
    files = export(plan, store, arguments.out, wanted, _now_ms())
    for table in tables:
        rows = sum(file.rows for file in files if file.table == table)
        print(f"{table}: {rows} rows in {sum(file.table == table for file in files)} files")
    return DONE


def _span(arguments: argparse.Namespace, plan: Plan, store: Path) -> "Span | None":
    from meterd.app.operations.export import Span

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
    _, store = _plan_and_store(arguments)
    print(f"{arguments.file}: {_described(backup_with_people(store, arguments.file))}")
    return DONE


def _archive(arguments: argparse.Namespace) -> int:
    from meterd.app.operations.archive import archive_months, in_words, target_of

    plan, store = _plan_and_store(arguments)
    target = target_of(plan, arguments.to)
    written = archive_months(plan, store, target, _now_ms())
    for month in written:
        rows = sum(file.rows for file in month.files.values())
        print(f"{month.month} version {month.version}: {rows} rows")
    print(f"{target.url}: {in_words(written)}")
    return DONE


def _compare(arguments: argparse.Namespace, plan: Plan, store: Path) -> int:
    from meterd.app.operations.archive import target_of
    from meterd.app.operations.archive_check import compare

    target = target_of(plan, arguments.archive)
    result = compare(store, plan.site, target)
    for message in result.faults:
        print(message)
    same = "is not what the store holds" if result.faults else "is what the store holds"
    print(f"{target.url}: {result.months} months, {result.rows} rows compared: the archive {same}")
    return FAILED if result.faults else DONE


def _verify(arguments: argparse.Namespace) -> int:
    plan, store = _plan_and_store(arguments)
    if arguments.archive is not None:
        return _compare(arguments, plan, store)
    copy = inspect(store, REMEDY)
    print(f"{store}: {_described(copy)}")
    for message in copy.changed[:NAMED]:
        print(f"  {message}")
    if copy.undigested:
        print(f"the newest {copy.undigested} readings have no digest yet; they get one within the hour")
    if not copy.head:
        print("it is of an earlier version and has no digests; the daemon creates them at its next start")
    return FAILED if copy.changed else DONE


def _described(copy: Copy) -> str:
    newest = "none" if copy.newest_ms is None else text(copy.newest_ms)
    closed = "" if copy.closed_to_ms is None else f", figures until {text(copy.closed_to_ms)}"
    sound = f"sound{', digest ' + copy.head if copy.head else ''}"
    if copy.changed:
        sound = f"NOT what was written: {'; '.join(copy.changed[:NAMED])}"
    return f"{copy.readings} readings, the newest of {newest}{closed}; read whole, {sound}"


def _restore(arguments: argparse.Namespace) -> int:
    plan, store = _plan_and_store(arguments)
    if (arguments.file is None) == (arguments.archive is None):
        raise ConfigError("name a backup, or an archive with --archive, one of them")
    if arguments.archive is not None:
        return _restore_archive(arguments, plan, store)
    points = {point.name for point in plan.site.points}
    copy = inspect(arguments.file)
    if copy.points and not copy.points & points:
        some = ", ".join(sorted(copy.points)[:3])
        raise ConfigError(f"{arguments.file} is of another site: it has points such as {some}, and none of this plan")
    copy, aside = restore_with_people(arguments.file, store, _stamp())
    return _print_restored(store, copy, aside)


def _restore_archive(arguments: argparse.Namespace, plan: Plan, store: Path) -> int:
    from meterd.app.operations.archive import target_of
    from meterd.app.operations.archive_check import rebuild

    target = target_of(plan, arguments.archive)
    return _print_restored(store, *rebuild(store, plan.site, target, _stamp(), arguments.until))


def _stamp() -> str:
    return f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}"


def _print_restored(store: Path, copy: Copy, aside: Path | None) -> int:
    print(f"{store}: {_described(copy)}")
    if aside is not None:
        print(f"the previous store is now {aside}")
    print("start the daemon: it continues from there; import later readings from files with replay --into")
    return DONE


def _retain(arguments: argparse.Namespace) -> int:
    from meterd.app.operations.retention import archive, retain

    if arguments.keep < LEAST_DAYS:
        raise ConfigError(f"--keep {arguments.keep} is too few: write {LEAST_DAYS} or more")
    if arguments.keep > MOST_DAYS:
        raise ConfigError(f"--keep {arguments.keep} is too many: write at most {MOST_DAYS}, which are a hundred years")
    if arguments.delete and arguments.archive is None:
        raise ConfigError("give a folder for the archive of the deleted readings: --archive FOLDER")
    plan, path = _plan_and_store(arguments)
    now_ms = _now_ms()
    if not arguments.delete:  # who only looks need not be the one that writes
        with open_to_read(path) as store:
            cut = _verified(store, plan.site, arguments.keep, now_ms)
        if cut.total:
            message = "can be deleted; --delete --archive FOLDER deletes them"
            print(f"{cut.total} readings before {text(cut.before_ms)} {message}")
        return DONE
    with open_to_write(path) as writer:
        cut = _verified(writer, plan.site, arguments.keep, now_ms)
        if not cut.total:
            return DONE
        archive(plan, path, arguments.archive, cut, now_ms)
        gone = retain(writer, cut)
    print(f"{gone} readings before {text(cut.before_ms)} deleted, archived in {arguments.archive}")
    print(f"figures before {text(cut.figures_from_ms)} are final now; the space is used again for new readings")
    return DONE


def _verified(store: ReadStore, site: Site, keep_days: int, now_ms: int) -> Cut:
    """What may go, its figures recalculated and compared; nothing where it has no readings."""
    cut = cut_of(store, site, keep_days, now_ms)
    if not cut.total:
        print(f"nothing to delete before {text(cut.before_ms)}")
        return cut
    compared = verify_figures(store, site, cut)
    print(f"{compared} figures of {len(cut.readings)} registers are what their readings give")
    return cut
