"""A forecast sees nothing of what comes, keeps its order, says when it is young, and is as good as measured methods."""

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.core.forecast.history import History, history_of
from meterd.core.forecast.model import fit, issue, leads_of
from meterd.core.model.forecast import Quantity, SiteForecast
from meterd.core.model.periods import from_ms, to_ms
from tests.core.forecast.walk import Result, aims, history, walked


@cache
def site_a() -> History:
    return history("siteA")


def forecast_of(whole: History, fitted: int, count: int) -> SiteForecast:
    """Fitted after so many intervals, issued after so many."""
    forecast = issue(fit(whole.until(fitted), [1, 4, 96, 97, 192]), whole.until(count))
    assert forecast is not None
    return forecast


@pytest.mark.parametrize("day", [4, 20, 75, 200])
def test_nothing_after_the_moment_of_issue_changes_a_forecast(day: int) -> None:
    """Everything later is another world: other powers, holes, zeros. No number of the forecast moves."""
    whole, count = site_a(), day * 96 + 50
    before = forecast_of(whole, day * 96, count)
    random = np.random.default_rng(17)
    later = np.where(
        random.random(len(whole.load) - count) < 0.3, np.nan, random.normal(3e5, 1e5, len(whole.load) - count)
    )
    other = replace(
        whole,
        pv=np.concatenate((whole.pv[:count], np.abs(later))),
        load=np.concatenate((whole.load[:count], later)),
    )
    assert forecast_of(other, day * 96, count) == before


