"""What the forecasts of a site are made from, and how good those were that were given out, read from a store."""

import math
from dataclasses import replace

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.forecast.history import AHEAD_DAYS, KEPT_DAYS, History, Outside
from meterd.core.forecast.judge import scores
from meterd.core.forecast.outside import OLDEST_MS, known_at, on_grid
from meterd.core.forecast.site_powers import forecast_inputs, history_from, step_of
from meterd.core.model.forecast import (
    Course,
    ForecastScore,
    GivenOutside,
    OutsideQuantity,
    OutsideSeries,
    Quantity,
)
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, floor
from meterd.core.model.plan import Site

OUTSIDE_REACH_MS = AHEAD_DAYS * DAY_MS + OLDEST_MS  # so that an older one still reaches as far as our own
PARTS = 1000  # of the sky, since whole numbers are stored
WEEKS_BEFORE_DAYS = 35  # what the naive methods look back from the first forecast


def read_history(store: StoredFigures, site: Site, until_ms: int, days: int = KEPT_DAYS) -> History | None:
    """The closed intervals of the last days before a moment; None where there is nothing to forecast from."""
    interval, inputs, stored = site.interval_s * 1000, forecast_inputs(site), store.span(Period.INTERVAL)
    step = step_of(interval)
    if inputs is None or stored is None or step is None:
        return None
    until = floor(min(until_ms, stored[1] + interval), step)
    starts = np.arange(max(floor(stored[0], step), until - days * DAY_MS), until, interval, dtype=np.int64)
    if not len(starts):
        return None
    pv, sources, flexible = (
        plan.net(
            store.columns(plan.imports, Period.INTERVAL, starts), store.columns(plan.exports, Period.INTERVAL, starts)
        )
        for plan in inputs.plans
    )
    return history_from(int(starts[0]), (pv, sources, flexible), site)


def newly_said(store: ReadStore, site: Site, series: OutsideSeries | None, at_ms: int) -> GivenOutside | None:
    """A message from outside by intervals from a moment on; None where it says nothing of them, or nothing new.

    A broker repeats a retained message after each start: what was known before is no newer for that.
    """
    step, quantity = step_of(site.interval_s * 1000), site.forecast.quantity
    if series is None or step is None:
        return None
    before = store.forecasts.outside(quantity, at_ms - OUTSIDE_REACH_MS, at_ms)
    means = on_grid(series.times_ms, series.values, at_ms, step, OUTSIDE_REACH_MS // step)
    scale = PARTS if quantity is OutsideQuantity.CLOUD_COVER else 1
    values = tuple(round(item * scale) if math.isfinite(item) else None for item in means.tolist())
    known = before[-1].values[(at_ms - before[-1].known_ms) // step :] if before else ()
    if not any(item is not None for item in values) or (series.retained and known and values[: len(known)] == known):
        return None
    return GivenOutside(quantity, at_ms, step, values)


def with_outside(history: History, store: ReadStore, site: Site, newest: GivenOutside | None, rows: int) -> History:
    """The history with what the forecast from outside said in its last intervals; the same where the plan has none."""
    if not site.forecast.topic:
        return history
    step, quantity, end_ms = history.interval_ms, site.forecast.quantity, history.end_ms
    stored = store.forecasts.outside(quantity, end_ms - rows * step - OLDEST_MS, end_ms)
    given = [item for item in (*stored, *([] if newest is None else [newest])) if item.interval_ms == step]
    scale = PARTS if quantity is OutsideQuantity.CLOUD_COVER else 1
    courses = [(item.known_ms, np.array(item.values, dtype=np.float64) / scale) for item in given]
    known = known_at(courses, end_ms, step, rows, history.ahead)
    return replace(history, outside=Outside(quantity, known, given[-1].known_ms if given else None))


def forecast_scores(store: ReadStore, site: Site, from_ms: int, until_ms: int) -> tuple[ForecastScore, ...]:
    """How good the forecasts of a span were, one for each hour of issue; nothing where none were given out in it."""
    given = {quantity: _hourly(store, quantity, from_ms, until_ms) for quantity in Quantity}
    days = -(-(until_ms - from_ms) // DAY_MS) + WEEKS_BEFORE_DAYS
    history = read_history(store, site, until_ms, days) if any(given.values()) else None
    if history is None:
        return ()
    issued = {quantity: courses for quantity, courses in given.items() if courses}
    fitting = {
        q: [(at, course) for at, step, course in rows if step == history.interval_ms] for q, rows in issued.items()
    }
    return scores(history, fitting)


def _hourly(store: ReadStore, quantity: Quantity, from_ms: int, until_ms: int) -> list[tuple[int, int, Course]]:
    return [row for row in store.forecasts.between(quantity, from_ms, until_ms) if row[0] % HOUR_MS == 0]
