"""The word for a surplus comes at its threshold, goes below 0.7 of it, and is unknown at once."""

import random

import pytest

from meterd.core.model.surplus_level import SurplusLevel, next_level

NONE, SOME, PLENTY, UNKNOWN = SurplusLevel


@pytest.mark.parametrize(
    ("before", "watt", "after"),
    [
        (NONE, 999, NONE),
        (NONE, 1000, SOME),
        (NONE, 5000, PLENTY),
        (SOME, 700, SOME),
        (SOME, 699, NONE),
        (SOME, 4999, SOME),
        (PLENTY, 3500, PLENTY),
        (PLENTY, 3499, SOME),
        (PLENTY, 10, NONE),
        (PLENTY, None, UNKNOWN),
        (UNKNOWN, 999, NONE),
        (UNKNOWN, 4000, SOME),
    ],
)
def test_a_word_follows_the_word_before(before: SurplusLevel, watt: float | None, after: SurplusLevel) -> None:
    """Thresholds of 1 and 5 kW."""
    assert next_level(before, watt, 1000, 5000) is after


def test_noise_at_a_threshold_switches_a_lamp_once() -> None:
    """A tenth of noise around 5 kW: without the gap it would switch hundreds of times."""
    chance, level, switches = random.Random(1), NONE, 0
    for _ in range(1000):
        after = next_level(level, 5000 * chance.uniform(0.9, 1.1), 1000, 5000)
        switches += after is not level
        level = after
    assert switches <= 2
