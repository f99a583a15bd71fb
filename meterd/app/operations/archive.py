"""`meterd archive`: closed months of a store as Parquet, in a folder or on a file server, with a description of each.

rows of a month -> files that are read back -> description, which makes them count. A month that has changed since gets a new
version; the files of the old one stay. Done twice, or broken off anywhere, it gives the same.
"""

import json
import socket
import time
from collections.abc import Iterator, Set
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

from meterd import __version__
from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.runtime.secret import secret
from meterd.adapters.store.digest_comparison import head
from meterd.adapters.store.month_rows import CLOSED_TO, READINGS, STATE, MonthRows, Row
from meterd.app.operations.archive_tables import TABLES, sha256_of, write_rows
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.archived_month import (
    FORMAT,
    MONTHS,
    ArchivedFile,
    ArchivedMonth,
    file_path,
    folder,
    newest_paths,
    read_month,
    spans_of,
)
from meterd.core.model.periods import HOUR_MS, Period, bounds, label, starts, text
from meterd.core.model.plan import Site
from meterd.core.registers.corrections import CORRECTING, FIGURES_FROM

STALE_MS = 6 * HOUR_MS  # a writer that has said nothing for so long is gone
SETTLE_S = 1.0  # two that begin at the same time see each other after this


@dataclass(frozen=True, slots=True)
class Month:
    """A closed local month of a store: its name and bounds."""

    name: str
    from_ms: int
    until_ms: int


def target_of(plan: Plan, url: str = "") -> ArchiveTarget:
    """The place of the archive: that of the plan, or another with the same login. ConfigError if there is none."""
    schedule = plan.site.schedule
    place = url or schedule.archive_url
    if not place:
        raise ConfigError("the plan has no archive_url in [schedule]; write one, or name a folder or an address")
    password = secret(schedule.archive_password_env, schedule.archive_password_file, "the password of the archive")
    return ArchiveTarget(place, Login(schedule.archive_username, password))


def closed_months(path: Path, site: Site) -> list[Month]:
    """The local months of a store whose figures are closed, oldest first. StoreError while a correction is being worked in."""
    with closing(MonthRows(path)) as rows:
        if json.loads(rows.fact(CORRECTING) or "[]"):
            raise StoreError("figures of a correction are being recalculated; archive again when that is done")
        first = rows.first_ms()
        until = min(int(rows.fact(CLOSED_TO) or 0), int(rows.fact("unsettled_from_ms") or 2**62))
    if first is None:
        return []
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    months = []
    for start in starts(Period.MONTH, bounds(Period.MONTH, first, zone, step)[0], until, zone, step):
        end = bounds(Period.MONTH, start, zone, step)[1]
        months += [Month(label(Period.MONTH, start, zone), start, end)] if end <= until else []
    return months


def archive_months(plan: Plan, path: Path, target: ArchiveTarget, now_ms: int) -> list[ArchivedMonth]:
    """Write what is closed and not yet archived as it is now; returns the new versions. StoreError says what failed."""
    months = closed_months(path, plan.site)
    with _alone(target, plan.site.name, path, now_ms):
        known = set(target.files(folder(plan.site.name)))
        written = []
        for (
            month
        ) in months:  # each from a moment of its own: to hold one for an hour would let the log of the store grow
            with closing(MonthRows(path)) as rows:
                writer = _Writer(plan, path, target, rows=rows, known=known, now_ms=now_ms)
                made = writer.archive(month, newest=month == months[-1])
            written += [] if made is None else [made]
    return written


