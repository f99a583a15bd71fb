"""The course of today for the first page: feed, PV and load, with the load of the same weekday before; the running interval."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Reads
from meterd.adapters.web.common import Values
from meterd.adapters.web.pictures import LETTERS, Both, Reader, both, unit_of
from meterd.core.energy.energy_items import EnergyItem, figures_of, site_items
from meterd.core.energy.load_profile import mean_powers
from meterd.core.energy.rollup import Columns
from meterd.core.energy.time_range import shifted
from meterd.core.model.distinct import distinct
from meterd.core.model.periods import Period, bounds, starts
from meterd.core.model.plan import Site
from meterd.core.reports.chart import Form, Track

WEEK = 7  # days back to the same weekday
BAR_ROOM = 1.1  # the bar of the running interval ends a little behind the larger of contract and projection
LINES = ("feed", "production", "load")


class TodayCurve(Values):
    """Mean powers of today's intervals in W, None = missing or to come. `before`: the load of the same weekday before."""

    edges: list[int]
    until_ms: int
    feed: list[int | None]
    production: list[int | None]
    load: list[int | None]
    before: list[int | None]
    estimated: list[int]


@dataclass(frozen=True, slots=True)
class RunningBar:
    """The running interval as a bar: parts of its length (0..1), and W for a whole length."""

    so_far: float
    projected: float
    contract: float
    full_w: float


def today_curve(reads: Reads, site: Site, zone: ZoneInfo, now_ms: int) -> TodayCurve | None:
    """The day so far; None before its first interval is closed, or where the connection is not metered."""
    step = site.interval_s * 1000
    low, high = bounds(Period.DAY, now_ms, zone, step)
    span = reads.span(Period.INTERVAL)
    items = {item.name: item for item in site_items(site)}
    if span is None or span[1] < low or "consumption" not in items:
        return None
    grid = starts(Period.INTERVAL, low, high, zone, step)
    edges = [*grid, high]
    day = _Day(reads, items, edges)
    load, feed, back = (day.figures(name) for name in ("consumption", "grid_import", "grid_export"))
    one_week_before = [shifted(at, zone, days=WEEK) for at in grid]
    return TodayCurve(
        edges=edges,
        until_ms=span[1] + step,
        feed=day.watt(feed, back),
        production=day.watt(day.figures("production")),
        load=day.watt(load),
        before=day.watt(day.figures("consumption", one_week_before)),
        estimated=np.flatnonzero(load.flags[:, 0] != 0).tolist(),
    )


class _Day:
    """Figures of one day from the stored intervals."""

    def __init__(self, reads: Reads, items: Mapping[str, EnergyItem], edges: Sequence[int]) -> None:
        self._reads, self._items, self._edges = reads, items, edges

    def figures(self, name: str, grid: Sequence[int] | None = None) -> Columns:
        """One figure of the site in each interval; nothing where the site has none of that name."""
        wanted = np.array(self._edges[:-1] if grid is None else grid, dtype=np.int64)
        if name not in self._items:
            shape = (len(wanted), 1)
            return Columns(np.zeros(shape, np.int64), np.zeros(shape, np.bool_), np.zeros(shape, np.uint8))
        order = distinct(wanted)  # an hour that comes twice in autumn has one counterpart
        figures = figures_of(self._reads, self._items[name], Period.INTERVAL, order)
        rows = np.searchsorted(order, wanted)
        return Columns(figures.energy[rows], figures.present[rows], figures.flags[rows])

    def watt(self, plus: Columns, minus: Columns | None = None) -> list[int | None]:
        """Mean powers of a figure, or of the difference of two where both are read."""
        energy, present = plus.energy[:, 0], plus.present[:, 0]
        if minus is not None and bool(minus.present.any()):
            energy, present = energy - minus.energy[:, 0], present & minus.present[:, 0]
        powers = mean_powers(energy, self._edges)
        return [round(w) if there else None for w, there in zip(powers.tolist(), present.tolist(), strict=True)]


def today_picture(curve: TodayCurve, reader: Reader) -> tuple[Both, list[tuple[str, int, str]]] | None:
    """The picture and its legend (letter, tone, words); None where nothing is known."""
    lines = {name: getattr(curve, name) for name in LINES if any(v is not None for v in getattr(curve, name))}
    values = [*lines.values(), curve.before]
    divisor, unit = unit_of(max((abs(v) for row in values for v in row if v is not None), default=0.0), power=True)
    marked = [i in set(curve.estimated) for i in range(len(curve.load))]
    tracks = [
        Track([None if v is None else v / divisor for v in row], marked, LINES.index(name))
        for name, row in lines.items()
    ]
    tracks.append(Track([None if v is None else v / divisor for v in curve.before], (), 8, "before"))
    drawn = both(Form.LINES, tracks, curve.edges, unit=unit, reader=reader, until_ms=curve.until_ms)
    legend = [
        (LETTERS[i], LINES.index(name), wording.say(reader.language, f"now.curve_{name}"))
        for i, name in enumerate(lines)
    ]
    return None if drawn is None else (drawn, legend)


def running_bar(so_far: float | None, projected: float | None, contract: float | None) -> RunningBar | None:
    """The bar of the running interval; None without a contract or before anything is known."""
    if not contract or so_far is None:
        return None
    full = max(contract, projected or 0.0, so_far) * BAR_ROOM
    so_far_part, projected_part, contract_part = (max(0.0, v or 0.0) / full for v in (so_far, projected, contract))
    return RunningBar(so_far_part, projected_part, contract_part, full)
