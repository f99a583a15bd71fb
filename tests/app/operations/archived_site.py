"""A mill with PV and two closed months in its store, and an archive of them."""

from dataclasses import replace
from pathlib import Path

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
    store = StoreInFolder(folder, plan.site)
    store.feed(as_readings(minutes(hours * 60, step=60)), MAY + hours * 3_600_000)
    store.close()
    return plan, store.path


def place(folder: Path) -> ArchiveTarget:
    """An archive in a folder."""
    return ArchiveTarget(str(folder / "archive"))


def without(plan: Plan, point: str) -> Plan:
    """The plan without a point."""
    site = plan.site
    points = tuple(item for item in site.points if item.name != point)
    inputs = tuple(item for item in site.inputs if item.point != point)
    return replace(plan, site=replace(site, points=points, inputs=inputs))