class _Writer:
    """Writes a month of one moment of a store. `known` are the files that the archive had."""

    def __init__(
        self, plan: Plan, path: Path, target: ArchiveTarget, *, rows: MonthRows, known: Set[str], now_ms: int
    ) -> None:
        self._plan, self._site, self._path, self._target, self._rows = plan, plan.site, path, target, rows
        self._now_ms, self._known = now_ms, known

    def archive(self, month: Month, *, newest: bool) -> ArchivedMonth | None:
        """A new version of the month, if there is anything new."""
        before, is_one = self._before(month.name)
        final = month.until_ms <= int(self._rows.fact(FIGURES_FROM) or 0)
        files = self._files(month, before, final=final, newest=newest)
        if before is not None and is_one and files == before.files:
            return None
        version = 1 if before is None else before.version + 1
        made = ArchivedMonth(
            FORMAT, self._site.name, self._site.zone, interval_s=self._site.interval_s, month=month.name, version=version,
            from_ms=month.from_ms, until_ms=month.until_ms, written_ms=self._now_ms, program=__version__,
            schema=self._rows.schema, plan=self._plan.fingerprint, digest=head(self._rows.connection), pruned=final,
            files=files,
        )  # fmt: skip
        self._target.write(made.path, made.as_bytes())
        return made

    def _files(
        self, month: Month, before: ArchivedMonth | None, *, final: bool, newest: bool
    ) -> dict[str, ArchivedFile]:
        """The files of the month: those it had where their rows have not changed. The site's state goes with the newest month.

        Of a month that is final, readings may have left the store: what was archived of them stays.
        """
        spans = spans_of((month.from_ms, month.until_ms), ZoneInfo(self._site.zone), self._site.interval_s * 1000)
        files: dict[str, ArchivedFile] = {}
        for table in TABLES:
            had = None if before is None else before.files.get(table)
            if table == STATE and not newest:
                files |= {} if had is None else {table: had}
                continue
            state = self._rows.fingerprint(table, spans)
            same = had is not None and (had.state == state or (final and table == READINGS))
            if had is not None and same and (not had.rows or had.path in self._known):
                files[table] = had
            else:
                version = 1 if before is None else before.version + 1
                files[table] = self._written(month.name, version, table, self._rows.rows(table, spans), state=state)
        return files

    def _before(self, month: str) -> tuple[ArchivedMonth | None, bool]:
        """The newest version of a month, and whether there is only one of it."""
        paths = newest_paths(self._known).get(month, [])
        data = self._target.read(paths[0]) if paths else None
        return (None if data is None else read_month(data, paths[0])), len(paths) == 1

    def _written(self, month: str, version: int, table: str, rows: Iterator[Row], *, state: str) -> ArchivedFile:
        about = {
            "site": self._site.name, "zone": self._site.zone, "month": month, "table": table,
            "plan": self._plan.fingerprint, "program": __version__, "format": str(FORMAT),
        }  # fmt: skip
        with TemporaryDirectory(prefix=".archive-", dir=self._path.parent) as work:
            file = Path(work) / f"{table}.parquet"
            count = write_rows(file, table, rows, about)
            if not count:
                return ArchivedFile("", 0, 0, "", state)
            place = file_path(self._site.name, table, month, version, sha256_of(file))
            return ArchivedFile(place, count, file.stat().st_size, self._target.put(file, place), state)


def in_words(written: list[ArchivedMonth]) -> str:
    """What was written, in one line."""
    if not written:
        return "every closed month is archived as it is"
    months = ", ".join(f"{month.month} version {month.version}" for month in written)
    return f"archived {months}"


def newest_months(target: ArchiveTarget, site: str) -> list[ArchivedMonth]:
    """The newest version of every archived month, oldest month first. StoreError where two writers wrote the same one."""
    months = []
    for month, paths in newest_paths(target.files(folder(site, MONTHS))).items():
        if len(paths) > 1:
            what = f"two writers have written the newest version of {month}: {', '.join(paths)}"
            raise StoreError(f"{what}; meterd archive PLAN writes a further one from the store")
        data = target.read(paths[0])
        if data is not None:
            months.append(read_month(data, paths[0]))
    return months


@contextmanager
def _alone(target: ArchiveTarget, site: str, path: Path, now_ms: int) -> Iterator[None]:
    """One writer at a time: its name lies in the archive meanwhile. One that was killed is known by its name, or by its age."""
    place, us = f"{folder(site)}/writer.json", f"{socket.gethostname()}:{path.absolute()}"
    other = _other(target.read(place), us, now_ms)
    if other:
        raise StoreError(
            f"the archive {target.url} is being written by {other}; wait, or remove {place} if nobody writes"
        )
    target.write(place, json.dumps({"writer": us, "since": text(now_ms), "since_ms": now_ms}).encode())
    time.sleep(SETTLE_S)
    try:
        if other := _other(target.read(place), us, now_ms):
            raise StoreError(f"the archive {target.url} is being written by {other}; it is their turn")
        yield
    finally:
        with suppress(StoreError):  # the first failure is the one to tell; our own name does not hold us up
            if not _other(target.read(place), us, now_ms):
                target.remove(place)


def _other(data: bytes | None, us: str, now_ms: int) -> str:
    """Who else writes; empty if nobody does."""
    if data is None:
        return ""
    try:
        values = json.loads(data)
        writer, since_ms = str(values["writer"]), int(values["since_ms"])
    except (ValueError, TypeError, KeyError):
        return ""
    return "" if writer == us or abs(now_ms - since_ms) > STALE_MS else f"{writer} since {text(since_ms)}"
