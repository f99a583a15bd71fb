"""Forecasts are made from stored interval figures alone, and those that were given out are judged by what came."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.forecast_history import forecast_scores, newly_said, read_history, with_outside
from meterd.core.forecast.model import fit, issue
from meterd.core.model.forecast import ForecastInput, GivenOutside, OutsideQuantity, OutsideSeries, Quantity
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.plan import Board, Consumer, Input, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Anchor, FigureRow

QUARTER_MS, BEGIN = 900_000, 1_777_593_600_000  # 2026-05-01 00:00 UTC
CHANNELS = [("feed", IMPORT), ("feed", EXPORT), ("heater", IMPORT), ("pv", IMPORT)]
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("main"),),
    points=(
        Point("feed", "main", Role.FEED),
        Point("heater", "main", Role.FEEDER),
        Point("pv", "main", Role.PV),
    ),
    inputs=tuple(Input(p, r, "s", f"{p}/{r}") for p, r in CHANNELS),
    consumers=(Consumer("heater", "heater", max_w=4000),),
)


def filled(store: SqliteStore, days: int, site: Site = SITE) -> None:
    """Quarter hours of a load of 6 to 9 kW, a heater of 2 kW at noon, and PV of up to 12 kW under passing clouds."""
    slots = np.arange(days * DAY_MS // QUARTER_MS)
    angle = np.clip(np.sin(2 * np.pi * (slots % 96) / 96 - np.pi / 2), 0, None)
    pv = 12_000 * angle * np.random.default_rng(5).uniform(0.6, 1.0, len(slots))
    heater = np.where((slots % 96 > 44) & (slots % 96 < 52), 2000.0, 0.0)
    draw = 6000 + 3000 * np.sin(2 * np.pi * slots / 96) ** 2 + heater - pv
    of = {"feed" + IMPORT: np.maximum(draw, 0), "feed" + EXPORT: np.maximum(-draw, 0), "heater" + IMPORT: heater}
    of["pv" + IMPORT] = pv
    rows = [
        FigureRow(channel, Period.INTERVAL, BEGIN + slot * QUARTER_MS, round(watt * 250), 0, Anchor(0, 0, 0))
        for channel in CHANNELS
        for slot, watt in zip(slots.tolist(), of["".join(channel)].tolist(), strict=True)
    ]
    with store.transaction():
        store.write_figures(rows, now_ms=BEGIN, reason="closed")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    result = SqliteStore.writer(tmp_path / "s.sqlite")
    yield result
    result.close()


def test_the_history_is_what_the_store_holds_up_to_a_moment(store: SqliteStore) -> None:
    """The heater waits for the sun, so it is no part of the load; nothing after the moment is read."""
    filled(store, 4)
    history = read_history(store, SITE, BEGIN + 3 * DAY_MS)
    assert history is not None
    assert (history.start_ms, history.end_ms) == (BEGIN, BEGIN + 3 * DAY_MS)
    assert history.load[48] == pytest.approx(6000.0, abs=0.02)
    without = read_history(store, replace(SITE, consumers=()), BEGIN + 3 * DAY_MS)
    assert without is not None
    assert without.load[48] == pytest.approx(8000.0, abs=0.02)


def test_without_figures_or_with_odd_intervals_there_is_no_history(store: SqliteStore) -> None:
    """An empty store; an interval of seven minutes."""
    assert read_history(store, SITE, BEGIN) is None
    filled(store, 1)
    assert read_history(store, replace(SITE, interval_s=420), BEGIN + DAY_MS) is None


def test_forecasts_given_out_are_judged_against_methods_without_forecast(store: SqliteStore) -> None:
    """Ten days of forecasts, one an hour, on a site that repeats itself: good, and the load exactly as a week before."""
    filled(store, 50)
    for day in range(38, 48):
        whole = read_history(store, SITE, BEGIN + day * DAY_MS)
        assert whole is not None
        model = fit(whole, [1, 4, 12, 24, 96, 97, 192])
        for hour in range(0, 24, 2):
            history = read_history(store, SITE, BEGIN + day * DAY_MS + hour * 3_600_000)
            assert history is not None
            made = issue(model, history)
            assert made is not None
            with store.transaction():
                store.forecasts.keep(made)
    results = forecast_scores(store, SITE, BEGIN + 38 * DAY_MS, BEGIN + 50 * DAY_MS)
    by_key = {(result.quantity, result.lead_h): result for result in results}
    load, pv = by_key[Quantity.LOAD, 24], by_key[Quantity.PV, 24]
    assert load.error_w < 20.0
    assert load.naive_w < 1.0
    assert pv.error_w < pv.naive_w * 1.05
    assert 0.6 < pv.inside < 0.95
    assert forecast_scores(store, SITE, BEGIN, BEGIN + DAY_MS) == ()


WITH_OUTSIDE = replace(SITE, forecast=ForecastInput("s", "weather", OutsideQuantity.POWER, "/v", "/t", "W"))


def given(store: SqliteStore, day: int) -> GivenOutside:
    """What really came in the two days and a half from a day on, five percent too high."""
    first = BEGIN + day * DAY_MS
    whole = read_history(store, SITE, BEGIN + 50 * DAY_MS)
    assert whole is not None
    power = whole.pv[day * 96 : day * 96 + 240] * 1.05
    return GivenOutside(OutsideQuantity.POWER, first, QUARTER_MS, tuple(round(float(watt)) for watt in power))


def test_a_forecast_from_outside_is_judged_beside_ours(store: SqliteStore) -> None:
    """PV with it is better than without; of it alone there is no band. Another quantity in the plan begins anew."""
    filled(store, 50)
    with store.transaction():
        for day in range(30, 48):
            store.forecasts.keep_outside(given(store, day))
    for day in range(40, 48):
        whole = read_history(store, SITE, BEGIN + day * DAY_MS)
        assert whole is not None
        model = fit(with_outside(whole, store, WITH_OUTSIDE, None, 45 * 96), [1, 4, 12, 24, 96, 97, 192])
        for hour in range(12):
            history = read_history(store, SITE, BEGIN + day * DAY_MS + hour * 3_600_000)
            assert history is not None
            made = issue(model, with_outside(history, store, WITH_OUTSIDE, None, 1))
            assert made is not None
            with store.transaction():
                store.forecasts.keep(made)
    results = forecast_scores(store, SITE, BEGIN + 40 * DAY_MS, BEGIN + 50 * DAY_MS)
    by_key = {(result.quantity, result.lead_h): result for result in results}
    mixed, own, alone = (by_key[what, 3] for what in (Quantity.PV, Quantity.PV_OWN, Quantity.PV_OUTSIDE))
    assert mixed.error_w < 0.5 * own.error_w
    assert alone.error_w < 0.5 * own.error_w
    assert (alone.inside, own.inside is None) == (None, False)
    other = replace(WITH_OUTSIDE, forecast=replace(WITH_OUTSIDE.forecast, quantity=OutsideQuantity.IRRADIANCE))
    whole = read_history(store, SITE, BEGIN + 47 * DAY_MS)
    assert whole is not None
    anew = with_outside(whole, store, other, None, 96).outside
    assert anew is not None
    assert np.isnan(anew.known).all()
    assert with_outside(whole, store, SITE, None, 96) is whole


def test_what_is_repeated_or_says_nothing_of_the_next_days_is_not_new(store: SqliteStore) -> None:
    """A retained message comes again after each start; one that ends before the moment is none. Cover is stored finely."""
    filled(store, 1)
    at = BEGIN + DAY_MS
    series = OutsideSeries(at, tuple(at + n * 3_600_000 for n in range(48)), tuple(float(n) for n in range(48)))
    first = newly_said(store, WITH_OUTSIDE, series, at)
    assert first is not None
    assert first.values[:6] == (0, 0, 0, 0, 1, 1)
    with store.transaction():
        store.forecasts.keep_outside(first)
    later = at + 8 * QUARTER_MS
    assert newly_said(store, WITH_OUTSIDE, replace(series, retained=True), later) is None
    assert newly_said(store, WITH_OUTSIDE, series, later) is not None
    changed = replace(series, values=(*series.values[:30], 99.0, *series.values[31:]), retained=True)
    assert newly_said(store, WITH_OUTSIDE, changed, later) is not None
    assert newly_said(store, WITH_OUTSIDE, series, at + 3 * DAY_MS) is None
    assert newly_said(store, WITH_OUTSIDE, None, at) is None
    cover = replace(WITH_OUTSIDE, forecast=replace(WITH_OUTSIDE.forecast, quantity=OutsideQuantity.CLOUD_COVER))
    sky = newly_said(store, cover, replace(series, values=(0.125,) * 48), at)
    assert sky is not None
    assert sky.values[0] == 125
