"""What a roof under a clear sky produces: the sun's place, the light on a plane, and a fit of place and planes to a history.

Sun: Spencer 1971 (declination, equation of time). Light: beam by Meinel and Meinel 1976 with the air mass of Kasten and Young
1989, a diffuse part and a loss of glancing light (common practice). Two parts are lost that a site may have more or less of:
to warm modules under much light, and to warm and hazy air in summer. The fit makes up for what is simple here: it is no
weather model, and the place that it finds is only about right. All constants are from memory, and checked against the given
arrays.
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
SUMMER_DAY = 205  # of the year: late July, when air of the north is warmest and haziest; of the south coldest


@dataclass(frozen=True, slots=True)
class Place:
    """Latitude in degrees, and how many hours local mean solar time is ahead of UTC.

    `heating` is the part of the power that warm modules lose at 1000 W/m2, `summer` the logarithm of what the air of a
    summer takes and that of a winter gives, far from the equator.
    """

    latitude: float
    ahead_h: float
    heating: float = 0.0
    summer: float = 0.0


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


@dataclass(frozen=True, slots=True)
class Sky:
    """Parts of the direction to the sun, the beam and what the sky scatters in W/m2, and the season from -1 to 1."""

    south: Floats
    west: Floats
    up: Floats
    beam: Floats
    diffuse: Floats
    season: Floats


def clear_w(place: Place, plane: Plane, at_ms: Ints) -> Floats:
    """Power in W of a plane under a clear sky."""
    return plane_w(clear_sky(place, at_ms), place, plane)


def clear_sky(place: Place, at_ms: Ints) -> Sky:
    """What depends on latitude and time alone."""
    south, west, up = sun(place, at_ms)
    height = np.maximum(up, 0.0)
    zenith = np.minimum(np.degrees(np.arccos(np.clip(height, 0.0, 1.0))), 90.0)
    mass = 1 / (height + 0.50572 * (96.07995 - zenith) ** -1.6364)
    beam = np.where(up > 0.01, 1353 * 0.7 ** (mass**0.678), 0.0)
    season = np.cos(2 * np.pi * (at_ms / DAY_MS - SUMMER_DAY) / YEAR_DAYS) * np.sin(np.radians(place.latitude))
    return Sky(south, west, up, beam, DIFFUSE * beam * np.sqrt(height), season)


def plane_w(sky: Sky, place: Place, plane: Plane) -> Floats:
    """Power in W of a plane under such a sky."""
    tilt, azimuth = np.radians(plane.tilt), np.radians(plane.azimuth)
    across = np.sin(tilt) * (sky.south * np.cos(azimuth) + sky.west * np.sin(azimuth))
    facing = np.maximum(sky.up * np.cos(tilt) + across, 0.0)
    seen = np.clip(1 - GLANCING * (1 / np.maximum(facing, 0.05) - 1), 0.0, 1.0)
    light = sky.beam * facing * seen + sky.diffuse * (1 + np.cos(tilt)) / 2
    light += GROUND * (sky.beam * np.maximum(sky.up, 0.0) + sky.diffuse) * (1 - np.cos(tilt)) / 2
    return np.asarray(
        plane.full_w * light / 1000 * (1 - place.heating * light / 1000) * np.exp(-place.summer * sky.season)
    )
