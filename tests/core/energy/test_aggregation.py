"""From changed intervals to the rows that follow: which parents, which registers, nets, PV sums."""

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.energy.aggregation import (
    Parent,
    board_aggregations,
    children_of,
    net_plan,
    parents,
    pv_aggregation,
    sum_of_children,
    sum_pv,
)
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import MADE_OF, Period, bounds, to_ms
from meterd.core.model.plan import Board, Input, Point, PointState, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import PvRow
from meterd.core.registers.register_line import Flag

ZONE = ZoneInfo("Europe/Berlin")
QUARTER, HOUR = 900_000, 3_600_000
SPRING = to_ms(datetime.fromisoformat("2026-03-28T23:00Z"))  # the local day of 92 quarter hours
SITE = Site(
    "mill",
    "Europe/Berlin",
    boards=(Board("north"), Board("south")),
    points=(
        Point("t1", "north", Role.FEED),
        Point("q1", "north", Role.FEEDER),
        Point("q2", "north", Role.FEEDER, state=PointState.FITTED),
        Point("roof", "north", Role.PV, below="q1"),
        Point("diesel", "north", Role.BACKUP),
        Point("t2", "south", Role.FEED),
    ),
    inputs=tuple(
        Input(p, r, "s", f"{p}/{r}")
        for p, r in [
            ("t1", IMPORT),
            ("t1", EXPORT),
            ("q1", IMPORT),
            ("roof", IMPORT),
            ("diesel", IMPORT),
            ("t2", IMPORT),
        ]
    ),
)


def ones(rows: int, columns: int = 1) -> Columns:
    energy = np.ones((rows, columns), dtype=np.int64)
    return Columns(energy, energy.astype(bool), np.zeros((rows, columns), dtype=np.uint8))


@given(st.sets(st.integers(0, 5000), max_size=30), st.integers(0, 6000))
def test_parents_are_the_periods_around_that_are_over(changed: set[int], closed: int) -> None:
    """Each once, small ones first, none that is still running; against the definition."""
    begin = SPRING - 20 * 24 * HOUR
    moments, closed_to = [begin + n * QUARTER for n in changed], begin + closed * QUARTER
    expected = {
        Parent(period, low, high)
        for period in MADE_OF
        for moment in moments
        for low, high in [bounds(period, moment, ZONE, QUARTER)]
        if high <= closed_to
    }
    results = parents(moments, closed_to, ZONE, QUARTER)
    assert set(results) == expected
    assert len(results) == len(expected)
    order = [(list(Period).index(p.period), p.start_ms) for p in results]
    assert order == sorted(order)


def test_parts_follow_the_clocks() -> None:
    """A day of 23 hours, a month of 31 days, a year of 12 months; several parents in one go."""
    day, after = (
        Parent(Period.DAY, SPRING, SPRING + 23 * HOUR),
        Parent(Period.DAY, SPRING + 23 * HOUR, SPRING + 47 * HOUR),
    )
    hours = children_of([day, after], Period.HOUR, ZONE, QUARTER)
    assert (hours.first.tolist(), hours.expected.tolist()) == ([0, 23], [23, 24])
    quarters = children_of([day, after], Period.INTERVAL, ZONE, QUARTER)
    assert quarters.expected.tolist() == [92, 96]
    month = Parent(Period.MONTH, *bounds(Period.MONTH, SPRING, ZONE, QUARTER))
    assert children_of([month], Period.DAY, ZONE, QUARTER).expected.tolist() == [31]
    year = Parent(Period.YEAR, *bounds(Period.YEAR, SPRING, ZONE, QUARTER))
    assert children_of([year], Period.MONTH, ZONE, QUARTER).expected.tolist() == [12]


