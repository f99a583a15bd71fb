"""The sun stands where astronomy puts it, clear days yield what the trade expects, clouds pass and are remembered."""

from datetime import UTC, datetime

import numpy as np
import pytest

from meterd.adapters.simulator.weather import CLOUD_LIGHT, clear_sky, cloudiness, light, make_sky, sun, temperature
from meterd.core.model.periods import to_ms

SKY = make_sky(1, 1.0)  # central European zone


def day(year: int, month: int, number: int, step_s: int = 60) -> np.ndarray:
    start = to_ms(datetime(year, month, number, tzinfo=UTC))
    return start + 1000 * np.arange(0, 86_400, step_s, dtype=np.int64)


@pytest.mark.parametrize(
    ("month", "number", "height"),
    [(6, 21, 65.4), (12, 21, 18.6), (3, 20, 42.0), (9, 22, 42.0)],
    ids=["summer", "winter", "spring", "autumn"],
)
def test_noon_height_is_ninety_minus_latitude_plus_declination(month, number, height):
    """Solstices +-23.44 degrees, equinoxes 0 (astronomy); Cooper's formula is good to about half a degree."""
    highest = np.degrees(np.arcsin(sun(SKY, day(2026, month, number))[0].max()))
    assert abs(highest - height) < 1.0


@pytest.mark.parametrize(("month", "hours"), [(6, 16.0), (12, 8.0), (3, 12.0)])
def test_length_of_day_at_48_degrees_north(month, hours):
    """About 16 h at the summer and 8 h at the winter solstice (almanac, from memory), 12 h at the equinox."""
    up = (sun(SKY, day(2026, month, 21))[0] > 0).mean() * 24
    assert abs(up - hours) < 0.4


def test_there_is_no_light_below_the_horizon():
    at_ms = day(2026, 6, 21)
    assert np.array_equal(clear_sky(SKY, at_ms) > 0, sun(SKY, at_ms)[0] > 1e-3)


def test_clear_noon_in_june_is_near_a_kilowatt_per_square_metre():
    """Common practice: 0.9 to 1.1 kW/m2 on a tilted plane."""
    assert 900 < clear_sky(SKY, day(2026, 6, 21)).max() < 1100


def test_light_lies_between_a_thick_cloud_and_the_open_sky():
    result = light(SKY, np.concatenate([day(2026, 6, n) for n in range(1, 30)]))
    assert result.min() >= CLOUD_LIGHT - 1e-12
    assert result.max() <= 1.0
    assert (result > 0.99).mean() > 0.15
    assert (result < 0.3).mean() > 0.15


def test_neighbouring_samples_of_ten_seconds_are_correlated_and_days_are_not():
    at_ms = np.concatenate([day(2026, 6, n, step_s=10) for n in range(1, 15)])
    result = light(SKY, at_ms)
    assert np.corrcoef(result[:-1], result[1:])[0, 1] > 0.95
    junes = np.concatenate(
        [day(year, 6, n, step_s=86_400) for year in range(1990, 2050) for n in (3, 8, 13, 18, 23, 28)]
    )
    days = cloudiness(SKY, junes)
    assert abs(np.corrcoef(days[:-1], days[1:])[0, 1]) < 0.2


def test_air_is_warm_in_july_cold_in_january_and_warmest_in_the_afternoon():
    warm = np.mean([temperature(SKY, day(year, 7, 15)).mean() for year in range(2000, 2030)])
    cold = np.mean([temperature(SKY, day(year, 1, 15)).mean() for year in range(2000, 2030)])
    assert 15 < warm < 23
    assert -4 < cold < 4
    hours = np.mean([temperature(SKY, day(2026, 7, n)).reshape(24, 60).mean(axis=1) for n in range(1, 30)], axis=0)
    assert hours.argmax() in (13, 14, 15)
