"""What lies behind a gap, asked of page "balance" on small stores: suspects, obstacles, checks, moments, rooms."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.exceptions import HTTPException

from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.pages.balance import BalanceView, diagram, view
from meterd.adapters.web.request_context import RequestContext
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Copied, Input, PointState, Site
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.reports.single_line_diagram import Kind
from tests.adapters.web.request_contexts import BEGIN, MINUTE, SITE, context_of, shot, steady

QUARTER = 15 * MINUTE


def asked(context: RequestContext, viewer: Viewer | None = None, **query: str) -> BalanceView:
    """The north board, as somebody who may look at everything."""
    who = viewer or Viewer("eva", UserRole.LOOK)
    return view(context, who, shot(context), **{"board": "north", **query})  # type: ignore[arg-type]


def loads(feed: float, ovens: float, other: float) -> list[Reading]:
    """Three hours of steady powers in W."""
    return [*steady("t1", feed), *steady("q01", ovens), *steady("q02", other)]


def finding(cause: str, subject: str, *points: str) -> Finding:
    """As the drift watch says it."""
    return Finding(cause, subject, BEGIN, f"{subject}: words", "look there", points, ("what else would explain it",))


def test_a_board_that_adds_up_has_nothing_to_check(tmp_path: Path) -> None:
    """The newest closed quarter hour; nobody is suspect; the only advice is how to be sure of one meter."""
    view = asked(context_of(tmp_path / "s.sqlite", loads(15_000, 10_000, 5_000)))
    assert view.gap is not None
    assert (view.gap.verdict, view.gap.end_ms) == ("inside", BEGIN + 12 * QUARTER)
    assert (view.suspects, view.obstacles, view.places) == ([], [], [])
    assert view.checks == ["check_display"]
    assert {branch.point: branch.energy_mwh for branch in view.branches} == {
        "t1": 3_750_000,
        "q01": 2_500_000,
        "q02": 1_250_000,
    }
    assert [branch.part for branch in view.branches] == [1, pytest.approx(2 / 3), pytest.approx(1 / 3)]


@pytest.mark.parametrize(("feed", "first"), [(20_000, "check_more_in"), (10_000, "check_more_out")])
def test_the_sign_of_the_gap_decides_what_to_look_for(tmp_path: Path, feed: float, first: str) -> None:
    """More in than out is another search than more out than in."""
    view = asked(context_of(tmp_path / "s.sqlite", loads(feed, 10_000, 5_000)))
    assert view.gap is not None
    assert view.gap.verdict == "outside"
    assert view.checks == [first, "check_display", "check_sign", "check_load"]


def test_a_named_meter_is_marked_apart_from_what_else_would_fit(tmp_path: Path) -> None:
    """The one that the drift watch names is suspect, the others of its list are possible; one says where to go."""
    findings = [finding("drift", "q01", "q01", "q02"), finding("drift", "elsewhere", "elsewhere")]
    site = replace(SITE, points=tuple(replace(p, place="Bakery", designation="-Q11") for p in SITE.points))
    context = context_of(tmp_path / "s.sqlite", loads(15_000, 10_000, 5_000), findings, site)
    view = asked(context)
    assert [item.subject for item in view.suspects] == ["q01"]
    assert view.suspects[0].evidence == ["what else would explain it"]
    assert {branch.point: branch.suspect for branch in view.branches} == {"t1": "", "q01": "named", "q02": "possible"}
    assert [(place.point, place.place, place.designation) for place in view.places] == [("q01", "Bakery", "-Q11")]
    assert view.checks == ["check_display", "check_sign", "check_ratio"]
    marks = {label.point: label.lines for label in diagram(view, site, "en").labels if label.role == "mark"}
    assert marks == {"q01": ("▲ suspect",), "q02": ("◧ possible",)}


@pytest.mark.parametrize("subject", ["board-north", "below-q01"])
def test_a_suspicion_without_a_meter_belongs_to_the_board_of_its_node(tmp_path: Path, subject: str) -> None:
    """A standing load or a loss has no point, only the node of the network."""
    view = asked(context_of(tmp_path / "s.sqlite", loads(15_000, 10_000, 5_000), [finding("balance-shift", subject)]))
    assert [item.subject for item in view.suspects] == [subject]
    assert "check_load" in view.checks
    assert all(branch.suspect == "" for branch in view.branches)


def test_a_silent_meter_is_reported_as_the_reason_and_nobody_is_called_innocent(tmp_path: Path) -> None:
    """Not computable: the findings of the missing point, where it is, and no arrow against the wall."""
    readings = [*steady("t1", 15_000), *steady("q01", 10_000), *steady("q02", 5_000, minutes=range(60))]
    findings = [finding("stale", "q02", "q02"), finding("stale", "room-1", "room-1")]
    view = asked(context_of(tmp_path / "s.sqlite", readings, findings))
    assert view.gap is not None
    assert (view.gap.verdict, view.gap.missing, view.gap.band_mwh) == ("not computable", ["q02"], None)
    assert [item.subject for item in view.obstacles] == ["q02"]
    assert view.checks == ["check_missing"]
    assert [place.point for place in view.places] == ["q02"]
    missing = next(branch for branch in view.branches if branch.point == "q02")
    assert (missing.energy_mwh, missing.quality) == (None, "missing")


def test_export_is_counted_against_the_arrow(tmp_path: Path) -> None:
    """A feeder that gives: a negative net of two registers, each with its own energy, and an arrow upwards."""
    context = context_of(tmp_path / "s.sqlite", [*steady("t1", 5_000), *steady("q01", 10_000), *steady("q02", -5_000)])
    view = asked(context, period="hour")
    line = next(branch for branch in view.branches if branch.point == "q02")
    assert line.energy_mwh == -5_000_000
    assert [(register_row.code, register_row.name, register_row.energy_mwh) for register_row in line.registers] == [
        (IMPORT, "import", 0),
        (EXPORT, "export", 5_000_000),
    ]
    arrows = {
        symbol.point: symbol.kind
        for symbol in diagram(view, context.backend.site, "en").symbols
        if "arrow" in symbol.kind
    }
    assert arrows == {"t1": Kind.ARROW_DOWN, "q01": Kind.ARROW_DOWN, "q02": Kind.ARROW_UP}


def test_figures_of_single_rooms_are_for_whoever_may(tmp_path: Path) -> None:
    """A feeder that is a copy of a drawn room: without the role it stands in the table and the drawing without figures."""
    site = replace(SITE, copied=(Copied("room", "q{n}", ("q01",)),))
    context = context_of(tmp_path / "s.sqlite", loads(15_000, 10_000, 5_000), [finding("drift", "q01", "q01")], site)
    view = asked(context, Viewer())
    line = next(branch for branch in view.branches if branch.point == "q01")
    assert (line.energy_mwh, line.registers, line.part, line.quality, line.suspect) == (None, [], None, "hidden", "")
    assert (view.suspects, view.places) == ([], [])
    texts = {label.point: label.lines for label in diagram(view, site, "en").labels if label.role == "energy"}
    assert texts["q01"] == ("–",)
    assert asked(context).suspects


def test_what_is_not_live_yet_has_no_figure_and_no_arrow(tmp_path: Path) -> None:
    """It is reported as not covered, and drawn dashed."""
    fitted = tuple(replace(p, state=PointState.FITTED) if p.name == "q02" else p for p in SITE.points)
    site: Site = replace(SITE, points=fitted)
    context = context_of(tmp_path / "s.sqlite", loads(10_000, 10_000, 5_000), (), site)
    view = asked(context)
    assert view.gap is not None
    assert (view.gap.verdict, view.gap.uncovered, view.gap.covered, view.gap.of) == ("inside", ["q02"], 2, 3)
    assert next(branch for branch in view.branches if branch.point == "q02").quality == "waiting"
    drawn = diagram(view, site, "en")
    assert sum(line.dashed for line in drawn.lines) == 1
    assert "q02" not in {label.point for label in drawn.labels if label.role == "energy"}


def test_a_gap_of_readings_is_reported_as_estimated(tmp_path: Path) -> None:
    """Known in sum, not in shape."""
    minutes = [minute for minute in range(182) if not 37 < minute < 67]
    readings = [*steady("t1", 15_000), *steady("q01", 10_000), *steady("q02", 5_000, minutes=minutes)]
    view = asked(context_of(tmp_path / "s.sqlite", readings), at=str(BEGIN + 3 * QUARTER))
    assert {branch.point: branch.quality for branch in view.branches} == {
        "t1": "good",
        "q01": "good",
        "q02": "estimated",
    }


def quarters(view: BalanceView) -> int | None:
    """Which quarter hour since the beginning is shown."""
    return None if view.gap is None else (view.gap.start_ms - BEGIN) // QUARTER


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        ("", 11), ("2026-05-04T12:20", 1), ("2026-05-04 12:00", 0), (str(BEGIN + 5 * QUARTER + 7), 5), ("2026-05-04", None),
        ("2026-05", None), ("2026", None),
    ],
)  # fmt: skip
def test_moments_are_local_and_lead_to_the_period_that_holds_them(
    tmp_path: Path, at: str, expected: int | None
) -> None:
    """The newest without one; a day, month or year stands for its beginning; what is not closed is nothing."""
    assert quarters(asked(context_of(tmp_path / "s.sqlite", loads(15_000, 10_000, 5_000)), at=at)) == expected


def test_one_can_walk_only_where_something_is_kept(tmp_path: Path) -> None:
    """From the first period there is no way back, from the newest none forward."""
    context = context_of(tmp_path / "s.sqlite", loads(15_000, 10_000, 5_000))
    first, last = asked(context, at="2026-05-04T12:00"), asked(context)
    assert (first.before_ms, first.after_ms) == (None, BEGIN + QUARTER)
    assert (last.before_ms, last.after_ms) == (BEGIN + 10 * QUARTER, None)
    assert quarters(asked(context, at=str(last.before_ms))) == 10
    assert len(last.series) == 12


@pytest.mark.parametrize(
    "at", ["yesterday", "2026-02-30", "2026-13", "2026-05-04T25:00", "-1", "٣", "99999999999999", "9" * 20]
)
def test_moments_that_cannot_be_are_refused(tmp_path: Path, at: str) -> None:
    """With what would be right."""
    context = context_of(tmp_path / "s.sqlite", [])
    with pytest.raises(HTTPException, match="write 2026-05-04, 2026-05-04 10:15") as refused:
        asked(context, at=at)
    assert refused.value.status_code == 422


def test_an_unknown_board_is_refused_and_none_is_the_first(tmp_path: Path) -> None:
    """The refusal names the known ones."""
    context = context_of(tmp_path / "s.sqlite", [])
    with pytest.raises(HTTPException, match="known: north, annex"):
        asked(context, board="west")
    assert asked(context, board="").board == "north"
    gap = asked(context).gap
    assert gap is not None
    assert gap.missing == ["t1", "q01", "q02"]


def inputs_without(site: Site, names: Iterable[str]) -> Sequence[Input]:
    """Rows of the plan without those of some points."""
    return [row for row in site.inputs if row.point not in set(names)]


def test_a_point_that_nothing_reads_is_missing(tmp_path: Path) -> None:
    """It counts by its state, so the page says that its energy is missing rather than leaving it out."""
    site = replace(SITE, inputs=tuple(inputs_without(SITE, ["q02"])))
    view = asked(context_of(tmp_path / "s.sqlite", [*steady("t1", 15_000), *steady("q01", 10_000)], (), site))
    line = next(branch for branch in view.branches if branch.point == "q02")
    assert (line.quality, line.registers) == ("missing", [])
