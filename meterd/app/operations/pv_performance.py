"""The performance ratio of each array whose irradiance is read, by day, from stored energies and readings."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.core.energy.aggregation import net_plan
from meterd.core.model.periods import Period, bounds, starts
from meterd.core.model.plan import Role, Site
from meterd.core.model.reading import IRRADIANCE
from meterd.core.pv.performance import LONGEST_GAP_MS, Performance, irradiation, together, yields_of


def read_performance(store: ReadStore, site: Site, from_ms: int, until_ms: int) -> tuple[Performance, ...]:
    """Each array with a peak power and an irradiance in the plan, over the local days that lie in a span."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    measured = {row.point for row in site.inputs if row.register == IRRADIANCE}
    arrays = [
        (point.name, point.peak_kwp)
        for point in site.points
        if point.role is Role.PV and point.counts and point.peak_kwp is not None and point.name in measured
    ]
    begun = starts(Period.DAY, from_ms, until_ms, zone, step) if arrays else []
    days = [(start, end) for start in begun if (end := bounds(Period.DAY, start, zone, step)[1]) <= until_ms]
    return tuple(_of(store, site, name, peak_kw, days) for name, peak_kw in arrays)


def _of(store: ReadStore, site: Site, name: str, peak_kw: float, days: Sequence[tuple[int, int]]) -> Performance:
    plan, grid = net_plan(site, [name]), np.array([start for start, _ in days], dtype=np.int64)
    net = plan.net(store.columns(plan.imports, Period.DAY, grid), store.columns(plan.exports, Period.DAY, grid))
    energies = [int(e) if p else None for e, p in zip(net.energy[:, 0], net.present[:, 0], strict=True)]
    rows = []
    for (start, end), energy in zip(days, energies, strict=True):
        at_ms, watt = store.samples((name, IRRADIANCE), start - LONGEST_GAP_MS, end + LONGEST_GAP_MS)
        rows.append(yields_of(start, energy, irradiation(at_ms, watt, start, end), peak_kw))
    whole, known = together(rows)
    return Performance(name, peak_kw, tuple(rows), whole, known)
