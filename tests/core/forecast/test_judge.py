"""Forecasts are judged by what came, beside methods that need none."""

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.core.forecast.history import Floats, History, history_of
from meterd.core.forecast.judge import naive, scores
from meterd.core.model.forecast import Course, ForecastScore, Quantity
from meterd.core.model.periods import HOUR_MS

DAY, DAYS = 24, 60
HOURS = np.arange(DAYS * DAY)
LOAD: Floats = np.asarray(
    5000.0 + 1000 * (HOURS % DAY) + 700 * (HOURS // DAY % 7), dtype=np.float64
)  # each week the same
PV: Floats = np.asarray(
    np.where((HOURS % DAY > 6) & (HOURS % DAY < 18), 8000.0 + 100 * (HOURS // DAY), 0.0), dtype=np.float64
)


def site(load: Floats = LOAD) -> History:
    return history_of(0, HOUR_MS, PV, load, zone=ZoneInfo("UTC"))


def given(wrong_w: int, quantity: Quantity = Quantity.LOAD) -> dict[Quantity, list[tuple[int, Course]]]:
    """Forecasts of the last 20 days that are wrong by so much at each lead, with a band of 1 kW to both sides."""
    values = {Quantity.LOAD: LOAD, Quantity.PV: PV}[quantity]
    courses = []
    for count in range(40 * DAY, DAYS * DAY - 48):
        ahead = values[count : count + 48].astype(int) + wrong_w
        courses.append((count * HOUR_MS, Course(tuple(ahead - 1000), tuple(ahead), tuple(ahead + 1000))))
    return {quantity: courses}


def score_of(results: tuple[ForecastScore, ...], lead_h: int) -> ForecastScore:
    return next(result for result in results if result.lead_h == lead_h)


def test_the_error_is_what_the_forecasts_are_wrong_by() -> None:
    """At every lead; the band holds all values while they are within it, and none beyond."""
    for wrong, inside in ((0, 1.0), (400, 1.0), (1500, 0.0)):
        for lead_h in (1, 3, 6, 24, 48):
            result = score_of(scores(site(), given(wrong)), lead_h)
            assert result.error_w == pytest.approx(float(wrong))
            assert result.inside == inside


def test_the_best_method_without_forecast_stands_beside() -> None:
    """A load that is the same each week is known a week before, without error."""
    result = score_of(scores(site(), given(100)), 24)
    assert (result.naive, result.naive_w) == ("as the week before", 0.0)


def test_pv_is_judged_by_day_only() -> None:
    """Eleven hours of the day; of the load all hours."""
    pv, load = score_of(scores(site(), given(1, Quantity.PV)), 1), score_of(scores(site(), given(1)), 1)
    assert pv.count == pytest.approx(load.count * 11 / 24, abs=12)


def test_missing_values_are_left_out_and_too_few_say_nothing() -> None:
    """A hole of all but a day: no score."""
    load = LOAD.copy()
    load[41 * DAY :] = np.nan
    assert scores(site(load), given(0)) == ()
    assert scores(site(), {Quantity.LOAD: []}) == ()


def test_naive_methods_look_back_only() -> None:
    """At 30 hours the day before yesterday is what is known of that time of day."""
    issued = np.array([50 * DAY])
    results = naive(LOAD, issued, issued + 30, DAY)
    assert results["as now"][0] == LOAD[50 * DAY]
    assert results["as the day before"][0] == LOAD[50 * DAY + 30 - 48]
    assert results["as the week before"][0] == LOAD[50 * DAY + 30 - 168]
    assert results["mean of four weeks"][0] == pytest.approx(
        LOAD[50 * DAY + 6 - 28 * DAY : 50 * DAY : DAY].mean(), rel=0.05
    )
