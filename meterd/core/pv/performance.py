"""Performance ratio of a PV array: what it gave for each kW of its rating, over what the sun gave to its plane.

Source: IEC 61724-1 (yields and performance ratio; clause numbers to be checked when used). Y_f = E / P_0 in hours (kWh for each
kW), Y_r = H / G_ref in hours with G_ref = 1000 W/m2, PR = Y_f / Y_r. A day counts where both sides are known as a whole.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterd.core.model.periods import HOUR_MS

REFERENCE_W_M2 = 1000.0  # irradiance at which the peak power is rated
DARK_H = 0.1  # of a reference yield, below which a ratio is noise: a day of 0.1 kWh/m2 hardly has light
LONGEST_GAP_MS = 600_000  # between two values of the irradiance: in more, clouds pass unseen

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Yields:
    """Of one array in one period, in hours; None where it is not known as a whole."""

    start_ms: int
    final_h: float | None
    reference_h: float | None

    @property
    def ratio(self) -> float | None:
        """The performance ratio; None where a yield is missing or there was hardly any light."""
        if self.final_h is None or self.reference_h is None or self.reference_h < DARK_H:
            return None
        return self.final_h / self.reference_h


@dataclass(frozen=True, slots=True)
class Performance:
    """Of one array: its days, all of them together, and how many were known as a whole."""

    point: str
    peak_kw: float
    days: tuple[Yields, ...]
    whole: Yields | None
    known: int


def irradiation(at_ms: Ints, watt_m2: Floats, from_ms: int, until_ms: int) -> float | None:
    """Wh/m2 between two moments from values in order of time, by trapezoids; None where values are too far apart.

    Values reach from before `from_ms` to after `until_ms`, as far as there are any. What is below 0 by night is 0.

    >>> irradiation(np.array([0, 300_000, 600_000]), np.array([500.0, 500.0, 700.0]), 0, 600_000)
    91.66666666666667
    """
    inside = slice(
        max(int(np.searchsorted(at_ms, from_ms, side="right")) - 1, 0), int(np.searchsorted(at_ms, until_ms)) + 1
    )
    times, values = at_ms[inside], np.maximum(watt_m2[inside], 0.0)
    if len(times) < 2 or int(np.diff(times).max()) > LONGEST_GAP_MS:
        return None
    if times[0] > from_ms + LONGEST_GAP_MS or times[-1] < until_ms - LONGEST_GAP_MS:
        return None
    edges = np.clip(times, from_ms, until_ms)
    points = np.concatenate(([from_ms], edges, [until_ms]))
    heights = np.interp(points, times, values)
    return float(np.sum(np.diff(points) * (heights[1:] + heights[:-1]) / 2) / HOUR_MS)


def yields_of(start_ms: int, energy_mwh: int | None, irradiation_wh_m2: float | None, peak_kw: float) -> Yields:
    """The yields of a period.

    >>> yields_of(0, 430_000_000, 5200.0, 100.0).ratio
    0.8269230769230769
    """
    final_h = None if energy_mwh is None else energy_mwh / 1e6 / peak_kw
    return Yields(start_ms, final_h, None if irradiation_wh_m2 is None else irradiation_wh_m2 / REFERENCE_W_M2)


def together(days: Sequence[Yields]) -> tuple[Yields | None, int]:
    """The yields of all days of which both are known, and how many those are; None without any.

    Sums over sums: a mean of daily ratios would give a dark day the weight of a bright one.
    """
    known = [(day.final_h, day.reference_h) for day in days if day.final_h is not None and day.reference_h is not None]
    if not known:
        return None, 0
    return Yields(days[0].start_ms, math.fsum(f for f, _ in known), math.fsum(r for _, r in known)), len(known)
