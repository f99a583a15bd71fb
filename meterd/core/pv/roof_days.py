"""What each array gave on each clear day of what it should have given, and whether its clock was right on that day.

Days are judged where they follow the shape of a clear day: clouds, shade of some hours and snow that melts do not. The parts
that an inverter or a limit may have cut off are left out, so clipping and a set point are no loss.
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.model.periods import HOUR_MS
from meterd.core.pv.clear_sky import Floats, clear_w
from meterd.core.pv.roof_fit import Roof, RoofDays, roughness, smooth_limit, usable

CLEAR_ROUGH = 1.2  # times the limit of days that are fitted: the shape decides, not the noise
SHAPE = 0.08  # of the day's highest: how far a clear day is from its shape at most (root mean square)
DARK = 0.12  # of the highest that the sky allows: morning and evening are full of shade
USED_H = 2.5  # hours of a day that must be left
SHIFTS_MIN = tuple(range(-90, 91, 15))  # how far a clock may be off
RIGHT_MIN = 15  # off by no more than this a clock is right: the fit itself is off by minutes
COVERED = -0.9  # logarithm: a sky that leaves less than four tenths is no clear one
BETTER = 0.9  # quantile of the days of an array: more than half of them may have been covered evenly
NOTHING = 0.03  # of what should come: an array that is off
BRIGHT = 0.5  # of the best of thirty days: a day on which neighbours are compared
NEIGHBOUR_DAYS = 30


@dataclass(frozen=True, slots=True)
class Given:
    """What each of A arrays gave on each of D days [D, A]; NaN where a day says nothing.

    Logarithms: `own` of what came over what should have come, `beside` of this against the median of the other arrays,
    `bright` of a day's energy against that of the others, without a fit. `shift_min` is how many minutes late a day came by
    its clock.
    """

    own: Floats
    beside: Floats
    bright: Floats
    shift_min: Floats


def given_of(days: RoofDays, roof: Roof | None) -> Given:
    """All arrays on all days."""
    count = len(days.names)
    own, shift = np.full((len(days.at_ms), count), np.nan), np.full((len(days.at_ms), count), np.nan)
    if roof is not None:
        rough = roughness(days) < CLEAR_ROUGH * smooth_limit(days.slot_h)
        for a, plane in enumerate(roof.planes):
            if plane is not None:
                own[:, a], shift[:, a] = _array(days, roof, a, rough[:, a])
        own = _without_covered(own, days, roof)
    return Given(own, beside(own, own), _bright(days), shift)


def _without_covered(own: Floats, days: RoofDays, roof: Roof) -> Floats:
    """Ratios of clear days: where the best array, against what is usual for it, gives little, the sky is covered.

    An array that gives nothing while another one is clear is told as `NOTHING`.
    """
    if not np.isfinite(own).any():
        return own
    usual = np.array([np.nanquantile(column, BETTER) if np.isfinite(column).any() else np.nan for column in own.T])
    best = np.max(np.nan_to_num(own - usual, nan=-np.inf), axis=1)
    dead = np.nan_to_num(days.watt, nan=np.inf).max(axis=1) < NOTHING * np.array(roof.highest_w)
    reported = np.where(dead & np.isnan(own) & np.isfinite(usual), np.log(NOTHING), own)
    reported[best < COVERED] = np.nan
    return reported


def _array(days: RoofDays, roof: Roof, a: int, rough: np.ndarray) -> tuple[Floats, Floats]:
    """Log ratio and shift of each day of one array."""
    plane = roof.planes[a]
    assert plane is not None, "it was fitted"
    ratio, shift = np.full(len(rough), np.nan), np.full(len(rough), np.nan)
    rows = np.flatnonzero(rough)
    if not len(rows):
        return ratio, shift
    watt, at_ms = days.watt[rows][:, :, a], days.at_ms[rows]
    top = watt.max(axis=1)
    used = usable(watt, float(roof.highest_w[a]))
    best = np.full(len(rows), np.inf)
    for minutes in sorted(SHIFTS_MIN, key=abs):
        should = clear_w(roof.place, plane, at_ms - minutes * (HOUR_MS // 60))
        some = used & (should > DARK * should.max(axis=1, keepdims=True))
        total = np.where(some, should, 0.0).sum(axis=1)
        part = np.where(some, watt, 0.0).sum(axis=1) / np.maximum(total, 1e-9)
        error = np.where(some, watt - part[:, None] * should, 0.0)
        number = some.sum(axis=1)
        rms = np.sqrt((error**2).sum(axis=1) / np.maximum(number, 1)) / top
        better = (number * days.slot_h >= USED_H) & (rms < SHAPE) & (rms < best)
        best[better] = rms[better]
        ratio[rows[better]], shift[rows[better]] = np.log(np.maximum(part[better], 1e-9)), minutes
    ratio[np.abs(np.nan_to_num(shift)) > RIGHT_MIN] = np.nan
    return ratio, shift


def beside(own: Floats, others: Floats) -> Floats:
    """Each column of `own` less the median of the other columns of `others`, each about its own level; NaN without one.

    The fit is right for each array up to a factor: which of the others are clear on a day must not matter.
    """
    result = np.full(own.shape, np.nan)
    level = np.array([np.nanmedian(column) if np.isfinite(column).any() else 0.0 for column in others.T])
    for a in range(own.shape[1]):
        beside_it = np.delete(others - level, a, axis=1)
        some = np.isfinite(beside_it).any(axis=1)
        result[some, a] = own[some, a] - np.nanmedian(beside_it[some], axis=1)
    return result


def _bright(days: RoofDays) -> Floats:
    """Energies of days against the median of the other arrays, on days that are bright for these."""
    energy = np.where(np.isfinite(days.watt).all(axis=1), days.watt.sum(axis=1), np.nan)
    result = np.full(energy.shape, np.nan)
    for a in range(energy.shape[1]):
        others = np.delete(energy, a, axis=1)
        known = np.isfinite(others).all(axis=1) & (others.shape[1] > 0)
        middle = np.where(known, np.median(np.nan_to_num(others), axis=1) if others.shape[1] else 0.0, 0.0)
        best = np.array([middle[max(0, d - NEIGHBOUR_DAYS) : d + 1].max() for d in range(len(middle))])
        bright = (middle > BRIGHT * best) & (energy[:, a] > 0) & (middle > 0)
        result[bright, a] = np.log(energy[bright, a] / middle[bright])
    return result
