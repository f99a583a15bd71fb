"""What a present value can be at all: beyond it the value is a code for "not available" or a wrong type, not a measurement.

A negative power read as an unsigned number is 65 kW or 4.29 GW, a missing voltage 6553.5 V: no site has them.
"""

import math

from meterd.core.model.plan import Site
from meterd.core.model.reading import CT_PRIMARY, CT_SECONDARY, kind_of

BEYOND = 1.5  # above the rating: overloads and short peaks are true
LOWEST_NOMINAL = 2.0  # voltages up to twice the nominal one: a lost neutral gives the line-to-line voltage
HIGHEST_HZ = 100.0
BRIGHTEST_W_M2 = 2_000.0  # edges of clouds reach 1,800
ROUNDING = 1.005  # a power factor of 1 may come as 1.004


def largest(site: Site, point: str, register: str) -> float | None:
    """The largest magnitude a present value of a point may have, in its base unit; None where nothing is known."""
    kind, where = kind_of(register), site.point(point) if site.has_point(point) else None
    if kind.cumulative or where is None or register in (CT_PRIMARY, CT_SECONDARY):
        return None
    board = next((b for b in site.boards if b.name == where.board), None)
    nominal_v = board.nominal_v if board is not None else 400.0
    rated_w = math.sqrt(3) * nominal_v * where.rating_a if where.rating_a else float(site.limits.point_max_w)
    return {
        "W": BEYOND * rated_w,
        "var": BEYOND * rated_w,
        "V": LOWEST_NOMINAL * nominal_v,
        "A": BEYOND * rated_w / (math.sqrt(3) * nominal_v) if nominal_v else None,
        "Hz": HIGHEST_HZ,
        "/": ROUNDING,
        "W/m2": BRIGHTEST_W_M2,
    }.get(kind.unit)
