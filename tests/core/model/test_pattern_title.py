"""Copies of a pattern bear the title that they share; found by looking: rankings showed "studio", the name of a file."""

from dataclasses import replace

import pytest

from meterd.core.model.pattern_title import pattern_title
from meterd.core.model.plan import Copied, Point, Role, Site
from tests.example_plans import example


def test_the_studios_of_harrow_mill_have_their_title() -> None:
    """Some copies have a title of their own, such as "Studio 07, kiln"."""
    assert pattern_title(example("harrow-mill"), "studio") == "Studio"


@pytest.mark.parametrize(
    ("titles", "title"),
    [
        (("Room 1", "Room 2", "Room 3"), "Room"),
        (("Room 1, east", "Room 2, east", "Laboratory"), "Room east"),
        (("Kitchen", "Office", "Store"), ""),
        (("", "", ""), ""),
        (("1", "2", "3"), ""),
    ],
)
def test_the_title_is_what_most_copies_share_without_their_number(titles: tuple[str, ...], title: str) -> None:
    """Where most share nothing there is none."""
    assert pattern_title(_site(titles), "room") == title


def test_a_pattern_that_draws_two_points_has_a_title_for_each() -> None:
    """Both together have none."""
    light = _site(("Room 1, light", "Room 2, light"), drawn="room-{n}-light")
    power = _site(("Room 1, sockets", "Room 2, sockets"), drawn="room-{n}-sockets")
    both = replace(light, points=(*light.points, *power.points), copied=(*light.copied, *power.copied))
    assert pattern_title(both, "room", "room-{n}-light") == "Room light"
    assert pattern_title(both, "room") == ""
    assert pattern_title(both, "hall") == ""


def _site(titles: tuple[str, ...], drawn: str = "room-{n}") -> Site:
    names = [drawn.replace("{n}", str(number)) for number in range(1, len(titles) + 1)]
    points = tuple(Point(name, "main", Role.SUB, title=title) for name, title in zip(names, titles, strict=True))
    return Site("mill", "Europe/Vienna", points=points, copied=(Copied("room", drawn, tuple(names)),))
