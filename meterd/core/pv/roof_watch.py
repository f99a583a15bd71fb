"""Is the roof giving what it should? Day after day: what is lost, since when, whether it is back, and whether the clock is right.

Three looks, the first that can be had for an array:

    neighbours   clear days, against the other arrays of the site     dirt of the air and warmth cancel
    alone        clear days of a single array                         a larger limit: haze does not cancel
    bright       bright days against the others, without orientation  sees the loss of about a half

Each needs some days one after the other that are below the median of the days before, in their mean by more than a limit and
all by about the same part. The limit grows with the spread of clear days and the age of those before. Beside them
a slow look: the last month against the same season of the year before, for dirt that grows, and by hours of the day for shade.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from meterd.core.pv.clear_sky import Floats, Ints
from meterd.core.pv.roof_days import BETTER, COVERED, RIGHT_MIN, Given, beside, given_of
from meterd.core.pv.roof_fit import FIT_DAYS, RoofDays, fit_roof, fit_shape
from meterd.core.pv.roof_shade import shade_of

Bools = NDArray[np.bool_]

BASE_DAYS = 12  # clear days whose median is what an array gave before
FEWEST_BASE = 5
BASE_SPAN = 60  # days before a loss: what is older is of another season
BASE_OLDEST = 150  # days before it, where there is nothing nearer: then with a larger limit
OWN_LEAST = 0.04  # an array that is only passed by better neighbours has lost nothing
ALIKE = 0.10  # by how much the days of a loss differ at most: snow that melts differs more
# times the spread of clear days: three of them and the median of twelve differ by 0.68 of it, so the limit is 3.5 such errors
SURE = 2.4
ALIKE_SPREADS = 4.0  # three days differ by 1.7 of it, and by more than this once in two hundred times
SPREAD_DAYS = 30  # clear days that the spread is taken of
BACK = 0.6  # of the limit: above it some days one after the other the loss is over
UNSEEN_DAYS = (30, 60, 90, 120)  # the last days, which a fit to the days before has not seen
LOSS_DAYS = 8  # from whose median the loss is told; later ones follow what happens to the neighbours
SLOW_DAYS, YEAR_DAYS, SEASON_DAYS = 30, 365, 25
FEWEST_SLOW = 4
CLOCK_DAYS = 3
ROUNDS = 3  # of giving back: a second loss looks first as if an earlier one beside it were over


class Look(StrEnum):
    """By what something was found."""

    NEIGHBOURS = "neighbours"
    ALONE = "alone"
    BRIGHT = "bright"
    SEASON = "season"
    SHADE = "shade"
    CLOCK = "clock"


@dataclass(frozen=True, slots=True)
class Rule:
    """How many days in a row must be below the median of those before, and by how much (logarithm).

    `drift` is by how much more for each month that those before are older than a month: the season that the fit does not know.
    """

    days: int
    limit: float
    drift: float


RULES = {Look.NEIGHBOURS: Rule(3, 0.08, 0.02), Look.ALONE: Rule(3, 0.12, 0.03), Look.BRIGHT: Rule(5, 0.4, 0.1)}
RESTORED = Rule(3, 0.085, 0.02)  # what would bend the fit, seen with the rough fit of shapes
SLOW_LIMIT = {Look.NEIGHBOURS: 0.08, Look.ALONE: 0.12}


@dataclass(frozen=True, slots=True)
class Loss:
    """Something about one array: `loss` is the part that is missing (0..1), of a clock how many minutes late it is.

    `day` is the first day of it, `found` the day at whose end it was found, `ended` that on which it was over, `days` how many
    clear days say so. `slots` are the first slot of shade in a day and the one after its last.
    """

    array: str
    look: Look
    day: int
    found: int
    loss: float
    days: int
    ended: int | None = None
    slots: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class RoofState:
    """All arrays after all days; `looks` is what each is judged by, None for one that cannot be judged yet.

    `least` is the smallest loss (0..1) that would be found if it began after the last day: half of such losses are found by the
    third clear day. None where too few days of the last months say anything.
    """

    losses: tuple[Loss, ...]
    looks: tuple[Look | None, ...]
    least: tuple[float | None, ...]
    given: Given


def watch_roof(days: RoofDays) -> RoofState:
    """All days of a history: what was lost is given back to the neighbours of an array before it is judged once more."""
    given = given_of(days, fit_roof(restored(days)))
    looks = tuple(_look(given, a) for a in range(len(days.names)))
    for _ in range(ROUNDS):
        lost = given.own.copy()
        for a, name in enumerate(days.names):
            for loss in _quick(name, looks[a], given, a):
                lost[loss.day : loss.ended, a] -= np.log(1 - loss.loss)
        given = replace(given, beside=beside(given.own, lost))
    losses: list[Loss] = []
    least: list[float | None] = []
    for a, (name, look) in enumerate(zip(days.names, looks, strict=True)):
        quick = _quick(name, look, given, a)
        losses += [*_clock(name, given.shift_min[:, a]), *quick]
        least.append(None if look is None else _least(look, _series(given, look, a), quick))
        if any(loss.ended is None for loss in quick):
            continue
        slow = _season(name, look, _series(given, look, a)) if look in SLOW_LIMIT else []
        losses += slow or _shade(days, a)
    return RoofState(tuple(losses), looks, tuple(least), given)


def _series(given: Given, look: Look, a: int) -> Floats:
    """What an array is judged by."""
    return {Look.NEIGHBOURS: given.beside, Look.ALONE: given.own, Look.BRIGHT: given.bright}[look][:, a]


def _least(look: Look, series: Floats, losses: Sequence[Loss]) -> float | None:
    """The smallest loss that would be found after the last day, beside what is lost already."""
    whole = series.copy()
    for loss in losses:
        whole[loss.day : loss.ended] -= np.log(1 - loss.loss)
    known = np.flatnonzero(np.isfinite(whole))
    episode = _before(known, whole[known], (0, len(known)), len(series), RULES[look])
    return None if episode is None else float(1 - np.exp(-episode.limit))


def _quick(name: str, look: Look | None, given: Given, a: int) -> list[Loss]:
    """Its losses of some days; none of an array that cannot be judged."""
    if look is None:
        return []
    own = np.where(clear_sky(given.own), given.own[:, a], np.nan) if look is Look.NEIGHBOURS else None
    return [replace(loss, look=look) for loss in _episodes(name, RULES[look], _series(given, look, a), own)]


def clear_sky(own: Floats) -> Bools:
    """Days on which one array at least gives what its better days give [D].

    A sky that is covered evenly leaves the arrays as they are beside each other, and little of each.
    """
    better = [np.nanquantile(column, BETTER) if np.isfinite(column).any() else np.nan for column in own.T]
    return np.asarray(np.max(np.nan_to_num(own - np.array(better), nan=-np.inf), axis=1) > COVERED)


def restored(days: RoofDays) -> RoofDays:
    """The same without its losses, for the fit: a string that is lost in summer is no other tilt."""
    if len(days.names) == 1:
        return _restored_alone(days)
    shape = fit_shape(days)
    if shape is None:
        return days
    ratios, watt = given_of(days, shape).beside, days.watt.copy()
    for a, name in enumerate(days.names):
        for loss in _episodes(name, RESTORED, ratios[:, a], None):
            watt[loss.day : loss.ended, :, a] /= 1 - loss.loss
    return replace(days, watt=watt)


def _restored_alone(days: RoofDays) -> RoofDays:
    """The same of an array alone, while it is fitted to all days: its last days are judged by a fit that has not seen them.

    By the shape of days a loss cannot be told from a season, so the longer ago those days of the fit are, the larger the limit.
    """
    now = len(days.at_ms)
    for unseen in UNSEEN_DAYS if now <= FIT_DAYS + UNSEEN_DAYS[-1] else ():
        roof = fit_roof(days.until(now - unseen)) if now > unseen else None
        rule = RULES[Look.ALONE]
        rule = replace(rule, limit=rule.limit + rule.drift * unseen / 60)
        for loss in _episodes(days.names[0], rule, given_of(days, roof).own[:, 0], None):
            if loss.ended is None and loss.day >= now - unseen:
                watt = days.watt.copy()
                watt[loss.day :] /= 1 - loss.loss
                return replace(days, watt=watt)
    return days


def _look(given: Given, a: int) -> Look | None:
    """By what an array can be judged: the finest look that has days enough."""
    for look, values in ((Look.NEIGHBOURS, given.beside), (Look.ALONE, given.own), (Look.BRIGHT, given.bright)):
        if np.isfinite(values[:, a]).sum() >= FEWEST_BASE + RULES[look].days:
            return look
    return None


@dataclass(frozen=True, slots=True)
class _Episode:
    """What was given before, the limit below it, by how much days of a loss differ, and its first place among known days."""

    base: float
    limit: float
    alike: float
    place: int

    def told(self, values: Floats) -> float:
        """What is given since, by its first days."""
        return float(np.median(values[self.place : self.place + LOSS_DAYS]))


def _episodes(name: str, rule: Rule, series: Floats, own: Floats | None) -> list[Loss]:
    """What was lost and what came back, in order of time."""
    known = np.flatnonzero(np.isfinite(series))
    values = series[known]
    results: list[Loss] = []
    open_: _Episode | None = None
    fresh = 0  # days before this place are of before the last loss
    for k in range(rule.days - 1, len(known)):
        place = k - rule.days + 1
        last = slice(place, k + 1)
        if open_ is None:
            episode = _before(known, values, (fresh, place), int(known[place]), rule)
            if episode is None or not _fell(values[last] - episode.base, episode):
                continue
            if own is not None and not _own_fell(own, known, (fresh, place), last):
                continue
            open_ = episode
            results.append(Loss(name, Look.ALONE, int(known[place]), int(known[k]), 0.0, 0))
        elif place >= open_.place + rule.days and _fell(values[last] - open_.told(values[:place]), open_):
            results[-1] = replace(results[-1], ended=int(known[k]))  # more is lost: that has a day of its own
            open_ = replace(open_, place=place)
            results.append(Loss(name, Look.ALONE, int(known[place]), int(known[k]), 0.0, 0))
        fell = open_.told(values[: k + 1]) - open_.base
        results[-1] = replace(results[-1], loss=float(1 - np.exp(fell)), days=k + 1 - open_.place)
        if (values[last] - open_.base > -BACK * open_.limit).all():
            results[-1] = replace(results[-1], ended=int(known[k]))
            open_, fresh = None, place
    return results


def _before(known: Ints, values: Floats, places: tuple[int, int], day: int, rule: Rule) -> _Episode | None:
    """The median of the days before a place, and the limit by their age on a day; None with too few."""
    rows = np.arange(max(places[0], places[1] - BASE_DAYS), places[1])
    near = rows[known[rows] >= day - BASE_SPAN]
    if len(near) < FEWEST_BASE:
        near = rows[known[rows] >= day - BASE_OLDEST][-FEWEST_BASE:]
    if len(near) < FEWEST_BASE:
        return None
    months = max(0.0, (day - float(np.mean(known[near]))) / 30 - 1)
    spread = _spread(values[max(places[0], places[1] - SPREAD_DAYS) : places[1]])
    limit = max(rule.limit, SURE * spread) + rule.drift * months
    return _Episode(float(np.median(values[near])), limit, max(ALIKE, rule.limit, ALIKE_SPREADS * spread), places[1])


def _spread(values: Floats) -> float:
    """By how much one day differs from the next, as the spread of one of them: seasons do not count."""
    return float(np.std(np.diff(values)) / np.sqrt(2))


def _fell(deviations: Floats, episode: _Episode) -> bool:
    """Whether days are below the limit in their mean, each of them clearly below, and all alike."""
    limit = episode.limit
    return bool(
        deviations.mean() < -limit and (deviations < -BACK * limit).all() and np.ptp(deviations) < episode.alike
    )


def _own_fell(own: Floats, known: Ints, places: tuple[int, int], last: slice) -> bool:
    """Whether the array itself gives less than before, not only its neighbours more; `own` of days with a clear sky."""
    before = own[known[max(places[0], places[1] - BASE_SPAN) : places[1]]]
    before, after = before[np.isfinite(before)][-BASE_DAYS:], own[known[last]]
    after = after[np.isfinite(after)]
    return bool(len(before) and len(after) and np.median(after) - np.median(before) < -OWN_LEAST)


def _season(name: str, look: Look, series: Floats) -> list[Loss]:
    """The last month against the same season of the year before, at the end of the history."""
    now, count = len(series), SLOW_DAYS
    recent = series[max(0, now - count) :]
    first = now - count // 2 - YEAR_DAYS - SEASON_DAYS
    before = series[max(0, first) : max(0, first + 2 * SEASON_DAYS)]
    recent, before = recent[np.isfinite(recent)], before[np.isfinite(before)]
    if min(len(recent), len(before)) < FEWEST_SLOW:
        return []
    change = float(np.median(recent) - np.median(before))
    if change > -SLOW_LIMIT[look]:
        return []
    return [Loss(name, Look.SEASON, now - count, now - 1, 1 - float(np.exp(change)), len(recent))]


def _shade(days: RoofDays, a: int) -> list[Loss]:
    shade, now = shade_of(days, a), len(days.at_ms)
    if shade is None:
        return []
    slots = (shade.first, shade.until)
    return [Loss(days.names[a], Look.SHADE, now - SLOW_DAYS, now - 1, shade.loss, shade.days, slots=slots)]


def _clock(name: str, shift_min: Floats) -> list[Loss]:
    """A clock that was right and is wrong on the last clear days."""
    known = np.flatnonzero(np.isfinite(shift_min))
    wrong = np.abs(shift_min[known]) > RIGHT_MIN
    if len(known) < FEWEST_BASE + CLOCK_DAYS or not wrong[-CLOCK_DAYS:].all() or wrong.mean() > 0.5:
        return []
    right = np.flatnonzero(~wrong)
    first = int(known[right[-1] + 1])
    late = float(np.median(shift_min[known[right[-1] + 1 :]]))
    return [Loss(name, Look.CLOCK, first, int(known[-1]), late, len(known) - int(right[-1]) - 1)]


def open_losses(losses: Sequence[Loss]) -> tuple[Loss, ...]:
    """Those that are not over; of an array with a wrong clock only that."""
    lasting = [loss for loss in losses if loss.ended is None]
    wrong = {loss.array for loss in lasting if loss.look is Look.CLOCK}
    return tuple(loss for loss in lasting if loss.look is Look.CLOCK or loss.array not in wrong)
