"""Which points count for which tenant."""

from dataclasses import replace

from meterd.app.operations.pv_accounting import participants, points_of_tenants
from meterd.core.model.plan import Point, Role
from tests.example_plans import example

SMALL = example("small.toml")


def test_points_of_tenants_are_in_order_and_count_nothing_twice() -> None:
    """What hangs below a point with a tenant is in that already; a source and a planned point count for nobody."""
    board = SMALL.boards[0].name
    points = (
        Point("b", board, Role.FEEDER, tenant="Zoe"),
        Point("a", board, Role.FEEDER, tenant="Zoe"),
        Point("c", board, Role.FEEDER, tenant="Ada"),
        Point("d", board, Role.SUB, below="c", tenant="Zoe"),
        Point("roof", board, Role.PV, tenant="Ada"),
        Point("stairs", board, Role.FEEDER),
    )
    site = replace(SMALL, points=points)
    assert points_of_tenants(site) == {"Ada": ["c"], "Zoe": ["a", "b"]}
    assert list(points_of_tenants(site)) == ["Ada", "Zoe"]
    assert participants(site) == {"b": "Zoe", "a": "Zoe", "c": "Ada"}
