"""Facts of a plan that rows need: which registers are read, and which boards have a loading."""

from dataclasses import replace

import pytest

from meterd.core.model.plan import PointState
from meterd.core.topics.plan_facts import plan_facts_of
from tests.example_plans import example

SITE = example("harrow-mill")


def test_a_board_with_a_rating_has_a_loading_by_its_counting_feeds() -> None:
    """Both transformers of the mill; the current of a phase is S over sqrt(3) U, 630 kVA at 400 V: 909.3 A."""
    loaded = plan_facts_of(SITE).loaded
    assert {name: board.feeds for name, board in loaded.items()} == {"north": ("t1",), "south": ("t2",)}
    assert loaded["north"].rated_a == pytest.approx(909.327, abs=1e-3)


def test_without_rating_or_power_at_every_feed_there_is_none() -> None:
    """A board without rating; a feed that is only fitted does not count."""
    boards = tuple(replace(board, rating_kva=None) if board.name == "north" else board for board in SITE.boards)
    assert set(plan_facts_of(replace(SITE, boards=boards)).loaded) == {"south"}
    points = tuple(replace(p, state=PointState.FITTED) if p.name == "t2" else p for p in SITE.points)
    assert set(plan_facts_of(replace(SITE, points=points)).loaded) == {"north"}
    inputs = tuple(row for row in SITE.inputs if (row.point, row.register) != ("t1", "16.7.0"))
    assert "16.7.0" not in plan_facts_of(replace(SITE, inputs=inputs)).loaded["north"].registers


def test_facts_are_made_once_and_retired_points_are_not_read() -> None:
    """The same object for the same plan; a new plan has its own."""
    assert plan_facts_of(SITE) is plan_facts_of(SITE)
    points = tuple(replace(p, state=PointState.RETIRED) if p.name == "bakery-ovens" else p for p in SITE.points)
    other = plan_facts_of(replace(SITE, points=points))
    assert "bakery-ovens" in plan_facts_of(SITE).registers["1.8.0"]
    assert "bakery-ovens" not in other.registers["1.8.0"]
