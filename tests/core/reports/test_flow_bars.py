"""Energy flows as bars: every flow is a row, what comes into a board as long as what goes out, nothing beyond the width."""

import pytest

from meterd.core.energy.energy_flow import Flow, FlowKind
from meterd.core.model.plan import Board, Point, Role, Site
from meterd.core.reports.flow_bars import BETWEEN, INDENT, LINE, STEP, WIDTH, comes_into, flow_bars

SITE = Site(
    "mill",
    "UTC",
    boards=(Board("north"), Board("east", fed_by="riser"), Board("bare")),
    points=(Point("t1", "north", Role.FEED), Point("riser", "north", Role.FEEDER), Point("q1", "east", Role.FEEDER)),
)
FLOWS = (
    Flow(FlowKind.SOURCE, "north", 900, "t1"),
    Flow(FlowKind.SOURCE, "north", 100, "pv"),
    Flow(FlowKind.LOAD, "north", None, "lost"),
    Flow(FlowKind.SUPPLY, "north", 600, "riser", "east"),
    Flow(FlowKind.LOAD, "north", 400, "ovens"),
    Flow(FlowKind.LOAD, "east", 590, "q1"),
    Flow(FlowKind.RESIDUAL, "east", 10),
)


def test_every_flow_is_a_row_below_its_board() -> None:
    """Comes in first, the largest first; a supply stands below both boards; a board without flows is left out."""
    drawn = flow_bars(SITE, FLOWS)
    assert drawn is not None
    rows = [(bar.board, None if bar.flow is None else FLOWS[bar.flow].point or "rest") for bar in drawn.bars]
    assert rows == [
        ("north", None), ("north", "t1"), ("north", "pv"), ("north", "riser"), ("north", "ovens"), ("north", "lost"),
        ("east", None), ("east", "riser"), ("east", "q1"), ("east", "rest"),
    ]  # fmt: skip
    steps = [after.y - before.y for before, after in zip(drawn.bars, drawn.bars[1:], strict=False)]
    assert steps == [STEP] * 5 + [STEP + LINE + BETWEEN] + [STEP] * 3
    assert drawn.height > drawn.bars[-1].bar_y


def test_bars_have_one_scale_and_keep_inside() -> None:
    """The board with most is as wide as the drawing; what is missing has no bar."""
    drawn = flow_bars(SITE, FLOWS)
    assert drawn is not None
    assert drawn.bars[0].length == WIDTH
    assert drawn.bars[0].energy_mwh == 1000
    lengths = {bar.flow: bar.length for bar in drawn.bars if bar.flow is not None}
    assert lengths[0] == pytest.approx((WIDTH - INDENT) * 0.9, abs=0.1)
    assert lengths[2] == 0
    assert all(bar.x + bar.length <= WIDTH for bar in drawn.bars)


def test_without_any_energy_there_is_no_drawing() -> None:
    assert flow_bars(SITE, [Flow(FlowKind.SOURCE, "north", None, "t1"), Flow(FlowKind.LOAD, "north", 0, "q")]) is None
    assert flow_bars(SITE, []) is None
    assert [comes_into(FLOWS[3], board) for board in ("north", "east")] == [False, True]
