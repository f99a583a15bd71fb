"""The report as values: what was open then, which corrections hold, and the balance of a board."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.energy.rollup import Columns
from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.periods import Period
from meterd.core.model.plan import Board, Consumer, Point, PointState, Role, Site
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import BalanceRow, PvRow
from meterd.core.registers.corrections import Correction
from meterd.core.reports.content import ReportData, Revision, Span, make_report, of_period
from meterd.core.reports.figures import Intervals
from meterd.core.sharing.history import ShareRow

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
MATERIAL = ReportData(
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
    report_findings = of_period(rows, {}, MATERIAL.span)
    assert [report_finding.row.finding.subject for report_finding in report_findings] == ["old", "a-later", "b-open"]
    assert {report_finding.until_ms for report_finding in report_findings} == {None}


def test_a_meter_that_was_wrong_in_the_period_is_listed_whenever_it_was_found() -> None:
    """Found after the end with evidence from before; put right before the end; of a former life. Not what ended before it."""

    def one(cause: str, name: str, *, at: int, first: int, closed: int | None, number: int = 1) -> FindingRow:
        return FindingRow(Finding(cause, name, at, "text"), first, first, "new", closed, number=number)

    rows = (
        one("drift", "a-later", at=END - 1, first=END + 5, closed=None),
        one("drift", "b-mended", at=BEGIN + 1, first=BEGIN + 2, closed=END - 1),
        one("drift", "c-life", at=BEGIN + 3, first=BEGIN + 4, closed=BEGIN + 5),
        one("drift", "c-life", at=END + 1, first=END + 2, closed=None, number=2),
        one("drift", "before", at=5, first=6, closed=BEGIN - 1),
        one("stale", "short", at=BEGIN + 1, first=BEGIN + 2, closed=END - 1),
        one("stale", "d-over-midnight", at=END - 2, first=END + 1, closed=END + 9),
        one("reset", "e-event", at=BEGIN + 9, first=BEGIN + 9, closed=BEGIN + 10),
    )
    report_findings = of_period(rows, {("drift-b-mended", 1): BEGIN + 7}, MATERIAL.span)
    listed = {
        report_finding.row.finding.subject: (report_finding.found_ms, report_finding.from_ms, report_finding.until_ms)
        for report_finding in report_findings
    }
    assert listed == {
        "b-mended": (BEGIN + 7, BEGIN + 1, END - 1), "c-life": (BEGIN + 4, BEGIN + 3, BEGIN + 5),
        "e-event": (BEGIN + 9, BEGIN + 9, BEGIN + 9), "d-over-midnight": (END + 1, END - 2, None),
        "a-later": (END + 5, END - 1, None),
    }  # fmt: skip


def test_corrections_are_those_that_touch_the_period_and_hold() -> None:
    """Not one that ended before, begins after, or was withdrawn."""
    rows = (
        correction(1, 0, BEGIN), correction(2, 0, BEGIN + 1), correction(3, END, None), correction(4, 0, None, withdrawn=5),
        correction(5, 0, None),
    )  # fmt: skip
    report = make_report(SITE, replace(MATERIAL, corrections=rows))
    assert [item.id for item in report.corrections] == [2, 5]


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
            duration_ms=900_000, energy={"heater": 3_600_000_000}, switches={},
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
