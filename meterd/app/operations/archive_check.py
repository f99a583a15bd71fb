"""A store compared with its archive, row by row; and a store rebuilt from an archive alone."""

from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from itertools import pairwise, zip_longest
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

from meterd.adapters.archive.target import ArchiveTarget
from meterd.adapters.store.backup import Copy, inspect, restore
from meterd.adapters.store.month_rows import READINGS, STATE, MonthRows, Refill, Row
from meterd.adapters.store.opening import open_to_write
from meterd.app.operations.archive import closed_months, newest_months
from meterd.app.operations.archive_tables import TABLES, read_rows
from meterd.core.errors import StoreError
from meterd.core.model.archived_month import ArchivedFile, ArchivedMonth, spans_of
from meterd.core.model.plan import Site
from meterd.core.registers.corrections import FIGURES_FROM

TRIES_NEXT = "meterd archive PLAN writes it from the store"


@dataclass(slots=True)
class Comparison:
    """What a comparison has found: how much is the same, and what is not, in words."""

    months: int = 0
    rows: int = 0
    faults: list[str] = field(default_factory=list)


def compare(path: Path, site: Site, target: ArchiveTarget) -> Comparison:
    """Every archived month against its SHA-256 and the rows of the store; closed months that are not archived."""
    result, archived = Comparison(), newest_months(target, site.name)
    names = {month.month for month in archived}
    lacking = [month.name for month in closed_months(path, site) if month.name not in names]
    if lacking:
        result.faults.append(f"not archived: {', '.join(lacking)}; {TRIES_NEXT}")
    with closing(MonthRows(path)) as rows, TemporaryDirectory(prefix=".archive-", dir=path.parent) as work:
        for month in archived:
            result.months += 1
            for table, file in month.files.items():
                _compare_file(
                    month, table, file, result=result, sides=_Sides(target, rows, Path(work) / "rows.parquet")
                )
    return result


@dataclass(frozen=True, slots=True)
class _Sides:
    """What is compared: an archive, by way of a file on this machine, and the rows of a store."""

    target: ArchiveTarget
    rows: MonthRows
    work: Path


def _compare_file(month: ArchivedMonth, table: str, file: ArchivedFile, *, result: Comparison, sides: _Sides) -> None:
    what = f"{table} of {month.month}, version {month.version}"
    if table not in TABLES:
        return  # of a later version, beside what we know
    if file.rows:
        digest = sides.target.fetch(file.path, sides.work)
        if digest != file.sha256:
            how = "is missing" if digest is None else "is not what was written"
            result.faults.append(f"{what}: {file.path} {how}; {TRIES_NEXT}")
            return
    if table == STATE:
        return  # it has gone on
    written: Iterator[Row] = read_rows(sides.work, table) if file.rows else iter(())
    spans = spans_of((month.from_ms, month.until_ms), ZoneInfo(month.zone), month.interval_s * 1000)
    if table == READINGS and month.until_ms <= int(sides.rows.fact(FIGURES_FROM) or 0):
        lacking = not_archived(sides.rows.rows(table, spans), written)  # others may have left the store
        result.faults += [] if lacking is None else [f"{what}: lacks {lacking}; {TRIES_NEXT}"]
        return
    for ours, theirs in zip_longest(sides.rows.rows(table, spans), written):
        result.rows += 1
        if ours != theirs:
            first = f"{ours or 'no row'} in the store, {theirs or 'no row'} in the archive"
            result.faults.append(f"{what}: differs, first in {first}; {TRIES_NEXT}")
            return


def not_archived(rows: Iterator[Row], archived: Iterator[Row]) -> Row | None:
    """The first row that is not among the archived ones; both are in the same order."""
    return next((row for row in rows if row not in archived), None)


# -- a store from an archive -------------------------------------------------------------------------------------------


def rebuild(path: Path, site: Site, target: ArchiveTarget, stamp: str, until: str = "") -> tuple[Copy, Path | None]:
    """Put a store that is made from an archive alone in the place of a store; the old one stays beside it, or None.

    With `until` no month after that one. It is compared with the archive row by row before it counts. StoreError where a
    month or a file is missing or not what was written; then nothing was changed.
    """
    months = _whole(newest_months(target, site.name), until, target)
    fresh = path.with_name(path.name + ".from-archive")
    try:
        _forget(fresh)
        _fill(fresh, months, target)
        _digest(fresh)
        faults = _differences(fresh, months, target)
        if faults:
            raise StoreError(f"the store made from {target.url} is not what is archived: {'; '.join(faults)}")
        inspect(fresh)
        return restore(fresh, path, stamp)
    finally:
        _forget(fresh)


def _whole(months: list[ArchivedMonth], until: str, target: ArchiveTarget) -> list[ArchivedMonth]:
    """The months to be restored, one after the other without a gap."""
    wanted = [month for month in months if not until or month.month <= until]
    if not wanted or (until and wanted[-1].month != until):
        known = f"it has {months[0].month} to {months[-1].month}" if months else "it has no month of this site"
        raise StoreError(f"the archive {target.url} cannot be restored{f' until {until}' if until else ''}: {known}")
    for month, following in pairwise(wanted):
        if month.until_ms != following.from_ms:
            what = f"the archive {target.url} has no month between {month.month} and {following.month}"
            raise StoreError(f"{what}; restore it, or give --until {month.month}")
    return wanted


def _fill(fresh: Path, months: list[ArchivedMonth], target: ArchiveTarget) -> None:
    with closing(Refill(fresh)) as refill, TemporaryDirectory(prefix=".archive-", dir=fresh.parent) as work:
        file = Path(work) / "rows.parquet"
        for month in months:
            for table, archived in month.files.items():
                last = month is months[-1]
                if archived.rows and table in TABLES and (table != STATE or last):
                    fetched(target, archived, file)
                    refill.fill(table, read_rows(file, table))
        refill.finish(months[-1].until_ms)


def _digest(fresh: Path) -> None:
    """All of it, before it is used: a daemon would do it in pieces."""
    with open_to_write(fresh) as store:
        while store.digest_step():
            pass


def fetched(target: ArchiveTarget, archived: ArchivedFile, file: Path) -> None:
    """Copy a file of an archive to this machine. StoreError if it is missing or not what was written."""
    digest = target.fetch(archived.path, file)
    if digest != archived.sha256:
        how = "is missing" if digest is None else "is not what was written"
        raise StoreError(
            f"the archive {target.url}: {archived.path} {how}; restore it from another copy of the archive"
        )


def _differences(fresh: Path, months: list[ArchivedMonth], target: ArchiveTarget) -> list[str]:
    result = Comparison()
    with closing(MonthRows(fresh)) as rows, TemporaryDirectory(prefix=".archive-", dir=fresh.parent) as work:
        for month in months:
            for table, file in month.files.items():
                _compare_file(
                    month, table, file, result=result, sides=_Sides(target, rows, Path(work) / "rows.parquet")
                )
    return result.faults


def _forget(fresh: Path) -> None:
    for side in ("", "-wal", "-shm", ".lock"):
        with suppress(FileNotFoundError):
            fresh.with_name(fresh.name + side).unlink()
