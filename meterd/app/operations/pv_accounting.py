"""PV energy of a month divided among tenants: who takes part, the figures of each interval, rows of what was shared."""

import zoneinfo

import numpy as np

from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.facts import Facts
from meterd.core.model.periods import Period, floor, starts
from meterd.core.model.plan import Role, Site
from meterd.core.model.reading import IMPORT
from meterd.core.pv.energy_accounting import Quarter
from meterd.core.sharing.history import ShareRow, fact_name, from_text


def share_rows(store: Facts, site: Site, from_ms: int, until_ms: int) -> list[ShareRow]:
    """The stored rows of a span."""
    step = site.interval_s * 1000
    rows = []
    for start in range(floor(from_ms, step), until_ms, step):
        stored = store.fact(fact_name(start, step))
        if stored is not None and (row := from_text(stored)).start_ms == start:
            rows.append(row)
    return rows


def participants(site: Site) -> dict[str, str]:
    """Points that take part, with their tenants: counting feeders and subs with a tenant, none below another of them."""
    able = {p.name: p for p in site.points if p.counts and p.tenant and p.role in (Role.FEEDER, Role.SUB)}
    return {name: p.tenant for name, p in able.items() if p.below not in able}


def points_of_tenants(site: Site) -> dict[str, list[str]]:
    """The points that count for each tenant, tenants and points in order of name."""
    results: dict[str, list[str]] = {}
    for point, tenant in sorted(participants(site).items(), key=lambda item: (item[1], item[0])):
        results.setdefault(tenant, []).append(point)
    return results


def quarters_of(store: StoredFigures, site: Site, points: list[str], from_ms: int, until_ms: int) -> list[Quarter]:
    """What is stored of a span: production and export of the site, import of each point, per interval."""
    zone = zoneinfo.ZoneInfo(site.zone)
    begin = np.array(starts(Period.INTERVAL, from_ms, until_ms, zone, site.interval_s * 1000), dtype=np.int64)
    made = {row.start_ms: row for row in store.pv(Period.INTERVAL, from_ms, until_ms)}
    used = store.columns([(point, IMPORT) for point in points], Period.INTERVAL, begin)
    energy, present = used.energy.tolist(), used.present.tolist()
    quarters = []
    for i, start in enumerate(begin.tolist()):
        row = made.get(start)
        if row is None:
            continue
        own = tuple(e if p else None for e, p in zip(energy[i], present[i], strict=True))
        quarters.append(Quarter(start, row.production, row.grid_export, own))
    return quarters
