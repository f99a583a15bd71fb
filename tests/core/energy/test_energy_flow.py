"""What flows into a board flows out of it; what the feeders did not count is a band of its own."""

from hypothesis import given
from hypothesis import strategies as st

from meterd.core.energy.energy_flow import Flow, FlowKind, board_flows, site_flows
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Channel
from tests.example_plans import example

MILL = example("harrow-mill")
IN = (FlowKind.SOURCE, FlowKind.EXCESS)


@given(st.integers(0, 10**9), st.integers(1, 10**6))
def test_both_sides_of_each_board_are_equal(base: int, stride: int) -> None:
    """Whatever the meters counted."""

    def energy_of(channel: Channel) -> int:
        return (hash(channel) * stride + base) % 10**10

    for board in MILL.boards:
        flows = board_flows(MILL, board, energy_of)
        come = sum(flow.energy_mwh or 0 for flow in flows if flow.kind in IN)
        gone = sum(flow.energy_mwh or 0 for flow in flows if flow.kind not in IN)
        assert come == gone


ANNEX = Site(
    "s",
    "Europe/Vienna",
    boards=(Board("main"), Board("annex", fed_by="q02")),
    points=(
        Point("t1", "main", Role.FEED),
        Point("pv", "main", Role.PV),
        Point("q01", "main", Role.FEEDER),
        Point("q02", "main", Role.FEEDER),
        Point("a01", "annex", Role.FEEDER),
    ),
    inputs=tuple(
        Input(p, r, "s", p)
        for p, some in {"t1": (IMPORT, EXPORT), "pv": (IMPORT,), "q01": (IMPORT,), "q02": (IMPORT,), "a01": (IMPORT,)}.items()
        for r in some
    ),
)  # fmt: skip
COUNTED = {("t1", IMPORT): 100, ("t1", EXPORT): 10, ("pv", IMPORT): 50, ("q01", IMPORT): 60, ("q02", IMPORT): 70,
           ("a01", IMPORT): 65}  # fmt: skip


def test_a_board_is_supplied_by_another() -> None:
    """Its supply is a band between both; each has its own residual."""
    assert site_flows(ANNEX, COUNTED.get) == [
        Flow(FlowKind.SOURCE, "main", 100, "t1"),
        Flow(FlowKind.RETURN, "main", 10, "t1"),
        Flow(FlowKind.SOURCE, "main", 50, "pv"),
        Flow(FlowKind.LOAD, "main", 60, "q01"),
        Flow(FlowKind.SUPPLY, "main", 70, "q02", "annex"),
        Flow(FlowKind.RESIDUAL, "main", 10),
        Flow(FlowKind.LOAD, "annex", 65, "a01"),
        Flow(FlowKind.RESIDUAL, "annex", 5),
    ]


def test_a_missing_term_makes_the_residual_missing() -> None:
    """Never a larger one."""
    flows = site_flows(ANNEX, lambda channel: None if channel[0] == "q01" else COUNTED[channel])
    assert [f.energy_mwh for f in flows if f.kind is FlowKind.RESIDUAL] == [None, 5]


def test_more_counted_than_fed_comes_in_as_a_band_of_its_own() -> None:
    """And a feeder that gave back is a source."""
    flows = site_flows(ANNEX, lambda channel: 90 if channel[0] == "a01" else COUNTED[channel])
    assert Flow(FlowKind.EXCESS, "annex", 20) in flows
    flows = site_flows(ANNEX, lambda channel: -5 if channel[0] == "q01" else COUNTED[channel])
    assert Flow(FlowKind.SOURCE, "main", 5, "q01") in flows
