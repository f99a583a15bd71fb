"""What a roof under a clear sky produces: the sun's place, the light on a plane, and a fit of place and planes to a history.

Sun: Spencer 1971 (declination, equation of time). Light: beam by Meinel and Meinel 1976 with the air mass of Kasten and Young
1989, a diffuse part and a loss of glancing light (common practice). The fit makes up for what is simple here: it is no weather
model, and the place that it finds is only about right. All constants are from memory, and checked against the given arrays.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meterd.core.model.periods import DAY_MS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DIFFUSE = 0.12  # of the beam
GROUND = 0.2  # of the light that the ground throws back
GLANCING = 0.05  # of the beam that is lost for each unit that 1/cos of its angle is above 1
YEAR_DAYS = 365.2422
FROM_2000 = 10_957  # days from 1970


@dataclass(frozen=True, slots=True)
class Place:
    """Latitude in degrees, and how many hours local mean solar time is ahead of UTC."""

    latitude: float
    ahead_h: float


@dataclass(frozen=True, slots=True)
class Plane:
    """Tilt and azimuth (0 = south, west positive) in degrees, and the power in W at 1000 W/m2."""

    tilt: float
    azimuth: float
    full_w: float


def sun(place: Place, at_ms: Ints) -> tuple[Floats, Floats, Floats]:
    """South, west and up parts of the direction to the sun."""
    days = at_ms / DAY_MS
    angle = 2 * np.pi * ((days + 0.5 - FROM_2000) % YEAR_DAYS) / YEAR_DAYS
    item, two, three = (np.stack([np.cos(n * angle), np.sin(n * angle)]) for n in (1, 2, 3))
    decline = (
        0.006918 - 0.399912 * item[0] + 0.070257 * item[1] - 0.006758 * two[0] + 0.000907 * two[1]
        - 0.002697 * three[0] + 0.00148 * three[1]
    )  # fmt: skip
    equation_h = (
        (0.000075 + 0.001868 * item[0] - 0.032077 * item[1] - 0.014615 * two[0] - 0.040849 * two[1]) * 12 / np.pi
    )
    hour = np.radians(15 * (days % 1 * 24 + place.ahead_h + equation_h - 12))
    latitude = np.radians(place.latitude)
    up = np.sin(latitude) * np.sin(decline) + np.cos(latitude) * np.cos(decline) * np.cos(hour)
    south = np.sin(latitude) * np.cos(decline) * np.cos(hour) - np.cos(latitude) * np.sin(decline)
    return south, np.cos(decline) * np.sin(hour), up


def clear_w(place: Place, plane: Plane, at_ms: Ints) -> Floats:
    """Power in W of a plane under a clear sky."""
    south, west, up = sun(place, at_ms)
    height = np.maximum(up, 0.0)
    zenith = np.minimum(np.degrees(np.arccos(np.clip(height, 0.0, 1.0))), 90.0)
    mass = 1 / (height + 0.50572 * (96.07995 - zenith) ** -1.6364)
    beam = np.where(up > 0.01, 1353 * 0.7 ** (mass**0.678), 0.0)
    tilt, azimuth = np.radians(plane.tilt), np.radians(plane.azimuth)
    facing = np.maximum(up * np.cos(tilt) + np.sin(tilt) * (south * np.cos(azimuth) + west * np.sin(azimuth)), 0.0)
    seen = np.clip(1 - GLANCING * (1 / np.maximum(facing, 0.05) - 1), 0.0, 1.0)
    diffuse = DIFFUSE * beam * np.sqrt(height)
    light = beam * facing * seen + diffuse * (1 + np.cos(tilt)) / 2
    light += GROUND * (beam * height + diffuse) * (1 - np.cos(tilt)) / 2
    return np.asarray(plane.full_w * light / 1000)
