"""Hours by days as a map of cells in classes of power: which hour of which day was how high.

Coordinates are units of about a pixel with the origin at the top left.
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.energy.load_profile import HOURS, HoursByDays
from meterd.core.reports.chart import Size

CLASSES = 8
MISSING = -1


@dataclass(frozen=True, slots=True)
class HeatMap:
    """Cells by class (MISSING for those without a value): (x, y, width, height); `limits` are the classes' lower ends in W."""

    size: Size
    cells: dict[int, list[tuple[float, float, float, float]]]
    limits: tuple[float, ...]
    top: float

    def x(self, day: int, days: int) -> float:
        """Where a day begins."""
        return round(self.size.left + (self.size.width - self.size.left - self.size.right) * day / days, 1)

    def y(self, hour: int) -> float:
        """Where an hour begins."""
        return round(self.size.top + (self.size.height - self.size.top - self.size.bottom) * hour / HOURS, 1)


def heat_map(hours: HoursByDays, size: Size) -> HeatMap | None:
    """A map of these hours, hour 0 at the top; None if none is known.

    Classes are of equal width between the lowest and the highest power.
    """
    known = hours.watt[hours.present]
    if not len(known):
        return None
    low, high = float(known.min()), float(known.max())
    step = (high - low) / CLASSES or 1.0
    classes = np.minimum(((hours.watt - low) / step).astype(np.int64), CLASSES - 1)
    table = np.where(hours.present, classes, MISSING).tolist()
    result = HeatMap(size, {}, tuple(low + i * step for i in range(CLASSES)), high)
    drawn, days = (hours.present | hours.missing).tolist(), len(hours.day_ms)
    xs, ys = [result.x(i, days) for i in range(days + 1)], [result.y(i) for i in range(HOURS + 1)]
    for hour in range(HOURS):
        for day in range(days):
            if drawn[hour][day]:
                cell = (xs[day], ys[hour], round(xs[day + 1] - xs[day], 1), round(ys[hour + 1] - ys[hour], 1))
                result.cells.setdefault(table[hour][day], []).append(cell)
    return result
