"""A name that the plan does not have leads to the nearest one that it has."""

import pytest

from meterd.adapters.texts.near_points import near_points
from meterd.core.model.plan import Board, Point, Role, Site

SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("bakery-ovens", "north", Role.FEEDER, title="Bakery, ovens", aliases=("q01",)),
        Point("bakery-proving", "north", Role.FEEDER, title="Bakery, proving and light"),
        Point("cafe", "north", Role.FEEDER, title="Coffee house"),
        *(Point(f"studio-{i:02}", "north", Role.SUB, below="cafe") for i in range(1, 13)),
    ),
)


@pytest.mark.parametrize(
    ("asked", "near"),
    [
        ("bakery-oven", ("bakery-ovens", "bakery-proving")),
        ("Q-01", ("bakery-ovens",)),
        ("ovens", ("bakery-ovens",)),
        ("Coffee hause", ("cafe",)),
        ("nope", ()),
        ("", ()),
    ],
)
def test_the_nearest_points(asked: str, near: tuple[str, ...]) -> None:
    """By name, former name, a part of it, or title."""
    assert near_points(SITE, asked) == near


def test_a_hint_is_no_list() -> None:
    """Of twelve rooms three."""
    assert len(near_points(SITE, "studio")) == 3
