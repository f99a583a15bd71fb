"""Bands are as wide as their energy and fill the boards they join."""

import itertools

from meterd.core.energy.energy_flow import Flow, FlowKind, site_flows
from meterd.core.reports.flow_chart import FULL, NODE, depths, flow_chart
from tests.core.energy.test_energy_flow import ANNEX, COUNTED


def test_bands_are_as_wide_as_their_energy() -> None:
    """All that comes in together is FULL high."""
    flows = site_flows(ANNEX, COUNTED.get)
    drawn = flow_chart(ANNEX, flows)
    assert drawn is not None
    assert len(drawn.ribbons) == len(flows)
    for ribbon in drawn.ribbons:
        assert abs(ribbon.height - (flows[ribbon.flow].energy_mwh or 0) * FULL / 150) < 0.1
        assert ribbon.x1 < ribbon.x2


def test_bands_of_a_board_stand_in_a_row_without_holes() -> None:
    """Those that come and those that go fill its height."""
    flows = site_flows(ANNEX, COUNTED.get)
    drawn = flow_chart(ANNEX, flows)
    assert drawn is not None
    main = next(node for node in drawn.nodes if node.side == "board" and node.board == "main")
    gone = [(r.y1, r.height) for r in drawn.ribbons if r.x1 == main.x + NODE]
    come = [(r.y2, r.height) for r in drawn.ribbons if r.x2 == main.x]
    for side in (come, gone):
        rows = sorted(side)
        assert abs(rows[0][0] - main.y) < 0.2
        assert abs(sum(height for _, height in rows) - main.height) < 0.5
        assert all(abs(a[0] + a[1] - b[0]) < 0.2 for a, b in itertools.pairwise(rows))


def test_words_have_room() -> None:
    """Ends at one side do not come closer than a line of text."""
    flows = [Flow(FlowKind.SOURCE, "main", 1000, "t1"), *(Flow(FlowKind.LOAD, "main", 1, f"q{i}") for i in range(30))]
    drawn = flow_chart(ANNEX, flows)
    assert drawn is not None
    middles = sorted(n.y + n.height / 2 for n in drawn.nodes if n.side == "right")
    assert all(b - a >= 18 for a, b in itertools.pairwise(middles))
    assert drawn.height > middles[-1]


def test_nothing_known_is_no_drawing() -> None:
    """And a board that is supplied stands behind the one that supplies it."""
    assert flow_chart(ANNEX, [Flow(FlowKind.SOURCE, "main", None, "t1")]) is None
    assert depths(ANNEX) == {"main": 0, "annex": 1}
