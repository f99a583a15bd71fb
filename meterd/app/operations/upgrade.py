"""`meterd upgrade PLAN --dry-run`: what this version would change for a plan and its store, tried on a copy of the store.

The copy is opened as the daemon opens a store, gets its digests, and its figures are made again from its readings. Plan and
store are only read.
"""

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.digests import FIGURE, READING
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.adapters.store.opening import open_to_write
from meterd.adapters.store.reading_connection import SCHEMA_VERSION, reason, refuse_newer
from meterd.adapters.store.schema import tables_of
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.plan_changes import changed_instruments
from meterd.app.operations.retention_check import differing_figures
from meterd.core import engine
from meterd.core.checks.zone_rules import changes, differing, from_text, to_text
from meterd.core.errors import StoreError
from meterd.core.model.periods import text
from meterd.core.model.releases import Release, since, writer_of
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in

ROWS_PER_S = 60_000  # digests, where a copy cannot be tried: a quarter of what was measured (140,300 in 0.6 s)
ROOM = 3  # times the store: the copy, its log, and what it grows by
COUNTED = (READING, FIGURE, "figure_old", "balance", "balance_old", "pv", "pv_old")


@dataclass(slots=True)
class Upgrade:
    """What the first start of this version would do. Numbers of a trial are measured, else estimated."""

    store: Path
    schema: int
    size: int  # bytes of the store
    free: int  # bytes on its disk
    rows: dict[str, int] = field(default_factory=dict)  # by table
    measured: bool = False
    schema_s: float = 0.0
    digest_s: float = 0.0
    grows: int = 0  # bytes
    compared: int = 0  # figures of intervals made again
    differing: list[str] = field(default_factory=list)
    follow: list[str] = field(default_factory=list)  # what is recalculated, and why

    @property
    def written_by(self) -> str:
        """The version that wrote the store."""
        return writer_of(self.schema)

    @property
    def steps(self) -> list[str]:
        """Each step of the schema that is due."""
        return [_step(version) for version in range(self.schema + 1, SCHEMA_VERSION + 1)]

    @property
    def releases(self) -> tuple[Release, ...]:
        """The releases in between."""
        return since(self.schema)

    @property
    def needed(self) -> int:
        """Bytes that should be free: for a backup, and for what the store grows by, twice while it is written."""
        return self.size + 2 * self.grows


def _step(version: int) -> str:
    new = sorted(tables_of(version) - tables_of(version - 1))
    return f"{version}: {'new table ' + ', '.join(new) if new else 'new columns'}"


def examine(plan: Plan, path: Path, trial: Path) -> Upgrade:
    """What would change. StoreError for a store that this version cannot open; `trial` is where the copy may be made."""
    if not path.is_file():
        raise StoreError(f"there is no store at {path}; has the daemon or a replay written one yet?")
    size = sum(file.stat().st_size for file in _files(path))
    free = shutil.disk_usage(path.parent).free
    with tempfile.TemporaryDirectory(prefix="meterd-upgrade-", dir=trial) as made:
        if shutil.disk_usage(made).free < ROOM * size:
            return _estimated(path, size, free)
        copy = Path(made) / "copy.sqlite"
        _copy(path, copy)
        result = _read(copy.absolute().as_uri(), Upgrade(path, 0, size, free))
        _try(result, plan, copy)
    return result


def _files(path: Path) -> list[Path]:
    return [file for file in (path, path.with_name(path.name + "-wal")) if file.exists()]


def _copy(path: Path, copy: Path) -> None:
    """A copy that leaves no trace: of a store that is in use by the database itself, else file by file."""
    try:
        if path.with_name(path.name + "-shm").exists():
            with (
                closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as source,
                closing(sqlite3.connect(copy)) as target,
            ):
                source.backup(target)
            return
        for file in _files(path):
            shutil.copyfile(file, copy.with_name(file.name.replace(path.name, copy.name)))
    except (OSError, sqlite3.Error) as exc:
        raise StoreError(f"cannot copy the store {path}: {exc}") from exc


def _read(address: str, result: Upgrade) -> Upgrade:
    """Schema and rows of a file; StoreError if it is of a newer version or no store."""
    try:
        with closing(sqlite3.connect(address, uri=True)) as db:
            result.schema = refuse_newer(db, result.store)
            known = {name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
            for table in COUNTED:
                if table == READING:
                    result.rows[table] = JoinedReadings(db).count()
                elif table == FIGURE:
                    result.rows[table] = JoinedFigures(db).count()
                elif table in known:
                    (result.rows[table],) = db.execute(f"SELECT COUNT(*) FROM {table}").fetchone()
    except sqlite3.Error as exc:
        raise StoreError(f"cannot read the store {result.store}: {reason(exc)}") from exc
    return result


def _estimated(path: Path, size: int, free: int) -> Upgrade:
    """Without a copy: read in place, as a file that nobody writes unless somebody has it open."""
    how = "mode=ro" if path.with_name(path.name + "-shm").exists() else "immutable=1"
    result = _read(f"{path.absolute().as_uri()}?{how}", Upgrade(path, 0, size, free))
    if result.steps:
        result.digest_s, result.grows = sum(result.rows.values()) / ROWS_PER_S, size // 10
    return result


def _try(result: Upgrade, plan: Plan, copy: Path) -> None:
    """Open the copy as the daemon does, and look what has become of it."""
    before, begun = copy.stat().st_size, perf_counter()
    with open_to_write(copy) as store:
        opened = perf_counter()
        while store.digest_step():
            pass
        result.schema_s, result.digest_s, result.measured = opened - begun, perf_counter() - opened, True
        _compare(result, plan, store)
        result.follow += _follow(plan, store)
    result.grows = max(0, copy.stat().st_size - before) if result.steps else 0


def _compare(result: Upgrade, plan: Plan, store: WriteStore) -> None:
    """Make the figures of every register again from its readings."""
    site = plan.site
    closed_to = store.fact("closed_to_ms")
    if closed_to is None:
        return
    corrections, clocks = store.corrections.all(), clocks_in(store.fact(METER_CLOCKS))
    for channel in store.channels():
        state = engine.begin(site, ZoneInfo(site.zone), int(closed_to), corrections, clocks=clocks)
        if channel in state.trackers:
            rows, wrong = differing_figures(store, state, channel)
            result.compared += len(rows)
            result.differing += wrong


def _follow(plan: Plan, store: WriteStore) -> Iterator[str]:
    """What the daemon recalculates at its start."""
    site = plan.site
    stored, now = store.fact("zone_rules"), changes(ZoneInfo(site.zone))
    if stored and stored != to_text(now):
        for low, high in differing(from_text(stored), now):
            yield f"the rules of {site.zone} differ from {text(low)} until {text(high)}: local days are summed again"
    state = engine.begin(site, ZoneInfo(site.zone), None)
    for (point, register), from_ms in changed_instruments(store, state):
        yield f"the instruments of {point} {register} in the plan are others since {text(from_ms)}: recalculated"
