"""Is the roof giving what it should? The examination of each PV array after each local day, from the closed intervals."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.daily_examination import DailyExamination
from meterd.core.checks.pv_loss import pv_finding, roof_end
from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, offset_ms
from meterd.core.model.plan import Role, Site
from meterd.core.pv.roof_fit import RoofDays
from meterd.core.pv.roof_watch import open_losses, watch_roof

READ_DAYS = 800  # the season of the year before, and a baseline before it
FEWEST_DAYS = 30
SLOT_MS = 900_000  # shorter intervals are put together
WINTER_MS = (
    15 * DAY_MS
)  # a day of January 1970: clocks of the north have no summer time then, those of the south one hour


def read_roof(store: StoredFigures, site: Site) -> RoofDays | None:
    """Mean powers of the PV points in whole days of 24 hours; None without PV, or with less than a month."""
    interval = site.interval_s * 1000
    names = [point.name for point in site.points if point.role is Role.PV and point.counts]
    stored, slot = store.span(Period.INTERVAL), max(interval, SLOT_MS)
    if not names or stored is None or slot % interval or DAY_MS % slot or slot > HOUR_MS:
        return None
    shift = offset_ms(WINTER_MS, ZoneInfo(site.zone))
    end = (stored[1] + interval + shift) // DAY_MS * DAY_MS - shift
    begin = max(-(-(stored[0] + shift) // DAY_MS) * DAY_MS - shift, end - READ_DAYS * DAY_MS)
    if end - begin < FEWEST_DAYS * DAY_MS:
        return None
    grid = np.arange(begin, end, interval, dtype=np.int64)
    plan = net_plan(site, names)
    columns = plan.net(
        store.columns(plan.imports, Period.INTERVAL, grid), store.columns(plan.exports, Period.INTERVAL, grid)
    )
    watt = np.where(columns.present, np.maximum(columns.energy, 0) * (HOUR_MS / 1000) / interval, np.nan)
    slots = DAY_MS // slot
    means = watt.reshape(-1, slots, slot // interval, len(names)).mean(axis=2)
    return RoofDays(tuple(names), grid.reshape(-1, slots, slot // interval)[:, :, 0] + slot // 2, means)


class RoofJob(DailyExamination):
    """The watch over the roof after each local day."""

    def __init__(self, path: Path, site: Site) -> None:
        super().__init__("roof", "watch over PV arrays", "roof-failed", path, site)
        # by what each array is judged, "" for one that cannot be judged yet, and the smallest loss that would be found now
        self.looks: dict[str, tuple[str, float | None]] = {}

    def examine(self, store: ReadStore) -> tuple[tuple[Finding, ...], str]:
        """All arrays of the site."""
        days = read_roof(store, self._site)
        if days is None:
            return (), "no PV, or too few days"
        state = watch_roof(days)
        self.ends = dict(roof_end(loss, days, self._site) for loss in state.losses if loss.ended is not None)
        findings = tuple(pv_finding(loss, days, self._site) for loss in open_losses(state.losses))
        self.looks = {
            name: (str(look or ""), least)
            for name, look, least in zip(days.names, state.looks, state.least, strict=True)
        }
        judged = sum(look is not None for look in state.looks)
        return findings, f"{judged} of {len(days.names)} arrays judged, {len(findings)} findings"
