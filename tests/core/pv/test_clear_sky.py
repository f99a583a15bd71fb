"""The sun stands where published tables say, and light does what it must."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.model.periods import DAY_MS
from meterd.core.pv.clear_sky import Place, Plane, clear_w, sun

GOLDEN = Place(39.742476, -105.1786 / 15)
AT_MS = np.array([1_066_419_030_000], dtype=np.int64)  # 2003-10-17 19:30:30 UTC


def test_the_sun_stands_where_the_published_example_says() -> None:
    """Reda and Andreas 2004, table A5.1 (figures from memory): zenith 50.11162, azimuth 194.34024 degrees from north."""
    south, west, up = (float(part[0]) for part in sun(GOLDEN, AT_MS))
    assert np.degrees(np.arccos(up)) == pytest.approx(50.11162, abs=0.25)
    assert 180 + np.degrees(np.arctan2(west, south)) == pytest.approx(194.34024, abs=0.3)
    assert south**2 + west**2 + up**2 == pytest.approx(1.0, abs=1e-12)


def test_a_day_is_symmetric_about_solar_noon_and_dark_at_night() -> None:
    """A plane to the south at the longitude of UTC; the equation of time is zero in the middle of April."""
    at_ms = 1_713_139_200_000 + 60_000 * np.arange(1440, dtype=np.int64)  # 2024-04-15
    watt = clear_w(Place(48.0, 0.0), Plane(30.0, 0.0, 1000.0), at_ms)
    assert watt.argmax() == pytest.approx(720, abs=3)
    assert watt[:240].max() == 0.0
    assert watt[:720] == pytest.approx(watt[720:][::-1], abs=12.0)
    assert 850 < watt.max() < 1150


def test_a_wall_to_the_west_sees_the_evening_and_power_is_in_proportion() -> None:
    """Twice the power is twice the answer in each slot."""
    at_ms = 1_718_928_000_000 + 900_000 * np.arange(96, dtype=np.int64)  # 2024-06-21
    west = clear_w(Place(48.0, 0.0), Plane(80.0, 90.0, 1000.0), at_ms)
    east = clear_w(Place(48.0, 0.0), Plane(80.0, -90.0, 1000.0), at_ms)
    assert west.argmax() > 60 > 36 > east.argmax()
    assert clear_w(Place(48.0, 0.0), Plane(80.0, 90.0, 2000.0), at_ms) == pytest.approx(2 * west)


def test_warm_modules_lose_most_under_most_light_and_summers_take_what_winters_give() -> None:
    """A tenth at 1000 W/m2; the north loses in July and the south in January, by the sine of the latitude."""
    plane, north, south = Plane(20.0, 0.0, 10_000.0), Place(48.0, 0.0), Place(-48.0, 0.0)
    noons = np.array(
        [(20_454 + 205) * DAY_MS + DAY_MS // 2, (20_454 + 22) * DAY_MS + DAY_MS // 2]
    )  # July, January of 2026
    cool, warm = clear_w(north, plane, noons), clear_w(replace(north, heating=0.1), plane, noons)
    assert 1 - warm / cool == pytest.approx(cool / 100_000, rel=1e-6)
    for place, sign in ((north, 1), (south, -1)):
        change = np.log(clear_w(replace(place, summer=0.06), plane, noons) / clear_w(place, plane, noons))
        assert change == pytest.approx(sign * 0.06 * np.sin(np.radians(48)) * np.array([-1.0, 1.0]), rel=0.01)
