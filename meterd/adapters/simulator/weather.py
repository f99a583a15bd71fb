"""Sun, clouds and air temperature over the simulated site.

The sun is the textbook one: declination after Cooper (1969), clear-sky horizontal irradiance after Haurwitz (1945),
1098 cos(z) exp(-0.057 / cos(z)) W/m2 (coefficients from memory). Clouds and temperature are invented, with seasons and
a correlation in time that 10 s samples can see.
"""

from dataclasses import dataclass

import numpy as np

from meterd.adapters.simulator.noise import Floats, Ints, Stream, keys, smooth, stream

DAY_MS = 86_400_000
CLOUD_LIGHT = 0.22  # share of clear-sky light under a thick cloud (common practice: 0.1 to 0.3)
DIFFUSE = 0.15  # diffuse share of clear-sky light (common practice)
TILT_DEG = 15.0  # flat roof with low stands facing the equator


@dataclass(frozen=True, slots=True)
class Sky:
    """Where the site is, and the random weather over it. `longitude_deg` is positive to the east."""

    days: Stream
    hours: Stream
    fields: Stream
    puffs: Stream
    warmth: Stream
    latitude_deg: float = 48.0
    longitude_deg: float = 11.0


def make_sky(seed: int, standard_offset_h: float) -> Sky:
    """A sky whose sun stands highest near 12:15 standard time, as in the middle of most zones."""
    key = keys(seed, ["sky"])
    return Sky(
        days=stream(key, 0),
        hours=stream(key, 1),
        fields=stream(key, 2),
        puffs=stream(key, 3),
        warmth=stream(key, 4),
        longitude_deg=15.0 * standard_offset_h - 4.0,
    )


def _day_angle(at_ms: Ints) -> Floats:
    # 365.2425 days from the first of January 1970: drifts less than a day against the calendar within a century
    return np.asarray(2.0 * np.pi * (at_ms / DAY_MS / 365.2425 % 1.0))


def sun(sky: Sky, at_ms: Ints) -> tuple[Floats, Floats]:
    """Cosine of the sun's angle to the vertical, and to the normal of the tilted roof; both (m,), 0 below the horizon.

    Hour angle from the mean sun (the equation of time, at most 16 minutes, is left out).
    """
    declination = np.radians(23.45) * np.sin(_day_angle(at_ms) + 2.0 * np.pi * 284.0 / 365.0)
    solar_h = (at_ms % DAY_MS) / 3_600_000.0 + sky.longitude_deg / 15.0
    hour_angle = np.radians(15.0) * (solar_h - 12.0)
    latitude, tilt = np.radians(sky.latitude_deg), np.radians(TILT_DEG)
    east_west = np.cos(declination) * np.cos(hour_angle)
    vertical = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * east_west
    # a plane tilted towards the equator sees the sun as a horizontal plane does at a latitude lower by the tilt
    plane = np.sin(latitude - tilt) * np.sin(declination) + np.cos(latitude - tilt) * east_west
    up = vertical > 0.0
    return np.where(up, vertical, 0.0), np.where(up & (plane > 0.0), plane, 0.0)


def clear_sky(sky: Sky, at_ms: Ints) -> Floats:
    """Irradiance on the tilted roof without clouds, W/m2, shape (m,)."""
    vertical, plane = sun(sky, at_ms)
    safe = np.maximum(vertical, 1e-3)
    horizontal = np.where(vertical > 1e-3, 1098.0 * vertical * np.exp(-0.057 / safe), 0.0)
    # near the horizon the ratio plane/vertical runs away; 4 is reached below 5 degrees of height
    beam = (1.0 - DIFFUSE) * horizontal * np.minimum(plane / safe, 4.0)
    return np.asarray(beam + DIFFUSE * horizontal)


def cloudiness(sky: Sky, at_ms: Ints) -> Floats:
    """Slow share of the sky that is covered, 0..1, shape (m,): weather of days and of hours, greyer in winter."""
    days = smooth(sky.days, at_ms, 40 * 3600.0)[0]
    hours = smooth(sky.hours, at_ms, 5 * 3600.0)[0]
    grey = 0.12 + 0.22 * np.cos(_day_angle(at_ms))
    return np.asarray(np.clip(1.8 * (0.65 * days + 0.35 * hours) - 0.45 + grey, 0.0, 1.0))


def light(sky: Sky, at_ms: Ints) -> Floats:
    """Share of the clear-sky light that comes through, shape (m,): 1 in the open, CLOUD_LIGHT under a cloud.

    Clouds pass in some minutes with edges of some ten seconds, and their fields in half an hour.
    """
    cover = cloudiness(sky, at_ms)
    field = smooth(sky.fields, at_ms, 1500.0)[0]
    puff = smooth(sky.puffs, at_ms, 240.0)[0]
    # the threshold makes the share of covered time follow `cover`; the slope sets how sharp an edge is
    shade = np.clip(0.5 + 6.0 * (cover - (0.1 + 0.8 * (0.4 * field + 0.6 * puff))), 0.0, 1.0)
    return np.asarray(1.0 - (1.0 - CLOUD_LIGHT) * shade)


def irradiance(sky: Sky, at_ms: Ints) -> Floats:
    """Irradiance on the tilted roof below the clouds of the moment, W/m2, shape (m,)."""
    return clear_sky(sky, at_ms) * light(sky, at_ms)


def temperature(sky: Sky, at_ms: Ints) -> Floats:
    """Outdoor air temperature in degrees Celsius, shape (m,): season, time of day and passing weather."""
    season = -np.cos(_day_angle(at_ms) - 2.0 * np.pi * 20.0 / 365.0)
    solar_h = (at_ms % DAY_MS) / 3_600_000.0 + sky.longitude_deg / 15.0
    day = np.cos(2.0 * np.pi * (solar_h - 15.0) / 24.0)
    weather = smooth(sky.warmth, at_ms, 60 * 3600.0)[0] - 0.5
    return np.asarray(9.5 + 9.5 * season + 4.0 * day + 10.0 * weather)
