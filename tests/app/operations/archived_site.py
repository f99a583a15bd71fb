"""A mill with PV and two closed months in its store, and an archive of them."""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from meterd.adapters.archive.target import ArchiveTarget
from meterd.adapters.planfile.loader import Plan, load_plan
from meterd.core.model.periods import DAY_MS
from tests.faults.mill import MAY, StoreInFolder, as_readings, minutes, write_plan

NOW = MAY + 80 * DAY_MS
HOURS = 70 * 24  # from 4 May into July: May and June are closed
NAMES = ["2026-05", "2026-06"]


def site_with_months(folder: Path, hours: int = HOURS) -> tuple[Plan, Path]:
    """The plan and its store."""
    plan = load_plan(write_plan(folder, 1883))
    path = folder / "s.sqlite"
    path.write_bytes(_stored(hours))
    return plan, path


@cache
def _stored(hours: int) -> bytes:
    """The file of that store, made once."""
    with TemporaryDirectory() as made:
        store = StoreInFolder(Path(made), load_plan(write_plan(Path(made), 1883)).site)
        store.feed(as_readings(minutes(hours * 60, step=60)), MAY + hours * 3_600_000)
        store.close()
        assert not store.path.with_name("s.sqlite-wal").exists(), "the file alone is the whole store"
        return store.path.read_bytes()


def place(folder: Path) -> ArchiveTarget:
    """An archive in a folder."""
    return ArchiveTarget(str(folder / "archive"))


def without(plan: Plan, point: str) -> Plan:
    """The plan without a point."""
    site = plan.site
    points = tuple(item for item in site.points if item.name != point)
    inputs = tuple(item for item in site.inputs if item.point != point)
    return replace(plan, site=replace(site, points=points, inputs=inputs))
