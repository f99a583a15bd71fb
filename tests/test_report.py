"""The report as values: what was open then, which corrections hold, and the balance of a board."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.correction import Correction
from meterd.figure import BalanceRow, PvRow
from meterd.finding import Finding, FindingRow
from meterd.interval import Period
from meterd.reading import IMPORT
from meterd.report import Material, Revision, Span, make_report, open_at
from meterd.report_figures import Intervals
from meterd.rollup import Columns
from meterd.share_book import ShareRow
from meterd.site import Board, Consumer, Point, PointState, Role, Site

BEGIN, END = 1_000_000, 2_000_000
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("main"),),
    points=(
        Point("t1", "main", Role.FEED),
        Point("a", "main", Role.FEEDER),
        Point("old", "main", Role.FEEDER, state=PointState.RETIRED),
        Point("gone", "main", Role.FEEDER, state=PointState.RETIRED),
        Point("plan", "main", Role.FEEDER, state=PointState.PLANNED),
    ),
    consumers=(Consumer("heater"),),
)
ENERGY = np.array([[10, 8, 2], [20, 18, 1]], dtype=np.int64)
INTERVALS = Intervals(
    np.array([BEGIN, BEGIN + 900_000]),
    (("t1", IMPORT), ("a", IMPORT), ("old", IMPORT)),
    Columns(ENERGY, np.ones((2, 3), np.bool_), np.zeros((2, 3), np.uint8)),
    np.ones((2, 3), np.int64),
)
BALANCE = BalanceRow("main", Period.MONTH, BEGIN, END, 30, 26, 4, 9, "inside", False)
PV = PvRow(Period.MONTH, BEGIN, END, 100, 50, 20, 80, 130, False)
MATERIAL = Material(
    span=Span(Period.MONTH, BEGIN, END, END),
    begins=(BEGIN,),
    intervals=INTERVALS,
    balances=(BALANCE,),
    verdicts={"main": {"inside": 7, "outside": 2}},
    pv=PV,
    shares=(),
    findings=(),
    corrections=(),
    changes=(),
    revision=Revision("ab" * 32, "0", 5),
)


def finding(name: str, first: int, closed: int | None, part_of: str = "") -> FindingRow:
    """A finding with its life."""
    return FindingRow(Finding("stale", name, first, "text"), first, first, "new", closed, part_of=part_of)


def correction(number: int, from_ms: int, until_ms: int | None, withdrawn: int | None = None) -> Correction:
    """A correction of a."""
    return Correction(number, "a", IMPORT, from_ms, until_ms, "1.1", "ratio", "A. Weber", 1, withdrawn)


def test_findings_are_those_open_at_the_end_whenever_the_report_is_made() -> None:
    """Closed before the end: not open. Closed later: still open then. Begun later: not yet. Part of another: no own."""
    rows = (
        finding("b-open", 1_500_000, None), finding("closed", 1_200_000, 1_900_000), finding("a-later", 1_500_000, 2_500_000),
        finding("young", 2_000_000, None), finding("part", 1_500_000, None, part_of="stale-x"), finding("old", 5, None),
    )  # fmt: skip
    assert [row.finding.subject for row in open_at(rows, END, BEGIN)] == ["old", "a-later", "b-open"]


def test_corrections_are_those_that_touch_the_period_and_hold() -> None:
    """Not one that ended before, begins after, or was withdrawn."""
    rows = (
        correction(1, 0, BEGIN), correction(2, 0, BEGIN + 1), correction(3, END, None), correction(4, 0, None, withdrawn=5),
        correction(5, 0, None),
    )  # fmt: skip
    report = make_report(SITE, replace(MATERIAL, corrections=rows))
    assert [one.id for one in report.corrections] == [2, 5]


def test_points_are_those_that_count_and_retired_ones_with_figures() -> None:
    """A point that was retired in the period has figures of it; one long gone or only planned is not listed."""
    report = make_report(SITE, MATERIAL)
    assert [line.point.name for line in report.points] == ["t1", "a", "old"]
    assert report.quality.of == 6


def test_retired_point_is_no_part_of_an_area() -> None:
    """As in the balance, only live and accepted points count."""
    (area,) = make_report(SITE, MATERIAL).areas
    assert (area.points, area.net.mwh) == (("a",), 26)


def test_board_counts_its_intervals() -> None:
    """None of a verdict is 0 of it."""
    (board,) = make_report(SITE, MATERIAL).boards
    assert (board.row, board.inside, board.outside, board.not_computable) == (BALANCE, 7, 2, 0)


def test_pv_ratios_and_shares() -> None:
    """Self-use over production and over consumption; without rows nothing was shared, which is not 0 kWh."""
    pv = make_report(SITE, MATERIAL).pv
    assert pv is not None
    assert (pv.self_consumption, pv.self_sufficiency) == (0.8, pytest.approx(80 / 130))
    assert (pv.shared, pv.decided) == (None, 0)
    rows = tuple(
        ShareRow(
            start_ms=BEGIN + i * 900_000, mode="on", production=0, exported=0, imported=0, would_export=0, would_import=0,
            seconds_ms=900_000, energy={"heater": 3_600_000_000}, switches={},
        )
        for i in range(2)
    )  # fmt: skip
    shared = make_report(SITE, replace(MATERIAL, shares=rows)).pv
    assert shared is not None
    assert shared.shared is not None
    assert (shared.decided, shared.modes, shared.shared.hours) == (2, ("on",), 0.5)


def test_site_without_pv_has_no_pv_part() -> None:
    """No row of zeros."""
    assert make_report(SITE, replace(MATERIAL, pv=None)).pv is None


def test_period_is_over_when_its_last_interval_is_closed() -> None:
    """Up to the millisecond."""
    assert MATERIAL.span.over
    assert not replace(MATERIAL.span, known_ms=END - 1).over