def test_each_interval_of_48_hours_has_its_band_in_order() -> None:
    """192 quarter hours; low below middle below high; PV and surplus never below zero, at night none."""
    forecast = forecast_of(site_a(), 100 * 96, 100 * 96 + 40)
    assert [quantity for quantity, _ in forecast.courses] == [Quantity.PV, Quantity.LOAD, Quantity.SURPLUS]
    for quantity, course in forecast.courses:
        table = np.array([course.low, course.middle, course.high], dtype=float)
        assert table.shape == (3, 192)
        assert (np.diff(table, axis=0) >= 0).all(), quantity
        assert (table >= 0).all()
    pv = forecast.of(Quantity.PV)
    assert pv is not None
    night = [n for n in range(192) if (forecast.issued_ms // 900_000 + n) % 96 in range(8)]  # 0 to 2 o'clock UTC
    assert {pv.high[n] for n in night} == {0}


def test_a_young_forecast_says_so_and_one_of_a_day_is_none() -> None:
    """Below two days there is nothing, below six weeks it is young."""
    whole = site_a()
    assert issue(fit(whole.until(96 * 2)), whole.until(96 * 2 - 1)) is None
    young, old = forecast_of(whole, 96 * 41, 96 * 41), forecast_of(whole, 96 * 43, 96 * 43)
    assert (young.young, young.days) == (True, 41)
    assert (old.young, old.days) == (False, 43)


def test_a_site_without_pv_has_a_load_only() -> None:
    """And its load is that of the site with PV."""
    whole = site_a().until(96 * 60)
    without = replace(whole, pv=np.full(len(whole.pv), np.nan))
    forecast = forecast_of(without, 96 * 60, 96 * 60)
    assert [quantity for quantity, _ in forecast.courses] == [Quantity.LOAD]
    assert forecast.of(Quantity.LOAD) == forecast_of(whole, 96 * 60, 96 * 60).of(Quantity.LOAD)


@pytest.mark.parametrize("hole", [1, 3, 30, 200])
def test_holes_do_not_end_a_forecast(hole: int) -> None:
    """The newest intervals are missing, as after a lost meter: every interval still has a number."""
    whole = site_a().until(96 * 70)
    pv, load = whole.pv.copy(), whole.load.copy()
    pv[-hole:], load[-hole:] = np.nan, np.nan
    forecast = forecast_of(replace(whole, pv=pv, load=load), 96 * 70, 96 * 70)
    assert all(None not in (*course.low, *course.middle, *course.high) for _, course in forecast.courses)


def test_the_same_history_gives_the_same_forecast() -> None:
    """Bit for bit, and at another place of the array too: a history that begins later but holds all that is looked at."""
    whole = site_a()
    assert forecast_of(whole, 120 * 96, 120 * 96) == forecast_of(whole, 120 * 96, 120 * 96)


def test_leads_reach_from_one_interval_to_48_hours() -> None:
    """Both sides of a whole day are learned, since values of one day less may be used before it."""
    leads = leads_of(site_a())
    assert (leads[0], leads[-1]) == (1, 192)
    assert {96, 97} <= set(leads)
    assert leads_of(history("opsd"))[:3] == [1, 2, 3]


def missed(name: str, results: dict[tuple[Quantity, float], Result]) -> tuple[list[str], list[str]]:
    """Which musts are missed, and which aims, in words."""
    table, must, aim = aims(), [], []
    for (quantity, hours), result in results.items():
        row = table[name, quantity.value, hours]
        error_kw = result.error_kw
        if (
            quantity is Quantity.SURPLUS
        ):  # our days are longer, and what they have more is without surplus: compare the sums
            error_kw *= max(1.0, result.count / row.count)
        text = f"{quantity.value} {hours:g} h: {error_kw:.4f} kW of {row.must_kw:.4f}, aim {row.aim_kw:.4f}"
        must += [text] if error_kw > row.must_kw else []
        aim += [text] if error_kw > row.aim_kw else []
    return must, aim


def outside(name: str, results: dict[tuple[Quantity, float], Result]) -> list[str]:
    """Where the band holds fewer or more values than it may."""
    table = aims()
    return [
        f"{quantity.value} {hours:g} h: {result.inside:.3f}"
        for (quantity, hours), result in results.items()
        if not table[name, quantity.value, hours].cover[0]
        <= result.inside
        <= table[name, quantity.value, hours].cover[1]
    ]


def test_a_house_of_seven_weeks_is_forecast_better_than_without_a_forecast() -> None:
    """Walked forward through the real house: no lead is worse than the best method that needs no forecast."""
    results = walked("uci")
    must, aim = missed("uci", results)
    assert must == []
    assert len(aim) <= len(results) // 4


def test_a_load_that_follows_the_clock_is_forecast_over_a_change_of_the_clocks() -> None:
    """Ovens from 4 to 9 on local clocks: on the Monday after the spring change they start an hour earlier in UTC."""
    zone, start = ZoneInfo("Europe/Berlin"), to_ms(datetime(2026, 1, 25, tzinfo=UTC))
    moments = [from_ms(start + n * 900_000).astimezone(zone) for n in range(66 * 96)]
    load = np.array([40_000.0 if moment.weekday() < 5 and 4 <= moment.hour < 9 else 5_000.0 for moment in moments])
    whole = history_of(start, 900_000, np.full(len(load), np.nan), load, zone=zone)
    count = next(n for n, moment in enumerate(moments) if (moment.month, moment.day, moment.hour) == (3, 29, 22))
    course = forecast_of(whole, count - count % 96, count).of(Quantity.LOAD)
    assert course is not None
    for lead in (4, 24, 28, 40):  # 23, 4, 5 and 8 o'clock
        assert course.middle[lead] == pytest.approx(load[count + lead], abs=500), moments[count + lead]


@pytest.mark.parametrize("noon", [0.4, 1.0])
def test_the_second_morning_does_not_follow_the_noon_of_today(noon: float) -> None:
    """Cloudy days of chance, issued at noon of a dull and of a clear one: the day after tomorrow is what is usual.

    Weights of 36 hours ahead were learned at night, and asked at noon: a third of what is usual from 6 to 9 o'clock.
    """
    random, count = np.random.default_rng(1), 60 * 96 + 50
    hour = np.arange(count) % 96 / 4
    clear = np.where((hour > 6) & (hour < 19), np.sin((hour - 6) / 13 * np.pi), 0.0) * 100e3
    sky = np.repeat(random.uniform(0.5, 1.0, 61), 96)[:count]
    sky[-50:] = noon
    pv, load = clear * sky * random.uniform(0.9, 1.0, count), 120e3 + random.normal(0, 10e3, count)
    whole = history_of(1_790_000_100_000, 900_000, pv, load, zone=ZoneInfo("UTC"))
    forecast = issue(fit(whole), whole)
    assert forecast is not None
    middle = dict(forecast.courses)[Quantity.PV].middle
    morning = slice(2 * 96 - 50 + 26, 2 * 96 - 50 + 36)  # from 06:30 to 09:00 of the day after tomorrow
    usual = pv[: 60 * 96].reshape(60, 96)[-28:, 26:36].mean()
    assert sum(middle[morning]) / 10 == pytest.approx(usual, rel=0.2)
