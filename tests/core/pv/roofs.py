"""Arrays under a sky that is made here: clear days of the model, some of them with clouds."""

import numpy as np

from meterd.core.pv.clear_sky import Place, Plane, clear_w
from meterd.core.pv.roof_fit import RoofDays

BEGIN = 1_704_067_200_000  # 2024-01-01 00:00 UTC
PLACE = Place(48.0, 0.8)
PLANES = (Plane(30.0, -5.0, 10_000.0), Plane(15.0, -90.0, 12_000.0), Plane(15.0, 90.0, 8_000.0))


def roof(
    days: int, planes: tuple[Plane, ...] = PLANES, seed: int = 17, clear: float = 0.4, place: Place = PLACE
) -> RoofDays:
    """Quarter hours; a part of the days is clear, the sky of the others changes with every slot."""
    random = np.random.default_rng(seed)
    at_ms = BEGIN + 900_000 * np.arange(days * 96, dtype=np.int64).reshape(days, 96) + 450_000
    sky = np.where(random.random(days)[:, None] < clear, 1.0, random.uniform(0.2, 1.0, (days, 96)))
    haze = random.normal(1.0, 0.03, days)[:, None]
    watt = np.stack([clear_w(place, plane, at_ms) * sky * haze for plane in planes], axis=-1)
    watt *= random.normal(1.0, 0.003, watt.shape)
    names = tuple(f"roof-{n + 1}" for n in range(len(planes)))
    return RoofDays(names, at_ms, watt)
