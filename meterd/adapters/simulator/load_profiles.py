"""Load shapes: what share of its peak each kind of load draws, as a function of time.

Invented, but with the marks of the real thing: ovens before dawn, climbers after work, compressors that cycle, lifts
that jump, rooms that are empty most of the day. Every shape gives numbers in 0..1 of shape (n, m): n points, m moments.
"""

from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from meterd.adapters.simulator.noise import Floats, Ints, Keys, Stream, draw, smooth, steps, stream
from meterd.adapters.simulator.weather import Sky, sun, temperature
from meterd.core.model.periods import HOUR_MS, from_ms

Bools = npt.NDArray[np.bool_]
Profile = tuple[tuple[float, float], ...]  # (hour of the local day, share), joined by straight lines

OVENS_DAY: Profile = ((0, 0.2), (1.5, 1), (7, 1), (9.5, 0.3), (13, 0.16), (15, 0.04), (22, 0.04), (24, 0.2))
NIGHT_KITCHEN_DAY: Profile = ((0, 0.5), (2, 1), (6, 0.9), (10, 0.4), (15, 0.12), (21, 0.12), (24, 0.5))
COLD_DAY: Profile = ((0, 0), (5, 0), (6, 0.2), (9, 0.2), (11, 0.05), (16, 0.1), (19, 0), (24, 0))
AIR_DAY: Profile = ((0, 0.28), (5.5, 0.28), (6, 0.85), (21.5, 0.85), (22.5, 0.28), (24, 0.28))
TRIPS_DAY: Profile = ((0, 0.02), (6, 0.05), (8, 0.5), (12, 0.4), (17, 0.6), (21, 0.3), (24, 0.02))
MACHINES_DAY: Profile = ((0, 0), (6, 0), (7, 0.8), (12, 1), (18, 0.9), (20, 0.1), (24, 0))
LIGHT_DAY: Profile = ((0, 0.25), (5, 0.3), (6.5, 0.8), (9, 0.6), (17, 0.7), (22, 0.75), (23.5, 0.3), (24, 0.25))
ROOM_DAY: Profile = ((0, 0.1), (3, 0.04), (8, 0.2), (10, 0.45), (13, 0.5), (18, 0.6), (21, 0.45), (24, 0.1))
MIXED_DAY: Profile = ((0, 0.25), (6, 0.3), (9, 0.7), (13, 0.75), (18, 0.7), (22, 0.35), (24, 0.25))
HEATING_DAY: Profile = ((0, 0.8), (5, 1), (8, 1), (20, 0.9), (24, 0.8))
WORKDAY_DAY: Profile = (
    (0, 0.07),
    (6.5, 0.08),
    (8, 0.75),
    (12, 0.85),
    (12.6, 0.5),
    (13.5, 0.8),
    (17, 0.55),
    (19, 0.1),
    (24, 0.07),
)
EVENING_DAY: Profile = ((0, 0.06), (9, 0.1), (10, 0.35), (16, 0.5), (18.5, 1), (21.5, 0.95), (23, 0.2), (24, 0.06))
KITCHEN_DAY: Profile = (
    (0, 0.08),
    (7, 0.15),
    (8.5, 0.6),
    (11.5, 1),
    (14, 0.7),
    (17, 0.5),
    (21, 0.45),
    (23, 0.1),
    (24, 0.08),
)
PRESSURE_DAY: Profile = ((0, 0.06), (6, 0.1), (7.5, 0.6), (12, 0.65), (13, 0.5), (17, 0.4), (18.5, 0.08), (24, 0.06))


@dataclass(frozen=True, slots=True)
class Moments:
    """What all loads have in common at m moments; each array has shape (m,)."""

    at_ms: Ints
    hour: Floats  # of the local day, 0..24
    workday: Bools
    warmth: Floats  # outdoor air temperature, degrees Celsius
    dark: Bools


