"""The peak that the running month is likely to end with, on the page "demand"."""

from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.web.backend import Reads
from meterd.adapters.web.common import Values
from meterd.core.energy.aggregation import net_plan
from meterd.core.forecast.month_peak import PAST_DAYS, DayPeak, peak_ahead
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds, offset_ms, starts
from meterd.core.model.plan import Site
from meterd.core.model.weekdays import SATURDAY, weekdays


class MonthAhead(Values):
    """The peak of the month in W, eight of ten months between the ends; made from the peaks of so many days."""

    low_w: int
    middle_w: int
    high_w: int
    days: int
    young: bool  # made from less than four weeks


def month_ahead(reads: Reads, site: Site, zone: ZoneInfo, month_ms: int, now_ms: int) -> MonthAhead | None:
    """Of the running month; None for another one, or with too little history."""
    step = site.interval_s * 1000
    month_end = bounds(Period.MONTH, month_ms, zone, step)[1]
    span = reads.span(Period.INTERVAL)
    if span is None or not month_ms <= now_ms < month_end:
        return None
    today = bounds(Period.DAY, now_ms, zone, step)[0]
    ahead = [_rests(day, site) for day in starts(Period.DAY, today, month_end, zone, step)]
    first = max(span[0], min(month_ms, today - PAST_DAYS * DAY_MS))
    grid = np.arange(first, span[1] + step, step, dtype=np.int64)
    plan = net_plan(site, [point.name for point in connection_feeds(site)])
    columns = plan.net(
        reads.columns(plan.imports, Period.INTERVAL, grid), reads.columns(plan.exports, Period.INTERVAL, grid)
    )
    known = np.all(columns.present, axis=1)
    watt = np.where(known, columns.energy.sum(axis=1) * (HOUR_MS / 1000) / step, 0.0)
    past = []
    for day in starts(Period.DAY, today - PAST_DAYS * DAY_MS, today, zone, step):
        rows = (grid >= day) & (grid < bounds(Period.DAY, day, zone, step)[1]) & known
        if rows.any():
            past.append(DayPeak(float(watt[rows].max()), _rests(day, site)))
    so_far = float(watt[grid >= month_ms].max(initial=0.0))
    peak = peak_ahead(past, ahead, so_far)
    if peak is None:
        return None
    low, middle, high = (round(power) for power in (peak.low_w, peak.middle_w, peak.high_w))
    return MonthAhead(low_w=low, middle_w=middle, high_w=high, days=peak.days, young=peak.days < PAST_DAYS)


def _rests(day_ms: int, site: Site) -> bool:
    day = (day_ms + offset_ms(day_ms, ZoneInfo(site.zone))) // DAY_MS
    return bool(weekdays(np.array(day), site.holidays) >= SATURDAY)
