"""The figures of a report: missing stays missing, nothing is counted twice, the first of equal peaks."""

import numpy as np
import pytest

from meterd.core.energy.rollup import Columns
from meterd.core.model.connection import connection_feeds
from meterd.core.model.plan import Board, Point, PointState, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.registers.register_line import Flag
from meterd.core.reports.figures import (
    Amount,
    Intervals,
    PointLine,
    Quality,
    amount,
    area_of,
    grouped,
    peaks,
    point_line,
    quality,
    steps,
    total,
)

QUARTER = 900_000
MISSING = -1


def intervals(**rows: list[int]) -> Intervals:
    """Intervals from 0 on, in mWh by point (`x_out` is its export); -1 is missing."""
    channels = tuple((name.removesuffix("_out"), EXPORT if name.endswith("_out") else IMPORT) for name in rows)
    energy = np.array(list(rows.values()), dtype=np.int64).T
    present = energy != MISSING
    columns = Columns(np.where(present, energy, 0), present, np.zeros(energy.shape, np.uint8))
    return Intervals(QUARTER * np.arange(len(energy)), channels, columns, present.astype(np.int64))


def line(point: Point, mwh: int | None) -> PointLine:
    """A point with a net energy."""
    item = Amount(mwh)
    return PointLine(point, item, None, item, None, Quality())


def site(*points: Point, boards: tuple[Board, ...] = (Board("main"),)) -> Site:
    """A site of those points."""
    return Site("mill", "Europe/Vienna", boards=boards, points=points)


def feeder(name: str, place: str = "", *, tenant: str = "", board: str = "main") -> Point:
    """A live feeder."""
    return Point(name, board, Role.FEEDER, place=place, tenant=tenant)


def sub(name: str, below: str, place: str = "", *, tenant: str = "") -> Point:
    """A live point below a feeder."""
    return Point(name, "main", Role.SUB, below=below, place=place, tenant=tenant)


def test_sum_with_a_missing_interval_is_missing_and_says_what_is_known_at_least() -> None:
    """Never a smaller sum that looks whole; nothing at all says nothing at least."""
    result = intervals(a=[1, 2, 3], b=[1, MISSING, 3], c=[MISSING] * 3)
    assert [amount(result.columns, j) for j in range(3)] == [
        Amount(6),
        Amount(None, at_least=4),
        Amount(None),
    ]


def test_sum_over_an_estimated_inside_is_exact_and_estimated_only_at_its_ends() -> None:
    """The register knows the energy across a gap; only a boundary of the period that falls into it is estimated."""
    result = intervals(a=[1, 2, 3])
    for flags, estimated in (
        ([0, Flag.START | Flag.END, 0], False),
        ([Flag.START, 0, 0], True),
        ([0, 0, Flag.END], True),
    ):
        result.columns.flags[:, 0] = flags
        assert amount(result.columns, 0) == Amount(6, estimated)


def test_lower_bound_is_not_a_sum() -> None:
    """After a reset the energy is known only as at least."""
    result = intervals(a=[1, 2])
    result.columns.flags[1, 0] = Flag.BOUND
    assert amount(result.columns, 0) == Amount(None, at_least=3)
    assert quality(result, 0) == Quality(of=2, bound=1)


def test_quality_counts_each_interval_once() -> None:
    """Missing, estimated, lower bound, changed after closing."""
    result = intervals(a=[1, MISSING, 3, 4])
    result.columns.flags[:, 0] = [Flag.END, 0, 0, Flag.BOUND | Flag.END]
    result.versions[:, 0] = [1, 0, 3, 1]
    assert quality(result, 0) == Quality(of=4, missing=1, estimated=1, bound=1, changed=1)
    assert Quality().part(0) is None


def test_point_without_register_has_no_figure() -> None:
    """All of its intervals are missing, it has no peak."""
    result = point_line(intervals(a=[1, 2]), feeder("b"), QUARTER)
    assert (result.net.mwh, result.peak, result.quality) == (None, None, Quality(of=2, missing=2))


def test_peak_is_the_first_of_equals_and_net_is_import_less_export() -> None:
    """Means of a quarter hour in W: 4 Wh in it are 16 W."""
    result = point_line(intervals(a=[1000, 4000, 4000], a_out=[0, 0, 500]), feeder("a"), QUARTER)
    assert result.peak is not None
    assert (result.peak.power_w, result.peak.start_ms) == (16.0, QUARTER)
    assert result.net == Amount(8500)