@dataclass(frozen=True, slots=True)
class RandomNumbers:
    """Random numbers of n points at m moments: fixed (n, 1), of seconds, of a quarter hour and of an hour (n, m)."""

    place: Floats
    flicker: Floats
    block: Floats
    slow: Floats

    def of(self, rows: npt.NDArray[np.intp]) -> "RandomNumbers":
        """The numbers of some points."""
        return RandomNumbers(self.place[rows], self.flicker[rows], self.block[rows], self.slow[rows])


def offsets_ms(at_ms: Ints, zone: ZoneInfo) -> Ints:
    """Offset of local time from UTC at each moment, looked up once per hour, shape (m,)."""
    hours, where = np.unique(at_ms // HOUR_MS, return_inverse=True)
    known = [from_ms(int(hour) * HOUR_MS).astimezone(zone).utcoffset() for hour in hours]
    table = np.array(
        [0 if offset is None else round(offset.total_seconds()) * 1000 for offset in known], dtype=np.int64
    )
    result: Ints = table[where]
    return result


def moments(at_ms: Ints, zone: ZoneInfo, sky: Sky) -> Moments:
    """Local time, weather and daylight at m moments (milliseconds since 1970 UTC)."""
    local = at_ms + offsets_ms(at_ms, zone)
    # the first of January 1970 was a Thursday: day number + 3 counts from a Monday
    workday = (local // 86_400_000 + 3) % 7 < 5
    return Moments(
        at_ms, local % 86_400_000 / HOUR_MS, workday, temperature(sky, at_ms), np.asarray(sun(sky, at_ms)[0] < 0.05)
    )


@dataclass(frozen=True, slots=True)
class Sources:
    """Where the random numbers of n points come from; made once."""

    place: Floats
    flicker: Stream
    block: Stream
    slow: Stream


def sources(key: Keys) -> Sources:
    """The sources of points with these keys (n,)."""
    return Sources(draw(key, 10)[:, None], stream(key, 11), stream(key, 12), stream(key, 13))


def own_numbers(result: Sources, at_ms: Ints) -> RandomNumbers:
    """The random numbers behind the shapes of n points at m moments."""
    return RandomNumbers(
        result.place,
        smooth(result.flicker, at_ms, 35.0),
        steps(result.block, at_ms, 600.0),
        smooth(result.slow, at_ms, 3000.0),
    )


def profile(now: Moments, table: Profile, weekend: float = 1.0) -> Floats:
    """Share by the hour of the local day, on Saturdays and Sundays times `weekend`, shape (m,)."""
    hours, shares = zip(*table, strict=True)
    return np.asarray(np.interp(now.hour, hours, shares) * np.where(now.workday, 1.0, weekend))


def cycling(now: Moments, own: RandomNumbers, period_s: float, duty: Floats) -> Bools:
    """Whether a thermostat or pressure switch is on: `duty` of a period that wanders by some ten percent."""
    place = now.at_ms / (period_s * 1000.0) + 40.0 * own.place + 0.8 * own.slow
    return np.asarray(place % 1.0 < duty)


def ovens(now: Moments, own: RandomNumbers) -> Floats:
    """Bakery ovens: heated from midnight, baking until the morning, one deck in the afternoon."""
    use = profile(now, OVENS_DAY, 0.8)
    heating = cycling(now, own, 420.0, 0.35 + 0.5 * use)
    return np.asarray(use * (0.22 + 0.72 * heating + 0.06 * own.flicker))


def night_kitchen(now: Moments, own: RandomNumbers) -> Floats:
    """Proving, mixing and light of a bakery."""
    use = profile(now, NIGHT_KITCHEN_DAY)
    return np.asarray(use * (0.5 + 0.25 * own.slow + 0.25 * (own.block > 0.6)))


def cold(now: Moments, own: RandomNumbers) -> Floats:
    """Three compressors in turn; they run longer when it is warm outside and when the doors open in the morning."""
    doors = profile(now, COLD_DAY, 0.4)
    duty = np.clip(0.30 + 0.016 * (now.warmth - 5.0) + doors, 0.12, 0.97)
    on = sum((cycling(now, own, period, duty) * 0.3 for period in (660.0, 870.0, 1140.0)), start=np.zeros(1))
    return np.asarray(0.07 + on + 0.03 * own.flicker)


def heating(now: Moments, own: RandomNumbers) -> Floats:
    """A heat pump: modulating with the cold outside, hot water only in summer, a little less at night."""
    need = np.clip((16.0 - now.warmth) / 26.0, 0.0, 1.0) * profile(now, HEATING_DAY)
    water = 0.35 * cycling(now, own, 5400.0, np.full(1, 0.22))
    return np.asarray(0.015 + np.clip(need * (0.85 + 0.15 * own.slow) + water * (need < 0.6), 0.0, 0.985))


def air(now: Moments, own: RandomNumbers) -> Floats:
    """Ventilation: two speeds by the clock, and filters that load slowly."""
    use = profile(now, AIR_DAY, 0.7)
    return np.asarray(use * (0.95 + 0.05 * own.slow) + 0.02 * own.flicker)


def trips(now: Moments, own: RandomNumbers) -> Floats:
    """Lifts and ramps: short trips, more of them in the morning and at closing time."""
    busy = profile(now, TRIPS_DAY, 0.5)
    moving = own.flicker > 1.0 - 0.55 * busy
    return np.asarray(0.05 + moving * (0.35 + 0.6 * own.block))


def workday(now: Moments, own: RandomNumbers) -> Floats:
    """Workshops and offices: machines and screens by day, closed at the weekend."""
    use = profile(now, WORKDAY_DAY, 0.2)
    return np.asarray(use * (0.55 + 0.25 * own.slow + 0.15 * (own.block > 0.5) + 0.05 * own.flicker))


def evening(now: Moments, own: RandomNumbers) -> Floats:
    """A hall that fills after work and at the weekend: light, air, showers, music."""
    use = profile(now, EVENING_DAY, 1.1)
    return np.asarray(np.minimum(use * (0.75 + 0.15 * own.slow + 0.1 * own.flicker), 1.0))


def kitchen(now: Moments, own: RandomNumbers) -> Floats:
    """A cafe: coffee in the morning, plates at noon, dishwasher afterwards."""
    use = profile(now, KITCHEN_DAY)
    return np.asarray(use * (0.35 + 0.3 * own.slow + 0.35 * (own.flicker > 0.55)))


def machines(now: Moments, own: RandomNumbers) -> Floats:
    """Laundry: batches of three quarters of an hour that heat first and turn afterwards."""
    use = profile(now, MACHINES_DAY, 0.3)
    first = cycling(now, own, 2700.0, np.full(1, 0.35))
    return np.asarray(0.02 + use * (0.18 + 0.7 * first * (0.6 + 0.4 * own.slow) + 0.1 * own.flicker))


def pressure(now: Moments, own: RandomNumbers) -> Floats:
    """Compressed air: a pressure switch that follows the workday."""
    use = profile(now, PRESSURE_DAY, 0.25)
    return np.asarray(0.02 + 0.95 * cycling(now, own, 190.0, use) + 0.03 * own.flicker)


def pumps(now: Moments, own: RandomNumbers) -> Floats:
    """Pumps with a float switch, more of them after a mild, wet night."""
    return np.asarray(0.03 + 0.9 * cycling(now, own, 1500.0, np.full(1, 0.3)) + 0.05 * own.flicker)


def always(now: Moments, own: RandomNumbers) -> Floats:
    """Servers: almost constant, cooling a little up with the warmth outside."""
    return np.asarray(0.68 + 0.004 * np.clip(now.warmth, 0.0, 35.0) + 0.06 * own.slow + 0.02 * own.flicker)


def light(now: Moments, own: RandomNumbers) -> Floats:
    """Common light: stairs and corridors, brighter when it is dark and people are about."""
    use = profile(now, LIGHT_DAY)
    return np.asarray(use * np.where(now.dark, 1.0, 0.45) * (0.9 + 0.1 * own.flicker))


def outdoor(now: Moments, own: RandomNumbers) -> Floats:
    """Yard light: on in the dark, with a trace of standby by day."""
    return np.asarray(np.where(now.dark, 0.92, 0.03) + 0.03 * own.slow)


def room(now: Moments, own: RandomNumbers) -> Floats:
    """A studio: standby when empty, light and screens when used, sometimes a kettle or an iron."""
    use = profile(now, ROOM_DAY, 0.8)
    inside = own.slow * 0.7 + own.place * 0.3 < use
    kettle = inside & (own.block > 0.9) & (own.flicker > 0.35)
    return np.asarray(0.02 + inside * (0.07 + 0.13 * own.block + 0.02 * own.flicker) + 0.72 * kettle)


def mixed(now: Moments, own: RandomNumbers) -> Floats:
    """A feeder about whose use nothing is known."""
    use = profile(now, MIXED_DAY, 0.7)
    return np.asarray(use * (0.6 + 0.3 * own.slow + 0.1 * own.flicker))


@dataclass(frozen=True, slots=True)
class Shape:
    """A load shape with its reactive power (tan phi, positive = inductive), its phase imbalance and its rank.

    `essential` loads stay on when the site runs on its backup supply.
    """

    share: Callable[[Moments, RandomNumbers], Floats]
    tan_phi: float = 0.2
    imbalance: float = 0.05
    essential: bool = False


SHAPES: dict[str, Shape] = {
    "ovens": Shape(ovens, 0.03),
    "night-kitchen": Shape(night_kitchen, 0.35, 0.12),
    "cold": Shape(cold, 0.55, 0.03, essential=True),
    "heating": Shape(heating, 0.40, 0.03),
    "air": Shape(air, 0.50, 0.03),
    "trips": Shape(trips, 0.60, 0.04, essential=True),
    "workday": Shape(workday, 0.35, 0.12),
    "evening": Shape(evening, 0.25, 0.10),
    "kitchen": Shape(kitchen, 0.15, 0.15),
    "machines": Shape(machines, 0.20, 0.05),
    "pressure": Shape(pressure, 0.60, 0.03),
    "pumps": Shape(pumps, 0.65, 0.03, essential=True),
    "always": Shape(always, 0.10, 0.10, essential=True),
    "light": Shape(light, 0.15, 0.15, essential=True),
    "outdoor": Shape(outdoor, 0.20, 0.20),
    "room": Shape(room, 0.12, 0.25),
    "mixed": Shape(mixed, 0.25, 0.08),
}

# Word in the name of a point -> shape and peak in W. The first that fits counts; anything else falls back to its role.
PLACES: tuple[tuple[str, str, float], ...] = (
    ("oven", "ovens", 78_000.0),
    ("bakery", "night-kitchen", 14_000.0),
    ("cold", "cold", 24_000.0),
    ("heat-pump", "heating", 38_000.0),
    ("hot-water", "machines", 6_000.0),
    ("ventilation", "air", 6_500.0),
    ("ev-", "light", 800.0),  # the chargers themselves are a flexible load
    ("charger", "light", 800.0),
    ("workshop", "workday", 15_000.0),
    ("joinery", "workday", 12_000.0),
    ("shop", "workday", 15_000.0),
    ("laundry", "machines", 20_000.0),
    ("lift", "trips", 13_000.0),
    ("yard", "outdoor", 2_600.0),
    ("light", "light", 7_000.0),
    ("loading", "trips", 15_000.0),
    ("climbing", "evening", 26_000.0),
    ("hall", "evening", 30_000.0),
    ("cafe", "kitchen", 10_000.0),
    ("office", "workday", 9_000.0),
    ("server", "always", 6_500.0),
    ("compress", "pressure", 9_000.0),
    ("pump", "pumps", 11_000.0),
    ("studio", "room", 1_800.0),
    ("room", "room", 1_800.0),
)
