"""The forecast of a site: fitted once a day, issued at the end of each interval.

`fit` learns weights and bands of some leads; `issue` takes what is known now and reads the leads between two of them off the
straight line between their forecasts. Nothing that comes after the end of the history enters either.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from meterd.core.forecast.band import AROUND_MS, BAND_DAYS, band_of
from meterd.core.forecast.blend import fitted, load_columns, pv_columns
from meterd.core.forecast.history import FIRST_DAYS, YOUNG_DAYS, Bools, Floats, History, Ints, Outside
from meterd.core.forecast.outside import MOST as ENVELOPE_MOST
from meterd.core.forecast.outside import Worth, power_of, said_of, shape_of, worth_of
from meterd.core.forecast.terms import Terms, terms_of
from meterd.core.model.forecast import Course, OutsideQuantity, OutsideUse, Quantity, SiteForecast
from meterd.core.model.periods import HOUR_MS

LEADS_H = (0.25, 0.5, 0.75, 1, 1.5, 2, 3, 4, 6, 9, 12, 18, 24, 36, 48)
FIT_DAYS = 60  # weights follow the season
CHOICE_DAYS = 28  # of what can be the forecast of a load, that one is taken which erred least in four weeks
# weights fit the days they were learned from better than the next one: by 2 / days of them, so that a blend that is young
# must be clearly better than "as now" or the median to be taken (measured on a house of seven weeks: 0.64 to 0.59 kW)
BLEND_DOUBT_DAYS = 2.0
MEDIAN_PART = 0.5  # of the median error that is added: all of it would follow the chance of some weeks
# what is cut off at each end of the errors, so that 80 % of values to come fall into the band (siteA, opsd, uci)
PV_TAIL, PV_TAIL_SHORT, LOAD_TAIL, NET_TAIL = 0.06, 0.09, 0.08, 0.07
SHOWN_H = (1, 3, 6, 24)  # hours ahead whose weights of a forecast from outside are shown
NONE_MARGIN = 1.1  # "no surplus" is taken where a forecast is not better by a tenth (siteA, 24 and 48 h)


@dataclass(frozen=True, slots=True)
class Bands:
    """Around forecasts of PV and of PV less load: a row for each slot of a day, that of PV in parts of the scale."""

    pv: Floats
    net: Floats
    rare: bool  # whether the surplus is so rare that its middle is none


@dataclass(frozen=True, slots=True)
class Lead:
    """What was learned of one lead, in intervals. The band of the load has a row for each slot of a day."""

    lead: int
    pv: Floats
    load: tuple[Floats, Floats]  # weights by class of day, and of all days
    choice: int  # which of the loads of `_loads` is the forecast
    load_band: Floats
    own: Bands
    outside: Worth | None = None  # of a forecast from outside, and the bands of the forecast that is mixed with it
    mixed: Bands | None = None


@dataclass(frozen=True, slots=True)
class Model:
    """What was learned up to `fitted_ms`."""

    fitted_ms: int
    leads: tuple[Lead, ...]


def leads_of(history: History) -> list[int]:
    """The leads that are learned, in intervals: dense where errors grow fast, and both sides of a whole day."""
    step_h = history.interval_ms / HOUR_MS
    day = history.per_day
    return sorted({max(1, round(hours / step_h)) for hours in LEADS_H} | {day, day + 1, history.ahead})


def fit(history: History, leads: list[int] | None = None) -> Model:
    """Weights and bands of each lead from the last sixty days; cost: about 0.3 s for quarter hours."""
    terms = terms_of(history, (FIT_DAYS + 4) * history.per_day)
    return Model(history.end_ms, tuple(_fit_lead(history, terms, lead) for lead in leads or leads_of(history)))


def _fit_lead(history: History, terms: Terms, lead: int) -> Lead:
    day, count = history.per_day, len(history.load)
    first = max(count - FIT_DAYS * day, terms.first + day + lead)
    target = np.arange(min(first, count), count)
    issued, lead_h = target - lead, lead * history.interval_ms / HOUR_MS
    pv, load = history.pv[target], history.load[target]
    everything: Bools = np.ones(len(target), dtype=np.bool_)
    columns = pv_columns(terms, issued, target, lead_h)
    bright = history_bright(terms, target, lead)
    weights = fitted(columns, pv, bright)
    loads = (
        fitted(load_columns(terms, issued, target, lead_h, by_class=True), load, everything),
        fitted(load_columns(terms, issued, target, lead_h, by_class=False), load, everything),
    )
    empty = np.zeros((day, 3))
    learned = Lead(lead, weights, loads, choice=0, load_band=empty, own=Bands(empty, empty, rare=False))
    candidates = _loads(learned, terms, issued, target=target, lead_h=lead_h)
    choice = _best(candidates, load, CHOICE_DAYS * day, 1 + BLEND_DOUBT_DAYS * day / max(len(target), 1))
    made = _pv(learned, terms, issued, target=target, lead_h=lead_h)
    own = _bands(history, terms, made, candidates[choice], lead=lead)
    load_band = _band(history, load - candidates[choice], LOAD_TAIL)
    known = Lead(lead, weights, loads, choice, load_band, own)
    if history.outside is None:
        return known
    output = said_of(history.outside, count, issued, lead)
    envelope = terms.pv.envelope[(lead - 1) // day, target - terms.first]
    shape = shape_of(history.outside.quantity, output, envelope)
    by_time = history.outside.quantity is OutsideQuantity.IRRADIANCE
    worth = worth_of(shape, made, pv, envelope, day=day, by_time=by_time)
    mixed = made + worth.weight * (power_of(shape, worth.ratio[(target - count) % day], envelope) - made)
    return replace(known, outside=worth, mixed=_bands(history, terms, mixed, candidates[choice], lead=lead))


def _bands(history: History, terms: Terms, made: Floats, load: Floats, *, lead: int) -> Bands:
    """The bands from the errors of forecasts of the last intervals: PV, and PV less load."""
    day, count = history.per_day, len(history.load)
    target = np.arange(count - len(made), count)
    scale = terms.pv.scale[(lead - 1) // day, target - terms.first]
    tail = PV_TAIL if lead * history.interval_ms >= HOUR_MS else PV_TAIL_SHORT
    net = history.pv[target] - history.load[target]
    pv_band = _band(history, _parts(history.pv[target] - made, scale), tail)
    net_band = _band(history, net - (made - load), NET_TAIL)
    middle = made - load + _around(net_band)[(target - count) % day, 1]
    return Bands(pv_band, net_band, _rare(net[-BAND_DAYS * day :], middle[-BAND_DAYS * day :]))


def _band(history: History, errors: Floats, tail: float) -> Floats:
    day = history.per_day
    return band_of(_last(errors, BAND_DAYS * day), day, AROUND_MS // history.interval_ms, tail=tail)


def _rare(net: Floats, forecast: Floats) -> bool:
    """Whether "no surplus" was nearly as good a forecast in six weeks: then it is the better one for the next days."""
    known = np.isfinite(net) & np.isfinite(forecast)
    surplus = np.maximum(net[known], 0.0)
    errors = np.abs(np.maximum(forecast[known], 0.0) - surplus)
    return bool(known.any() and surplus.sum() < NONE_MARGIN * errors.sum())


def history_bright(terms: Terms, target: Ints, lead: int) -> Bools:
    """Whether PV is possible at a slot at all: nights would only dilute the weights."""
    return np.asarray(terms.pv.envelope[(lead - 1) // terms.per_day, target - terms.first] > 0)


def _parts(errors: Floats, scale: Floats) -> Floats:
    """Errors in parts of the scale; missing where there is none yet."""
    return np.asarray(np.divide(errors, scale, out=np.full(len(errors), np.nan), where=scale > 0))


def _last(errors: Floats, count: int) -> Floats:
    """The last so many errors, filled with missing ones at the beginning."""
    newest = errors[-count:]
    return np.concatenate((np.full(count - len(newest), np.nan), newest))


def _best(candidates: list[Floats], actual: Floats, newest: int, doubt: float) -> int:
    """Which candidate has erred least in the newest values, with the errors of blends times a doubt; 0 where none is known."""
    errors = [np.abs(candidate - actual)[-newest:] for candidate in candidates]
    known = np.isfinite(np.stack(errors)).all(axis=0)
    factor = (doubt, doubt, 1.0, 1.0)
    return (
        int(np.argmin([f * error[known].mean() for f, error in zip(factor, errors, strict=True)])) if known.any() else 0
    )


def _pv(learned: Lead, terms: Terms, issued: Ints, *, target: Ints, lead_h: float) -> Floats:
    """PV in W without band: never below 0, never far beyond a clear day."""
    blend = pv_columns(terms, issued, target, lead_h).rows @ learned.pv
    envelope = terms.pv.envelope[(target - issued - 1) // terms.per_day, target - terms.first]
    return np.clip(blend, 0.0, ENVELOPE_MOST * envelope)


def _loads(learned: Lead, terms: Terms, issued: Ints, *, target: Ints, lead_h: float) -> list[Floats]:
    """What may be the forecast of the load in W: two blends, as now, and the median of thirty days."""
    blends = [
        load_columns(terms, issued, target, lead_h, by_class=by_class).rows @ weights
        for by_class, weights in zip((True, False), learned.load, strict=True)
    ]
    back = (target - issued - 1) // terms.per_day
    return [*blends, terms.load.now[issued - terms.first], terms.load.median[back, target - terms.first]]


def issue(model: Model, history: History) -> SiteForecast | None:
    """The forecast at the end of a history; None where it is shorter than two days. Cost: some milliseconds."""
    days = history.days(history.load)
    if days < FIRST_DAYS:
        return None
    terms = terms_of(history, 4 * history.per_day)
    now = len(history.load) - 1
    tables = [_tables(lead, model, history, terms=terms, now=now) for lead in model.leads]
    targets = np.arange(1, history.ahead + 1)
    leads = [lead.lead for lead in model.leads]
    of = {kind: _between(targets, leads, [table[kind] for table in tables], history.per_day) for kind in tables[0]}
    kinds = [kind for kind in of if kind is Quantity.LOAD or history.days(history.pv) >= FIRST_DAYS]
    courses = tuple((kind, _course(of[kind])) for kind in kinds)
    outside = None if history.outside is None else _use(model, history, history.outside)
    return SiteForecast(history.end_ms, history.interval_ms, days < YOUNG_DAYS, int(days), courses, outside)


def _use(model: Model, history: History, outside: Outside) -> OutsideUse:
    """What a page says of the forecast from outside: its weights some hours ahead."""
    output = len(outside.known) > 0 and bool(np.isfinite(outside.known[-1]).any())
    worth = {lead.lead: lead.outside for lead in model.leads if lead.outside is not None}
    hours = {hour: worth.get(hour * HOUR_MS // history.interval_ms) for hour in SHOWN_H}
    weights = tuple((hour, item.weight) for hour, item in hours.items() if item is not None)
    days = max((item.days for item in worth.values()), default=0)
    return OutsideUse(outside.known_ms if output else None, days, weights)


Tables = dict[Quantity, Floats]  # of all targets: rows of low, middle, high


def _tables(learned: Lead, model: Model, history: History, *, terms: Terms, now: int) -> Tables:
    """The forecasts of all targets as this lead sees them."""
    target = now + np.arange(1, history.ahead + 1)
    issued = np.full(len(target), now)
    lead_h = learned.lead * history.interval_ms / HOUR_MS
    place = (target - (model.fitted_ms - history.start_ms) // history.interval_ms) % history.per_day
    pv = _pv(learned, terms, issued, target=target, lead_h=lead_h)
    load = _loads(learned, terms, issued, target=target, lead_h=lead_h)[learned.choice]
    load_table = np.maximum(load[:, None] + _around(learned.load_band[place]), 0.0)
    own, surplus = _with_bands(learned.own, terms, target, pv=pv, load=load, place=place)
    tables = {Quantity.PV: own, Quantity.LOAD: load_table, Quantity.SURPLUS: surplus}
    if learned.outside is None or learned.mixed is None or history.outside is None or not len(history.outside.known):
        return tables
    envelope = terms.pv.envelope[(target - now - 1) // history.per_day, target - terms.first]
    power = power_of(
        shape_of(history.outside.quantity, history.outside.known[-1], envelope), learned.outside.ratio[place], envelope
    )
    mixture = pv + learned.outside.weight * (power - pv)
    mixed, with_it = _with_bands(learned.mixed, terms, target, pv=mixture, load=load, place=place)
    output = (np.isfinite(power) & (learned.outside.weight > 0))[:, None]
    tables[Quantity.PV], tables[Quantity.SURPLUS] = np.where(output, mixed, own), np.where(output, with_it, surplus)
    return tables | {Quantity.PV_OWN: own, Quantity.PV_OUTSIDE: np.repeat(power[:, None], 3, axis=1)}


def _with_bands(
    bands: Bands, terms: Terms, target: Ints, *, pv: Floats, load: Floats, place: Ints
) -> tuple[Floats, Floats]:
    """PV and surplus of the targets from the slot after the moment of issue on, in rows of low, middle, high."""
    at = (np.arange(len(target)) // terms.per_day, target - terms.first)
    scale, envelope = terms.pv.scale[at][:, None], terms.pv.envelope[at][:, None]
    surplus = np.maximum((pv - load)[:, None] + _around(bands.net[place]), 0.0)
    if bands.rare:
        surplus[:, 1] = surplus[:, 0]
    return np.clip(pv[:, None] + _around(bands.pv[place]) * scale, 0.0, ENVELOPE_MOST * envelope), surplus


def _around(band: Floats) -> Floats:
    """What is added to a forecast: the ends of its band, and in the middle a part of the median error, between the ends."""
    middle = np.clip(MEDIAN_PART * band[:, 1], band[:, 0], band[:, 2])
    return np.stack([band[:, 0], middle, band[:, 2]], axis=-1)


def _between(targets: Ints, leads: list[int], tables: list[Floats], day: int) -> Floats:
    """The forecast of each target from those of the learned leads around it; beyond the first and last as theirs."""
    result = tables[0].copy()
    for (low, high), (below, above) in zip(pairwise(leads), pairwise(tables), strict=True):
        inside = (targets >= low) & (targets <= high)
        part = ((targets[inside] - low) / (high - low))[:, None]
        result[inside] = below[inside] + part * (above[inside] - below[inside])
    result[targets > leads[-1]] = tables[-1][targets > leads[-1]]
    return result


def _course(table: Floats) -> Course:
    """Whole W; None where nothing is known."""
    low, middle, high = (tuple(round(v) if math.isfinite(v) else None for v in column) for column in table.T.tolist())
    return Course(low, middle, high)
