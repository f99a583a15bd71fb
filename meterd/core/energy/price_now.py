"""The price of energy from the grid now, and its next change, for displays."""

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.tariff import Bools, covered, local_times
from meterd.core.model.periods import DAY_MS, floor
from meterd.core.model.plan import Site
from meterd.core.model.tariff import Price, PriceKind
from meterd.core.model.weekdays import Holidays

AHEAD_DAYS = 8  # hours of weekdays repeat within a week; what lies beyond is no news for a display


@dataclass(frozen=True, slots=True)
class PriceNow:
    """Price in `currency` per kWh, and what it is from `until_ms` on; both None without a change in the next days."""

    price: Fraction
    currency: str
    until_ms: int | None
    then: Fraction | None


def price_now(site: Site, now_ms: int) -> PriceNow | None:
    """Sum of the import prices in force in the interval of a moment; None where the plan has none.

    Of prices in steps (`above_kwh`) and by hours of use the first step counts: the later ones depend on what is taken.
    """
    rows = [p for p in site.tariff if p.kind is PriceKind.IMPORT and not p.above_kwh and not p.use_hours_from]
    if not rows:
        return None
    step = site.interval_s * 1000
    starts = range(floor(now_ms, step), floor(now_ms, step) + AHEAD_DAYS * DAY_MS, step)
    return _in_force(tuple(rows), site.zone, site.holidays, starts)


@lru_cache(maxsize=4)
def _in_force(rows: tuple[Price, ...], zone: str, holidays: Holidays, starts: range) -> PriceNow:
    at = local_times(np.array(starts, dtype=np.int64), ZoneInfo(zone), holidays)
    counted = np.array([covered(price, at) for price in rows])
    now = _sum(rows, counted[:, 0])
    for column in np.flatnonzero((counted != counted[:, :1]).any(axis=0)).tolist():
        then = _sum(rows, counted[:, column])
        if then != now:
            return PriceNow(now, rows[0].currency, starts[column], then)
    return PriceNow(now, rows[0].currency, None, None)


def _sum(rows: tuple[Price, ...], counted: Bools) -> Fraction:
    return sum((price.price for price, counts in zip(rows, counted.tolist(), strict=True) if counts), Fraction(0))
