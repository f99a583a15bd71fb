"""Shade that grows: hours of the day in which an array gives less than in the same season of the year before.

Of every slot of the day, on days that are bright for the other arrays then:

    ratio   = power of the array / median of the other arrays     haze, warmth and dirt of the air cancel
    change  = median ratio of the last 30 days / that of the same season of the year before

How the arrays stand makes the ratio change with the hour and the season, and is the same a year later. Shade is at least an
hour one after the other with less, while the rest of the day, at least as long, is as before. The array itself must give less
there too, or it is the others that give more. Needs two arrays and a year. Limits were fixed on the given arrays of tests/data.
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.pv.clear_sky import Floats
from meterd.core.pv.roof_fit import RoofDays

RECENT_DAYS, YEAR_DAYS, SEASON_DAYS = 30, 365, 25
FEWEST_DAYS = 6  # bright ones of a slot
BRIGHT = 0.6  # of the best of the days around in this slot
AROUND_DAYS = 15
DARK = 0.08  # of the highest: mornings and evenings below it are left out
LESS = 0.85  # of the ratio of the year before
OWN_LESS = 0.92  # of the upper powers of the array itself
AS_BEFORE = 0.95  # median change of the rest of the day at least
LEAST_H = 1.0
AGAIN_DAYS = 10  # it must have been there so long ago as well
LEAST_PART = 0.02  # of the energy of a bright day


@dataclass(frozen=True, slots=True)
class Shade:
    """From slot `first` until slot `until` (exclusive) an array gives `loss` (0..1) less, on so many bright days."""

    first: int
    until: int
    loss: float
    days: int


def shade_of(days: RoofDays, array: int) -> Shade | None:
    """The longest shade of an array at the end of a history, there ten days ago too; None where there is none."""
    now = _shade_at(days, array, len(days.at_ms))
    before = None if now is None else _shade_at(days, array, len(days.at_ms) - AGAIN_DAYS)
    if now is None or before is None or now.first >= before.until or before.first >= now.until:
        return None
    return now


def _shade_at(days: RoofDays, array: int, now: int) -> Shade | None:
    season = now - RECENT_DAYS // 2 - YEAR_DAYS
    if len(days.names) < 2 or season < SEASON_DAYS:
        return None
    own = days.watt[:, :, array]
    others = np.median(np.delete(days.watt, array, axis=2), axis=2)  # not known where one of them is not
    recent, before = slice(now - RECENT_DAYS, now), slice(season - SEASON_DAYS, season + SEASON_DAYS)
    after, then = _slots(own[recent], others[recent]), _slots(own[before], others[before])
    known = (after.days >= FEWEST_DAYS) & (then.days >= FEWEST_DAYS) & (then.ratio > 0)
    change = np.where(known, after.ratio / np.where(known, then.ratio, 1.0), np.nan)
    less = known & (change < LESS) & (after.upper < OWN_LESS * then.upper)
    first, until = _longest(less)
    rest = known.copy()
    rest[first:until] = False
    if (until - first) * days.slot_h < LEAST_H or rest.sum() < until - first or np.median(change[rest]) < AS_BEFORE:
        return None
    run, usual = slice(first, until), then.ratio * after.light
    lost = (usual * (1 - change))[run].sum()
    if lost < LEAST_PART * usual[known].sum():
        return None
    return Shade(first, until, float(lost / usual[run].sum()), int(np.median(after.days[run])))


@dataclass(frozen=True, slots=True)
class _Slots:
    """By slot of the day: bright days, median ratio, upper powers of the array, and median light of the others in W."""

    days: Floats
    ratio: Floats
    upper: Floats
    light: Floats


def _slots(own: Floats, others: Floats) -> _Slots:
    padded = np.pad(np.nan_to_num(others), ((AROUND_DAYS, AROUND_DAYS), (0, 0)))
    best = np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND_DAYS + 1, axis=0).max(axis=-1)
    bright = (others > BRIGHT * best) & (others > DARK * best.max()) & np.isfinite(own)
    count = bright.sum(axis=0)

    def quantile(values: Floats, part: float) -> Floats:
        masked = np.where(bright, values, np.nan)
        masked[:, count == 0] = 0.0
        return np.asarray(np.nanquantile(masked, part, axis=0))

    ratio = np.where(bright, own, 0.0) / np.where(bright, others, 1.0)
    return _Slots(count.astype(np.float64), quantile(ratio, 0.5), quantile(own, 0.8), quantile(others, 0.5))


def _longest(marks: np.ndarray) -> tuple[int, int]:
    """The longest run of marks: first, and the one after its last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], marks.astype(np.int64), [0]])))
    if not len(edges):
        return 0, 0
    runs = edges.reshape(-1, 2)
    first, until = runs[int(np.argmax(runs[:, 1] - runs[:, 0]))].tolist()
    return first, until
