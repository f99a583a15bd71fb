"""Mean powers of a site for its forecasts: PV, and the load without what can wait for the sun, from interval energies."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.aggregation import NetPlan, net_plan
from meterd.core.energy.rollup import Columns
from meterd.core.forecast.history import Floats, History, history_of
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import DAY_MS, HOUR_MS
from meterd.core.model.plan import Role, Site
from meterd.core.pv.figures import flexible_points

SHORTEST_MS = 900_000  # a forecast of 48 hours by minutes would say nothing more and fill no message of a broker


@dataclass(frozen=True, slots=True)
class ForecastInputs:
    """Which registers make them. `sources` are feeds, backup and storage; `flexible` measure a consumer alone."""

    pv: NetPlan
    sources: NetPlan
    flexible: NetPlan

    @property
    def plans(self) -> tuple[NetPlan, NetPlan, NetPlan]:
        """All of them, in the order in which `history_from` takes their energies."""
        return self.pv, self.sources, self.flexible


def forecast_inputs(site: Site) -> ForecastInputs | None:
    """The registers of a site; None without a live feed: then nothing says what the site draws."""
    live = [point for point in site.points if point.counts]
    feeds = [point.name for point in connection_feeds(site)]
    if not feeds:
        return None
    others = [point.name for point in live if point.role in (Role.BACKUP, Role.STORAGE)]
    return ForecastInputs(
        net_plan(site, [point.name for point in live if point.role is Role.PV]),
        net_plan(site, [*feeds, *others]),
        net_plan(site, [point.name for point in flexible_points(site)]),
    )


def step_of(interval_ms: int) -> int | None:
    """How long an interval of a forecast is for intervals of a site: as long, but a quarter hour at least.

    None for intervals that divide neither the quarter hour nor the day.

    >>> step_of(900_000), step_of(3_600_000), step_of(300_000), step_of(420_000)
    (900000, 3600000, 900000, None)
    """
    step = max(interval_ms, SHORTEST_MS)
    return step if step % interval_ms == 0 and DAY_MS % step == 0 else None


def history_from(start_ms: int, nets: tuple[Columns, Columns, Columns], site: Site) -> History:
    """The history of consecutive intervals of a site from the energies of PV, sources and flexible loads, each along its arrow.

    Load = sources + PV - flexible loads (load is draw plus PV, backup and storage). An interval that lacks a term is missing,
    also where the load is below zero by the fault of a meter. Shorter intervals are put together to those of a forecast.
    """
    interval_ms = site.interval_s * 1000
    step = step_of(interval_ms)
    assert step is not None, "asked before anything is read"
    pv, sources, flexible = (_sums_w(net, interval_ms, step // interval_ms) for net in nets)
    without_pv = nets[0].energy.shape[1] == 0
    production = np.full(len(pv), np.nan) if without_pv else np.maximum(pv, 0.0)
    load = sources + (0.0 if without_pv else pv) - flexible
    load[load < 0] = np.nan
    return history_of(start_ms, step, production, load, zone=ZoneInfo(site.zone), holidays=site.holidays)


def _sums_w(net: Columns, interval_ms: int, together: int) -> Floats:
    """Mean power of the sum of the columns in W, of so many intervals together; NaN where one is missing."""
    energy = net.energy.sum(axis=1).reshape(-1, together).sum(axis=1).astype(np.float64)
    known = net.present.all(axis=1).reshape(-1, together).all(axis=1)
    return np.asarray(np.where(known, energy * HOUR_MS / (interval_ms * together) / 1000, np.nan))