def test_only_registers_that_changed_inside_a_parent_get_a_figure() -> None:
    """A late reading of one meter writes nothing about another."""
    group = [Parent(Period.HOUR, SPRING + k * HOUR, SPRING + (k + 1) * HOUR) for k in range(2)]
    children = children_of(group, Period.INTERVAL, ZONE, QUARTER)
    changed = {("t1", IMPORT): [SPRING + QUARTER], ("q1", IMPORT): [SPRING, SPRING + HOUR + 3 * QUARTER]}
    rows = sum_of_children(changed, group, children, ones(8, 2))
    assert [(r.channel[0], (r.start_ms - SPRING) // HOUR, r.energy) for r in rows] == [
        ("t1", 0, 4),
        ("q1", 0, 4),
        ("q1", 1, 4),
    ]


def test_net_is_import_less_export_where_export_is_read() -> None:
    """A point without an export register needs none; one with it is missing without."""
    plan = net_plan(SITE, ["t1", "q1"])
    assert plan.has_export == (True, False)
    imports = Columns(np.array([[10, 20]]), np.array([[True, True]]), np.array([[0, Flag.END]], dtype=np.uint8))
    exports = Columns(np.array([[3, 99]]), np.array([[True, False]]), np.array([[Flag.START, 7]], dtype=np.uint8))
    net = plan.net(imports, exports)
    assert (net.energy.tolist(), net.present.tolist(), net.flags.tolist()) == ([[7, 20]], [[True, True]], [[1, 2]])
    gone = plan.net(imports, replace(exports, present=np.array([[False, False]])))
    assert gone.present.tolist() == [[False, True]]


def test_figures_of_a_site() -> None:
    """One aggregation per board of its live points; PV behind a feeder is no term of the board but part of the PV aggregation."""
    aggregations = board_aggregations(SITE)
    assert {name: aggregation.plan.points for name, aggregation in aggregations.items()} == {
        "north": ("t1", "q1", "diesel"),
        "south": ("t2",),
    }
    assert aggregations["north"].terms.uncovered == ("q2",)
    aggregation = pv_aggregation(SITE)
    assert aggregation is not None
    assert (aggregation.production.points, aggregation.feeds.points, aggregation.others.points) == (
        ("roof",),
        ("t1", "t2"),
        ("diesel",),
    )
    dark = replace(SITE, points=tuple(p for p in SITE.points if p.role is not Role.PV))
    assert pv_aggregation(dark) is None


def test_pv_of_an_interval_needs_every_register_that_the_plan_reads() -> None:
    """Export counts only where it is read; a missing register makes the row missing, an estimated one marks it."""
    aggregation = pv_aggregation(SITE)
    assert aggregation is not None
    start = np.array([0, QUARTER, 2 * QUARTER])
    feed_out = Columns(
        np.array([[4, 0]] * 3), np.array([[True, False], [False, False], [True, False]]), ones(3, 2).flags
    )
    marked = Columns(np.full((3, 1), 10), np.ones((3, 1), bool), np.array([[0], [0], [1]], dtype=np.uint8))
    rows = aggregation.interval_rows(
        start, start + QUARTER, marked, imported=ones(3, 2), exported=feed_out, others=ones(3)
    )
    assert [(r.production, r.grid_import, r.grid_export, r.self_use, r.consumption, r.estimated) for r in rows] == [
        (10, 2, 4, 6, 9, False),
        (None, None, None, None, None, False),
        (10, 2, 4, 6, 9, True),
    ]


@pytest.mark.parametrize(("productions", "expected", "total"), [
    ([1, 2, 3], 3, 6), ([1, None, 3], 3, None), ([1, 2], 3, None), ([], 3, None), ([], 0, 0),
])  # fmt: skip
def test_pv_of_a_longer_period_is_the_sum_of_all_its_parts(
    productions: list[int | None], expected: int, total: int | None
) -> None:
    parent = Parent(Period.HOUR, 0, HOUR)
    rows = [PvRow(Period.INTERVAL, k, k + 1, p, p, p, p, p, k == 1) for k, p in enumerate(productions)]
    row = sum_pv(parent, rows, expected)
    assert (row.production, row.self_use, row.estimated) == (total, total, total is not None and len(rows) > 1)
