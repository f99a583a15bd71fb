"""A tenant's statement takes its lines from the report and from the allocations it takes part in."""

from meterd.core.model.periods import Period
from meterd.core.model.plan import Point, Role
from meterd.core.reports.content import Report, Revision, Span
from meterd.core.reports.cost_allocation import Line, Statement
from meterd.core.reports.figures import Amount, PointLine, Quality
from meterd.core.reports.tenant_statement import tenant_statement


def point(name: str, mwh: int | None) -> PointLine:
    """A point that imported so much."""
    imported = Amount(mwh)
    return PointLine(Point(name, "main", Role.FEEDER), imported, None, imported, None, Quality(1))


def report(*points: PointLine) -> Report:
    """A report of a month with these points and no tariff."""
    span = Span(Period.MONTH, 0, 100, 100)
    return Report(span, points, (), (), (), (), (), None, Quality(), (), (), (), Revision("f", "0", 9))


def test_energies_of_its_points_add_up_and_shares_are_its_own() -> None:
    """Of an allocation that names others there is no line; one that could not be divided is there and missing."""
    divided = Statement("a", "x", (Line("tenant", "Ada", 3, 30), Line("tenant", "Zoe", 7, 70)))
    others = Statement("b", "x", (Line("tenant", "Zoe", 7, 70),))
    waiting = Statement("c", "x", (), missing=("t1",))
    made = tenant_statement(
        report(point("p", 5), point("q", 6), point("r", 7)), "Ada", ["p", "r"], [divided, others, waiting]
    )
    assert (made.energy.mwh, [line.point.name for line in made.points]) == (12, ["p", "r"])
    assert [(item.allocation, item.line and item.line.cents, item.wh) for item in made.shared] == [
        ("a", 30, 10),
        ("c", None, 0),
    ]
    assert made.shared[1].missing == ("t1",)
    assert (made.cost, made.with_carbon) == (None, False)


def test_a_missing_point_makes_the_sum_missing() -> None:
    """Never a smaller one; and a tenant without a point has no energy."""
    assert tenant_statement(report(point("p", 5), point("q", None)), "Ada", ["p", "q"], []).energy.mwh is None
    assert tenant_statement(report(point("p", 5)), "Ada", [], []).energy.mwh is None
