"""Stores with the history of the simulated mill, quiet or with a planted fault."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.history import Series, collect, history
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import DAY_MS
from meterd.core.model.plan import Limits, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT

BEGIN = 1_772_319_600_000  # 2026-02-28 23:00 UTC: 1 March in Vienna
DAYS = 76
Registers = Mapping[tuple[str, str], Series]
Change = Callable[[Registers], Registers]
PLAN = Path(__file__).parents[2] / "config" / "harrow-mill"


def mill() -> Site:
    """The north board of Harrow Mill without its studios, read every quarter hour."""
    site = load_plan(PLAN).site
    points = tuple(p for p in site.points if p.board == "north" and p.role is not Role.SUB)
    names = {p.name for p in points}
    return replace(
        site,
        boards=tuple(b for b in site.boards if b.name == "north"),
        points=points,
        instruments=tuple(i for i in site.instruments if i.point in names),
        inputs=tuple(i for i in site.inputs if i.point in names and i.register in (IMPORT, EXPORT)),
        consumers=(),
        limits=replace(Limits(), gap_exact_s=1000),  # meters with clocks of their own: no reading falls on the boundary
    )


def history_of(path: Path, site: Site, *faults: object, days: int = DAYS, change: Change | None = None) -> Path:
    """A store with the history of the simulated mill, planted faults in it if wanted, the registers changed by `change`."""
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    until = BEGIN + days * DAY_MS
    series = collect(history(site, 16, BEGIN, until, step_s=900, faults=faults))  # type: ignore[arg-type]
    for channel, some in (change(series) if change else series).items():
        ledger.import_history(channel, some.at_ms, some.values, until)
    ledger.recompute_all(until - 900_000, until)
    store.close()
    return path
