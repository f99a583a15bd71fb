"""Every load shape stays between nothing and its peak, and does at its hours what its name says."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.simulator.load_profiles import PLACES, SHAPES, moments, offsets_ms, own_numbers, sources
from meterd.adapters.simulator.noise import keys
from meterd.adapters.simulator.weather import make_sky
from meterd.core.model.periods import to_ms

ZONE = ZoneInfo("Europe/Vienna")
MONDAY = to_ms(datetime(2026, 6, 7, 22, tzinfo=UTC))  # local midnight
WEEK = MONDAY + 60_000 * np.arange(7 * 1440, dtype=np.int64)
SKY = make_sky(1, 1.0)


def shares(name: str) -> np.ndarray:
    """Shares of four points over a week of minutes, (4, 7, 24, 60)."""
    own = own_numbers(sources(keys(3, ["a", "b", "c", "d"])), WEEK)
    result = SHAPES[name].share(moments(WEEK, ZONE, SKY), own)
    return np.broadcast_to(result, (4, len(WEEK))).reshape(4, 7, 24, 60)


@pytest.mark.parametrize("name", SHAPES)
def test_share_is_between_zero_and_one(name):
    result = shares(name)
    assert result.min() >= 0.0
    assert result.max() <= 1.06  # a flicker above the peak
    assert result.std() > 0.0


@pytest.mark.parametrize(
    ("name", "busy", "idle"),
    [
        ("ovens", (2, 7), (17, 22)),
        ("night-kitchen", (2, 6), (15, 21)),
        ("evening", (18, 22), (2, 8)),
        ("kitchen", (11, 14), (1, 6)),
        ("workday", (8, 12), (20, 24)),
        ("air", (7, 21), (0, 5)),
        ("machines", (8, 18), (0, 6)),
        ("outdoor", (0, 3), (9, 18)),
        ("room", (18, 21), (2, 6)),
    ],
)
def test_a_shape_is_busy_at_its_hours(name, busy, idle):
    hours = shares(name)[:, :5].mean(axis=(0, 1, 3))
    assert hours[slice(*busy)].mean() > 2 * hours[slice(*idle)].mean()


def test_offices_are_closed_at_the_weekend():
    days = shares("workday").mean(axis=(0, 2, 3))
    assert days[:5].min() > 2 * days[5:].max()


def test_offsets_follow_the_change_to_summer_time():
    at_ms = to_ms(datetime(2026, 3, 29, 0, 30, tzinfo=UTC)) + 1_800_000 * np.arange(3, dtype=np.int64)
    assert offsets_ms(at_ms, ZONE).tolist() == [3_600_000, 7_200_000, 7_200_000]


def test_the_map_of_places_names_known_shapes():
    assert {shape for _, shape, _ in PLACES} <= set(SHAPES)
