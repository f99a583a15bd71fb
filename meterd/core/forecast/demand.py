"""To what mean the running interval will come: what was counted, and for the rest the draw now with a part of the forecast.

The draw now is one sample of loads that switch on and off; the forecast of the interval does not know what runs now. The part
of the forecast is largest at the begin. With it the mean error is smaller on the simulated mill and as large on a real house
(figures: tests/simulator/RESULTS.md).
"""

import math

from meterd.core.model.demand import DemandOutlook
from meterd.core.model.forecast import Course, Quantity, SiteForecast
from meterd.core.model.snapshot import PowerNow

FORECAST_PART = 0.4  # of the rest, at the begin of the interval; it falls with what is left of it
FRESH = (
    2  # intervals after its issue in which a forecast may still be that of the running one: it comes some minutes late
)


def expected_draw(forecast: SiteForecast | None, start_ms: int, others_w: float) -> tuple[float, float] | None:
    """What the forecast says of the draw of an interval in W, and half the width of its band; None where it says nothing.

    `others_w` is what the draw holds besides load and PV of the forecast: flexible loads, less backup and storage. The errors
    of load and PV are taken as independent.
    """
    if forecast is None:
        return None
    place = (start_ms - forecast.issued_ms) // forecast.interval_ms
    load, pv = forecast.of(Quantity.LOAD), forecast.of(Quantity.PV)
    used = _at(load, place) if 0 <= place < FRESH else None
    made = (0.0, 0.0) if pv is None else _at(pv, place)
    if used is None or made is None:
        return None
    return used[0] - made[0] + others_w, math.hypot(used[1], made[1])


def _at(course: Course | None, place: int) -> tuple[float, float] | None:
    """Middle and half the width of the band."""
    if course is None or place >= len(course.middle):
        return None
    low, middle, high = course.low[place], course.middle[place], course.high[place]
    return None if low is None or middle is None or high is None else (float(middle), (high - low) / 2)


def demand_outlook(
    demand: PowerNow, draw_w: float, interval: tuple[int, int], ahead: tuple[float, float] | None, *, scale: float = 1.0
) -> DemandOutlook | None:
    """The outlook from the mean so far up to `demand.at_ms`, the draw now and what the forecast says of the interval.

    `interval` is its start and its length in ms, `scale` that of the width (`demand_band`). What is exported does not lower a
    demand.

    >>> from meterd.core.model.reading import Quality
    >>> so_far = PowerNow(60_000.0, 450_000, Quality.GOOD)
    >>> ahead = demand_outlook(so_far, 100_000.0, (0, 900_000), (50_000.0, 20_000.0))
    >>> (ahead.low_w, ahead.middle_w, ahead.high_w)
    (65000.0, 75000.0, 85000.0)
    """
    start_ms, length_ms = interval
    if demand.power_w is None:
        return None
    rest = (start_ms + length_ms - demand.at_ms) / length_ms
    counted = demand.power_w * (1 - rest)
    if ahead is None:
        stays = counted + max(draw_w, 0.0) * rest
        return DemandOutlook(demand.at_ms, counted, stays, stays, forecast=False)
    part = FORECAST_PART * rest
    middle = counted + max(part * ahead[0] + (1 - part) * draw_w, 0.0) * rest
    around = scale * ahead[1] * rest
    return DemandOutlook(demand.at_ms, max(middle - around, counted), middle, middle + around, forecast=True)
