"""Place and planes are found from clear days; clouds and a lost string do not bend them; too little is no fit."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.pv.clear_sky import clear_w
from meterd.core.pv.roof_fit import RoofDays, fit_roof, fit_shape, roughness, smooth_limit
from tests.core.pv.roofs import PLACE, PLANES, roof


def test_what_was_made_is_found_again() -> None:
    """A year of which two days in five are clear: degrees, minutes and percent."""
    results = fit_roof(roof(300))
    assert results is not None
    assert results.place.latitude == pytest.approx(PLACE.latitude, abs=3)
    assert results.place.ahead_h == pytest.approx(PLACE.ahead_h, abs=0.1)
    for plane, made in zip(results.planes, PLANES, strict=True):
        assert plane is not None
        assert plane.tilt == pytest.approx(made.tilt, abs=4)
        assert plane.azimuth == pytest.approx(made.azimuth, abs=8)
        assert plane.full_w == pytest.approx(made.full_w, rel=0.06)


def test_warm_modules_and_the_air_of_a_summer_are_found_and_are_usual_where_little_is_known() -> None:
    """More of both than is usual, over a year; ninety days of winter say nothing of a summer."""
    place = replace(PLACE, heating=0.16, summer=0.12)
    year, winter = fit_roof(roof(400, place=place)), fit_roof(roof(90, place=place))
    assert year is not None
    assert winter is not None
    assert (year.place.heating, year.place.summer) == pytest.approx((0.16, 0.12), abs=0.04)
    assert year.place.latitude == pytest.approx(PLACE.latitude, abs=3)
    assert winter.place.summer == pytest.approx(0.06, abs=0.04)


def test_weeks_without_a_clear_day_are_not_fitted() -> None:
    """Seven weeks of a sky that leaves a quarter evenly are as smooth as clear ones, and the best of their weeks."""
    days = roof(200, PLANES[:1])
    watt = days.watt.copy()
    watt[100:150] = np.array(clear_w(PLACE, PLANES[0], days.at_ms[100:150]))[:, :, None] * 0.25
    results = fit_roof(replace(days, watt=watt))
    assert results is not None
    assert results.planes[0] is not None
    assert results.planes[0].full_w == pytest.approx(PLANES[0].full_w, rel=0.08)


def test_the_shape_is_found_whatever_is_lost() -> None:
    """A third of the first array from the hundredth day on: the fit of shapes is the same to the digit that noise leaves."""
    whole = roof(200)
    watt = whole.watt.copy()
    watt[100:, :, 0] *= 2 / 3
    before, after = fit_shape(whole), fit_shape(replace(whole, watt=watt))
    assert before is not None
    assert after is not None
    assert after.place.latitude == pytest.approx(before.place.latitude, abs=1)
    for item, other in zip(before.planes, after.planes, strict=True):
        assert item is not None
        assert other is not None
        assert (other.tilt, other.azimuth) == pytest.approx((item.tilt, item.azimuth), abs=4)


def test_too_few_clear_days_are_no_fit() -> None:
    """Clouds on all days; an array that has never given anything is left out."""
    assert fit_roof(roof(60, clear=0.0)) is None
    some = roof(60)
    watt = some.watt.copy()
    watt[:, :, 1] = 0.0
    results = fit_roof(replace(some, watt=watt))
    assert results is not None
    assert [plane is not None for plane in results.planes] == [True, False, True]


def test_a_day_that_is_not_known_whole_is_not_smooth() -> None:
    """One missing slot is enough."""
    days = roof(3, clear=1.0)
    watt = days.watt.copy()
    watt[1, 50, 0] = np.nan
    rough = roughness(RoofDays(days.names, days.at_ms, watt))
    assert np.isinf(rough[1, 0])
    assert (rough[[0, 2]] < smooth_limit(days.slot_h)).all()
    assert days.until(2).watt.shape == (2, 96, 3)
