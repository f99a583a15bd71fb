"""Where a site meets the grid: boards that supply each other, with and without a meter at their own end."""

from dataclasses import replace

import pytest

from meterd.core.energy.aggregation import pv_aggregation
from meterd.core.forecast.site_powers import forecast_inputs
from meterd.core.model.connection import boards_behind_feeders, connection_feeds
from meterd.core.model.plan import Board, Point, PointState, Role, Site
from meterd.core.sharing.alignment import aligned_points

POINTS = (
    Point("t1", "main", Role.FEED),
    Point("to-yard", "main", Role.FEEDER),
    Point("y0", "yard", Role.FEED),
    Point("to-shed", "yard", Role.FEEDER),
    Point("crane", "yard", Role.FEEDER),
    Point("s0", "shed", Role.FEED),
    Point("lamps", "shed", Role.FEEDER),
)


def site(**states: PointState) -> Site:
    boards = Board("main"), Board("yard", fed_by="to-yard"), Board("shed", fed_by="to-shed")
    by_name = {name.replace("_", "-"): state for name, state in states.items()}
    points = tuple(Point(p.name, p.board, p.role, state=by_name.get(p.name, PointState.LIVE)) for p in POINTS)
    return Site("mill", "Europe/Vienna", boards=boards, points=points)


def test_the_feed_of_a_board_below_is_no_connection() -> None:
    assert [p.name for p in connection_feeds(site())] == ["t1"]
    assert connection_feeds(site(t1=PointState.FITTED)) == ()


@pytest.mark.parametrize(
    ("states", "behind"),
    [
        ({}, {"yard", "shed"}),
        ({"to_yard": PointState.FITTED}, {"shed"}),
        ({"to_shed": PointState.PLANNED}, {"yard", "shed"}),
        ({"to_yard": PointState.FITTED, "to_shed": PointState.PLANNED}, set()),
    ],
    ids=["all", "upper feeder without a meter", "lower feeder without a meter", "neither"],
)
def test_a_board_is_behind_any_counting_feeder_above_it(states: dict[str, PointState], behind: set[str]) -> None:
    assert boards_behind_feeders(site(**states)) == behind


def test_a_meter_at_the_lower_end_of_a_feeder_changes_no_figure_of_the_site() -> None:
    """Which registers make PV figures, forecasts and sums of the site, with the feed of the yard and without it."""
    pv = Point("roof", "yard", Role.PV)
    whole = replace(site(), points=(*POINTS, pv))
    without = replace(whole, points=tuple(p for p in whole.points if p.name not in ("y0", "s0")))
    for plan in (whole, without):
        aggregation, inputs = pv_aggregation(plan), forecast_inputs(plan)
        assert aggregation is not None
        assert inputs is not None
        assert aggregation.feeds.points == ("t1",)
        assert inputs.sources.points == ("t1",)
    assert aligned_points(whole).feeds == aligned_points(without).feeds == ("t1",)
