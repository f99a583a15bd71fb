"""What the forecasts of a site are made from, and how good those were that were given out, read from a store."""

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.forecast.history import KEPT_DAYS, History
from meterd.core.forecast.judge import scores
from meterd.core.forecast.site_powers import forecast_inputs, history_from, step_of
from meterd.core.model.forecast import Course, ForecastScore, Quantity
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, floor
from meterd.core.model.plan import Site

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
