"""Each term is what its definition says, worked out by pandas or by hand on the given site."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from meterd.core.forecast.history import History, history_of
from meterd.core.forecast.terms import CLEAR_MOST, terms_of
from meterd.core.model.periods import to_ms
from tests.core.forecast.walk import history

DAY = 96


@pytest.fixture(scope="module")
def site_a() -> History:
    """A spring of the given site."""
    return history("siteA").until(140 * DAY)


def test_what_is_usual_is_that_of_pandas(site_a: History) -> None:
    """Mean of 28 days, envelope of 30, median of 30: of one day back and of two."""
    terms = terms_of(site_a, 10 * DAY)
    pv, load = pd.Series(site_a.pv), pd.Series(site_a.load)
    for t in (139 * DAY + 44, 140 * DAY + 50):  # the last day, and the day after it
        place = t - terms.first
        back = pv[[t - m * DAY for m in range(1, 29)]]
        assert terms.pv.usual[0, place] == pytest.approx(back.mean())
        around = [pv[[t + n - m * DAY for m in range(1, 31)]].quantile(0.95) for n in (-1, 0, 1)]
        assert terms.pv.envelope[0, place] == pytest.approx(np.mean(around))
        assert terms.pv.envelope[1, place + DAY] == terms.pv.envelope[0, place]
        assert terms.load.median[0, place] == pytest.approx(load[[t - m * DAY for m in range(1, 31)]].median())
        assert terms.load.of_all[1, place] == pytest.approx(load[[t - m * DAY for m in range(2, 30)]].mean())


def test_means_of_a_class_take_days_of_rest_alone(site_a: History) -> None:
    """A Saturday is the mean of the Saturdays and Sundays of eight weeks."""
    terms = terms_of(site_a, 10 * DAY)
    start = pd.Timestamp(site_a.start_ms, unit="ms", tz="UTC").tz_convert("Europe/Berlin")
    t = next(n for n in range(132 * DAY, 140 * DAY) if (start + pd.Timedelta(minutes=15 * n)).weekday() == 5)
    moment = start + pd.Timedelta(minutes=15 * t)
    days = [moment - pd.DateOffset(days=m) for m in range(1, 57)]  # on local clocks, over the change of spring
    rest = [(day - start) // pd.Timedelta(minutes=15) for day in days if day.weekday() >= 5]
    assert terms.load.of_class[0, t - terms.first] == pytest.approx(site_a.load[rest].mean())


def test_the_ratio_to_a_clear_sky_is_carried_through_the_night() -> None:
    """Half of a clear day in the evening is still half at midnight; it never exceeds its bound."""
    angle = np.clip(np.sin(2 * np.pi * (np.arange(40 * DAY) / DAY - 0.25)), 0, None) * 1000
    pv = angle.copy()
    pv[-DAY:] *= 0.5
    start = to_ms(datetime(2026, 5, 1, tzinfo=UTC))
    whole = history_of(start, 900_000, pv, np.ones(len(pv)), zone=ZoneInfo("UTC"))
    terms = terms_of(whole, 4 * DAY)
    now, hour, day = terms.pv.clear[:, len(pv) - 1 - terms.first]
    assert now == pytest.approx(0.5, abs=0.01)
    assert hour == pytest.approx(0.5, abs=0.01)
    assert day == pytest.approx(0.5, abs=0.01)
    assert terms.pv.clear.max() <= CLEAR_MOST


def test_a_lost_interval_is_bridged_for_an_hour(site_a: History) -> None:
    """Then what is usual takes its place."""
    load = site_a.load.copy()
    load[-3:] = np.nan
    whole = history_of(site_a.start_ms, 900_000, site_a.pv, load, zone=ZoneInfo("Europe/Berlin"))
    terms = terms_of(whole, 4 * DAY)
    last = len(load) - 1 - terms.first
    assert terms.load.now[last] == load[-4]
    load[-6:] = np.nan
    terms = terms_of(history_of(site_a.start_ms, 900_000, site_a.pv, load, zone=ZoneInfo("Europe/Berlin")), 4 * DAY)
    assert terms.load.now[last] == terms.load.of_class[0, last]
