"""The terms that a forecast is blended from: what is usual at a slot, and how the present differs from what is usual.

A slot is an interval of the history, or one of the two days after it; a day has D of them. What is usual at slot t comes in
two rows: row 0 rests on values up to t - D, row 1 on values up to t - 2 D, for a forecast issued more than a day before t.
So nothing rests on a value later than the moment of issue.

Source: the usual terms of forecasts from history (common practice): clear-sky envelope, climatology of the same time of day,
persistence and its ramp. No weather, no place.
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.forecast.history import Bools, Floats, History, Ints
from meterd.core.model.periods import HOUR_MS

ENVELOPE_DAYS = 30  # a clear day is nearly always among them
ENVELOPE_QUANTILE = 0.95
MEAN_DAYS = 28  # four weeks: every day of the week as often
CLASS_DAYS = 56  # days of rest are only two in seven
NIGHT = 0.05  # of the highest envelope of a day: below it a ratio to the envelope is noise
CLEAR_MOST = 1.3  # a ratio to the envelope beyond it is an edge of a cloud, no clear sky


@dataclass(frozen=True, slots=True)
class PvTerms:
    """Of PV, in W by slot; `clear` are ratios to the envelope: now, of the last hour, of the last day (3 rows).

    `scale` is what errors of PV are measured by: the envelope, at least 5 % of the highest of its day (2 rows, like `usual`).
    """

    now: Floats
    envelope: Floats
    usual: Floats
    clear: Floats
    scale: Floats


@dataclass(frozen=True, slots=True)
class LoadTerms:
    """Of the load, in W by slot: means of days of the same class and of all days, median; `above_*` is what the last hour

    and the last day had above them.
    """

    now: Floats
    of_class: Floats
    of_all: Floats
    median: Floats
    above_class: Floats  # 2 rows: last hour, last day
    above_all: Floats
    apart_class: Floats  # 2 rows: the value of one and of two days before, above what was usual then
    apart_all: Floats


@dataclass(frozen=True, slots=True)
class Terms:
    """The terms of the slots from `first` on; `per_day` slots are a day."""

    first: int
    per_day: int
    pv: PvTerms
    load: LoadTerms


def terms_of(history: History, slots: int) -> Terms:
    """The terms of the last `slots` intervals and of the two days after them.

    Terms of the first two days of them lack what rests on values before; so ask for two days more than are used.
    """
    first = max(0, len(history.load) - slots)
    at = np.arange(first, len(history.load) + history.ahead)
    hour = max(1, HOUR_MS // history.interval_ms)
    pv, load = _pv_terms(history, at, hour), _load_terms(history, at, hour)
    return Terms(first, history.per_day, pv, load)


def _pv_terms(history: History, at: Ints, hour: int) -> PvTerms:
    day, now = history.per_day, _at(history.pv, at)
    envelope = _smooth(quantile_of(days_back(history.pv, at, day, ENVELOPE_DAYS), ENVELOPE_QUANTILE))
    usual = mean_of(days_back(history.pv, at, day, MEAN_DAYS))
    least = NIGHT * _highest(envelope, day)
    clear = np.stack([_clearness(now, envelope, least, width) for width in (1, hour, day)])
    scale = np.maximum(envelope, least)
    return PvTerms(_carried(now, hour, usual), _rows(envelope, day), _rows(usual, day), clear, _rows(scale, day))


def _load_terms(history: History, at: Ints, hour: int) -> LoadTerms:
    day, now = history.per_day, _at(history.load, at)
    places = _same_clock(history, at)
    back = _values_at(history.load, places)
    of_all = np.stack([mean_of(back[:MEAN_DAYS]), mean_of(back[1 : MEAN_DAYS + 1])])
    median = [quantile_of(back[first : ENVELOPE_DAYS + first], 0.5) for first in (0, 1)]
    of_class = _class_means(back, _same_class(history.restdays, at, places), of_all)
    over_class, over_all = now - of_class[0], now - of_all[0]
    return LoadTerms(
        _carried(now, hour, of_class[0]),
        of_class,
        of_all,
        median=np.stack(median),
        above_class=_windows(over_class, hour, day),
        above_all=_windows(over_all, hour, day),
        apart_class=_before(over_class, day),
        apart_all=_before(over_all, day),
    )


def _at(values: Floats, at: Ints) -> Floats:
    """The values of slots; NaN where there is none yet."""
    return np.where(at < len(values), values[np.minimum(at, len(values) - 1)], np.nan)


def days_back(values: Floats, at: Ints, day: int, days: int) -> Floats:
    """The values 1, 2, .. days before each slot, one row for each day; NaN where there is none."""
    return _values_at(values, at[None, :] - day * np.arange(1, days + 1)[:, None])


def _values_at(values: Floats, place: Ints) -> Floats:
    """The values of slots; NaN where there is none."""
    known = (place >= 0) & (place < len(values))
    return np.where(known, values[np.clip(place, 0, len(values) - 1)], np.nan)


def _same_clock(history: History, at: Ints) -> Ints:
    """The slots 1, 2, .. 56 days before at the same time on local clocks, which a change of the clocks moves by an hour."""
    place = at[None, :] - history.per_day * np.arange(1, CLASS_DAYS + 1)[:, None]
    moved = history.offsets_ms[at][None, :] - history.offsets_ms[np.maximum(place, 0)]
    return np.asarray(place + moved // history.interval_ms)


def _same_class(restdays: Bools, at: Ints, places: Ints) -> Bools:
    """Whether slots of days before belong to the same class of days."""
    return np.asarray(restdays[np.clip(places, 0, len(restdays) - 1)] == restdays[at][None, :])


def _class_means(back: Floats, same: Bools, of_all: Floats) -> Floats:
    """Means of the days of the same class, of one and of two days back; of all days where there is none yet."""
    some = np.where(same, back, np.nan)
    rows = np.stack([mean_of(some), mean_of(some[1:])])
    return np.where(np.isfinite(rows), rows, of_all)


def mean_of(rows: Floats) -> Floats:
    """The mean of each column without what is missing; NaN where all is."""
    known = np.isfinite(rows)
    count = known.sum(axis=0)
    total = np.where(known, rows, 0.0).sum(axis=0)
    return np.asarray(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0))


def quantile_of(rows: Floats, part: float) -> Floats:
    """A quantile of each column without what is missing, linear between neighbours; NaN where all is.

    Hyndman and Fan 1996, definition 7.
    """
    ordered = np.sort(rows, axis=0)  # NaN goes last
    count = np.isfinite(rows).sum(axis=0)
    place = part * np.maximum(count - 1, 0)
    low = place.astype(np.int64)
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    columns = np.arange(rows.shape[1])
    below, above = ordered[low, columns], ordered[high, columns]
    return np.asarray(below + (place - low) * (above - below))


def _smooth(values: Floats) -> Floats:
    """The mean of each value and its neighbours: an envelope of thirty days is rough."""
    padded = np.concatenate(([np.nan], values, [np.nan]))
    return mean_of(np.stack([padded[:-2], padded[1:-1], padded[2:]]))


def _highest(values: Floats, day: int) -> Floats:
    """The highest of the day that ends with each slot, 0 where none is known."""
    known = np.where(np.isfinite(values), values, 0.0)
    padded = np.concatenate((np.zeros(day - 1), known))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, day).max(axis=1))


def _rows(values: Floats, day: int) -> Floats:
    """The two rows of what is usual: as of one day back, and as of two, which is that of the same time a day before."""
    return np.stack([values, np.concatenate((np.full(day, np.nan), values[:-day]))])


def _before(values: Floats, day: int) -> Floats:
    """The values of one and of two days before."""
    missing = np.full(day, np.nan)
    day_before = np.concatenate((missing, values[:-day]))
    return np.stack([day_before, np.concatenate((missing, day_before[:-day]))])


def _window_sum(values: Floats, width: int) -> tuple[Floats, Ints]:
    """Sums of the last `width` values that are known, and how many those are."""
    known = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    start = np.maximum(np.arange(len(values)) + 1 - width, 0)
    end = np.arange(len(values)) + 1
    return total[end] - total[start], count[end] - count[start]


def _windows(values: Floats, hour: int, day: int) -> Floats:
    """Means of the last hour and of the last day; of the day where nothing of the hour is known, else 0."""
    day_sum, day_count = _window_sum(values, day)
    hour_sum, hour_count = _window_sum(values, hour)
    of_day = np.where(day_count > 0, day_sum / np.maximum(day_count, 1), 0.0)
    return np.stack([np.where(hour_count > 0, hour_sum / np.maximum(hour_count, 1), of_day), of_day])


def _clearness(now: Floats, envelope: Floats, least: Floats, width: int) -> Floats:
    """The ratio of PV to its envelope over the last `width` slots, 0 to 1.3, carried through the night; 1 before the first."""
    usable = np.isfinite(now) & np.isfinite(envelope)
    got, _ = _window_sum(np.where(usable, now, np.nan), width)
    most, _ = _window_sum(np.where(usable, envelope, np.nan), width)
    bright = usable & (envelope > least) & (most > 0)
    ratio = np.clip(got / np.where(bright, most, 1.0), 0.0, CLEAR_MOST)
    newest = np.maximum.accumulate(np.where(bright, np.arange(len(now)), -1))
    return np.where(newest >= 0, ratio[np.maximum(newest, 0)], 1.0)


def _carried(now: Floats, hour: int, usual: Floats) -> Floats:
    """The newest value of the last hour, else what is usual: one lost interval does not end a forecast."""
    newest = np.maximum.accumulate(np.where(np.isfinite(now), np.arange(len(now)), -1))
    near = (newest >= 0) & (np.arange(len(now)) - newest < hour)
    return np.where(near, now[np.maximum(newest, 0)], usual)