def test_total_of_nothing_is_missing() -> None:
    """No terms is no energy of 0."""
    assert total([]) == Amount(None)


def test_groups_take_a_point_from_its_feeder_and_count_nothing_twice() -> None:
    """The tower's feeder holds a room of the annex: together still the feeders."""
    points = (
        feeder("riser", "Tower"),
        sub("room-1", "riser", "Tower, room 1"),
        sub("room-2", "riser", "Annex"),
        feeder("hall", "Hall"),
    )
    lines = [line(point, mwh) for point, mwh in zip(points, (100, 60, 30, 7), strict=True)]
    results = {group.name: group.net.mwh for group in grouped(site(*points), lines, area_of)}
    assert results == {"Annex": 30, "Hall": 7, "Tower": 70}


def test_tenant_below_nobodys_feeder_leaves_the_rest_to_nobody() -> None:
    """Nobody's group stands last; a room without tenant stays with its feeder."""
    points = (feeder("riser"), sub("room-1", "riser", tenant="Anna"), sub("room-2", "riser"))
    lines = [line(point, mwh) for point, mwh in zip(points, (100, 60, 30), strict=True)]
    groups = grouped(site(*points), lines, lambda point: point.tenant)
    assert [(group.name, group.net.mwh) for group in groups] == [("Anna", 60), ("", 40)]


def test_group_with_a_missing_point_is_missing_and_names_it() -> None:
    """Of all its groups only those with that point."""
    points = (feeder("a", "Hall"), feeder("b", "Hall"), feeder("c", "Tower"))
    lines = [line(points[0], 1), line(points[1], None), line(points[2], 3)]
    groups = grouped(site(*points), lines, area_of)
    assert [(group.name, group.net.mwh, group.missing) for group in groups] == [
        ("Hall", None, ("b",)), ("Tower", 3, ()),
    ]  # fmt: skip


def test_feeder_of_another_board_is_left_out() -> None:
    """Its energy is that of the other board's feeders, which are there themselves."""
    boards = (Board("main"), Board("upper", fed_by="up"))
    points = (feeder("up"), feeder("a", board="upper"), feeder("b"))
    lines = [line(point, mwh) for point, mwh in zip(points, (50, 49, 5), strict=True)]
    (group,) = grouped(site(*points, boards=boards), lines, area_of)
    assert (group.name, group.net.mwh, group.points) == ("", 54, ("a", "b"))


def test_connection_is_the_feeds_of_boards_that_nothing_else_feeds() -> None:
    """The feed of a lower board is no grid connection; a planned one neither."""
    boards = (Board("main"), Board("upper", fed_by="up"))
    points = (
        Point("t1", "main", Role.FEED), Point("t2", "main", Role.FEED, state=PointState.PLANNED),
        Point("in", "upper", Role.FEED), feeder("up"),
    )  # fmt: skip
    assert [point.name for point in connection_feeds(site(*points, boards=boards))] == ["t1"]


def test_peaks_of_the_connection_are_net_over_all_feeds_and_skip_unknown_intervals() -> None:
    """What one transformer gives back the other may take; an interval without one of them has no peak."""
    points = (Point("t1", "main", Role.FEED), Point("t2", "main", Role.FEED))
    result = intervals(
        t1=[1000, 9000, 5000, 5000], t2=[1000, MISSING, 0, 0], t1_out=[0, 0, 1000, 0], t2_out=[0, 0, 0, 0]
    )
    assert [(p.power_w, p.start_ms) for p in peaks(result, site(*points), QUARTER, count=2)] == [
        (20.0, 3 * QUARTER), (16.0, 2 * QUARTER),
    ]  # fmt: skip


def test_no_connection_has_no_peaks() -> None:
    """A site without a live feed says nothing about demand."""
    assert peaks(intervals(a=[1]), site(feeder("a")), QUARTER, count=3) == ()


@pytest.mark.parametrize(("end", "expected"), [(4, [3, 7]), (3, [3, 3])])
def test_steps_cover_the_period_once(end: int, expected: list[int]) -> None:
    """Two parts of two intervals, the last one shorter where the period is not over."""
    results = steps(intervals(t1=[1, 2, 3, 4]), site(Point("t1", "main", Role.FEED)), [0, 2 * QUARTER], end * QUARTER)
    assert [step.imported for step in results] == expected
    assert all(step.produced is None for step in results)
