"""The largest present value of a point follows its rating, and is unknown for registers that count."""

import math

import pytest

from meterd.core.model.plan import Board, Limits, Point, Role, Site
from meterd.core.registers.limits import largest

SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("main", nominal_v=400.0),),
    points=(Point("q01", "main", Role.FEEDER, rating_a=63), Point("t1", "main", Role.FEED)),
    limits=Limits(point_max_w=800_000),
)


@pytest.mark.parametrize(
    ("point", "register", "expected"),
    [
        ("q01", "16.7.0", 1.5 * math.sqrt(3) * 400 * 63),
        ("q01", "131.7.0", 1.5 * math.sqrt(3) * 400 * 63),
        ("q01", "31.7.0", 1.5 * 63),
        ("t1", "16.7.0", 1.5 * 800_000),  # without a rating the plan's limit of a point
        ("t1", "32.7.0", 800.0),
        ("t1", "14.7.0", 100.0),
        ("t1", "13.7.0", 1.005),
    ],
)
def test_largest_value(point: str, register: str, expected: float) -> None:
    assert largest(SITE, point, register) == pytest.approx(expected)


def test_counters_and_strangers_have_none() -> None:
    assert largest(SITE, "q01", "1.8.0") is None
    assert largest(SITE, "q77", "16.7.0") is None
