"""The job `retention`: readings that are old enough and archived leave the store.

figures recalculated and compared  ->  every reading that goes found in the archive, file by file  ->  ordered from the process
that writes, which deletes in small steps. Figures, balances and findings stay for ever, and so does the newest reading of every
register.
"""

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

from meterd.adapters.archive.target import ArchiveTarget
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.month_rows import READINGS, MonthRows, Row
from meterd.adapters.store.opening import open_to_read, open_to_write
from meterd.app.operations.archive import newest_months, target_of
from meterd.app.operations.archive_check import not_archived
from meterd.app.operations.archive_tables import read_rows
from meterd.app.operations.orders import PRUNE, ask, new_order
from meterd.app.operations.retention import retain
from meterd.app.operations.retention_check import Cut, as_details, cut_of, verify_figures
from meterd.core.errors import StoreError, StoreInUse
from meterd.core.model.archived_month import ArchivedMonth, spans_of
from meterd.core.model.periods import text

ANSWER_LIMIT_S = 60.0
PERSON = "calendar"


def retire(plan: Plan, path: Path, now_ms: int) -> str:
    """Let what is old enough go; returns what was done. StoreError if something is not archived or not what it should be."""
    days = plan.site.schedule.retention_days
    with open_to_read(path) as store:
        cut = cut_of(store, plan.site, days, now_ms)
        if not cut.total:
            return f"no reading may go that is older than {days} days"
        verify_figures(store, plan.site, cut)
    _find_archived(path, plan, cut, target_of(plan))
    try:
        with open_to_write(path) as writer:
            gone = retain(writer, cut)
        return f"{gone} archived readings before {text(cut.before_ms)} deleted"
    except StoreInUse:
        order = new_order(
            PRUNE, text(cut.before_ms), PERSON, details=json.dumps(as_details(cut), separators=(",", ":"))
        )
        done, message = ask(order, path, ANSWER_LIMIT_S)
        if not done:
            raise StoreError(message) from None
        return message


def _find_archived(path: Path, plan: Plan, cut: Cut, target: ArchiveTarget) -> None:
    """StoreError unless every reading before the cut is in the archive, in files that are what was written."""
    first = min(prunable.first_ms for prunable in cut.readings.values())
    months = [m for m in newest_months(target, plan.site.name) if m.until_ms > first and m.from_ms < cut.before_ms]
    covered = first
    for month in months:
        if month.from_ms > covered:
            break
        covered = max(covered, month.until_ms)
    if covered < cut.before_ms:
        what = f"readings from {text(covered)} on are not archived in {target.url}"
        raise StoreError(f"{what}; nothing was deleted; meterd archive PLAN writes them")
    with closing(MonthRows(path)) as rows:
        for month in months:
            _find_month(month, rows, target, path.parent)


def _find_month(month: ArchivedMonth, rows: MonthRows, target: ArchiveTarget, folder: Path) -> None:
    spans = spans_of((month.from_ms, month.until_ms), ZoneInfo(month.zone), month.interval_s * 1000)
    file = month.files[READINGS]
    with TemporaryDirectory(prefix=".archive-", dir=folder) as work:
        local = Path(work) / "readings.parquet"
        if file.rows and target.fetch(file.path, local) != file.sha256:
            raise StoreError(f"{file.path} of the archive {target.url} is not what was written; nothing was deleted")
        archived: Iterator[Row] = read_rows(local, READINGS) if file.rows else iter(())
        if (row := not_archived(rows.rows(READINGS, spans), archived)) is not None:
            what = f"a reading of {row[1]} {row[2]} of {month.month} is not in the archive {target.url}"
            raise StoreError(f"{what}; nothing was deleted; meterd archive PLAN writes the month once more")
