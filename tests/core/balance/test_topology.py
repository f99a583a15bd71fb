"""The plan becomes nodes where flows must agree; what is not measured, or measured by nobody else, is said in words."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from meterd.core.balance.least_squares import Checkability
from meterd.core.balance.topology import NodeKind, gain_prior, network, separate, words
from meterd.core.model.plan import Board, Input, Instrument, Limits, Point, PointState, Role, Site

FEED, FEEDER, SUB, PV = Role.FEED, Role.FEEDER, Role.SUB, Role.PV


def site(
    *points: Point, boards: tuple[Board, ...] = (Board("main"),), instruments: tuple[Instrument, ...] = ()
) -> Site:
    return Site("row", "Europe/Vienna", boards=boards, points=points, instruments=instruments)


def point(name: str, role: Role = FEEDER, board: str = "main", **more: object) -> Point:
    return Point(name, board, role, **more)  # type: ignore[arg-type]


def two_boards() -> Site:
    """Two transformers on the main board, a sub-board behind a feeder, a riser with sub-meters and PV, a check meter."""
    return site(
        point("t1", FEED, rating_a=900.0),
        point("t2", FEED, rating_a=900.0),
        point("t1-check", SUB, below="t1"),
        point("to-yard", rating_a=160.0),
        point("riser", rating_a=250.0),
        point("flat-1", SUB, below="riser"),
        point("flat-2", SUB, below="riser"),
        point("roof", PV, below="riser"),
        point("yard-feed", FEED, "yard", rating_a=160.0),
        point("barn", FEEDER, "yard"),
        point("pump", FEEDER, "yard"),
        boards=(Board("main", rating_kva=1260.0), Board("yard", fed_by="to-yard")),
        instruments=(
            Instrument("t1", 0, meter_class="0.5S", ct_class="0.5", ct_set="set-1", ct_primary_a=1000.0),
            Instrument("t1-check", 0, meter_class="1", ct_class="0.5", ct_set="set-1", ct_primary_a=1000.0),
        ),
    )


def test_nodes_and_signs_of_a_site_with_everything() -> None:
    net = network(two_boards(), 1)
    results = {
        node.name: {net.points[i]: sign for i, sign in zip(node.points, node.signs, strict=True)} for node in net.nodes
    }
    assert results == {
        "board main": {"t1": 1, "t2": 1, "to-yard": -1, "riser": -1},
        "board yard": {"yard-feed": 1, "barn": -1, "pump": -1},
        "check t1 t1-check": {"t1": 1, "t1-check": -1},
        "below riser": {"riser": 1, "flat-1": -1, "flat-2": -1, "roof": 1},
        "cable yard": {"to-yard": 1, "yard-feed": -1},
    }
    assert [node.kind for node in net.nodes].count(NodeKind.CABLE) == 1
    assert net.sets == (("set-1", (net.points.index("t1"), net.points.index("t1-check"))),)
    assert set(net.standing) == {Checkability.REDUNDANT}
    assert net.incidence.shape == (5, 11)


def test_a_board_without_its_own_feed_meter_is_fed_by_the_feeder_above() -> None:
    plan = two_boards()
    plan = replace(plan, points=tuple(p for p in plan.points if p.name != "yard-feed"))
    yard = next(node for node in network(plan, 1).nodes if node.name == "board yard")
    terms = {network(plan, 1).points[i]: sign for i, sign in zip(yard.points, yard.signs, strict=True)}
    assert terms == {"to-yard": 1, "barn": -1, "pump": -1}


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"flat-2": {"state": PointState.FITTED}}, "below riser not all is measured: flat-2"),
        ({"riser": {"state": PointState.FITTED}}, "riser above it is not live"),
        ({"riser": {"unmetered_below": True}}, "the plan says that something below riser has no meter"),
    ],
)
def test_a_riser_with_something_unmeasured_below_is_no_node(change: dict[str, dict[str, object]], why: str) -> None:
    plan = two_boards()
    points = tuple(replace(p, **change.get(p.name, {})) for p in plan.points)  # type: ignore[arg-type]
    net = network(replace(plan, points=points), 1)
    assert "below riser" not in [node.name for node in net.nodes]
    assert dict(words(net))["flat-1"] == f"flat-1 is not checkable: {why}"


def test_a_point_not_live_on_a_board_is_named_as_unmetered_load() -> None:
    plan = two_boards()
    plan = replace(plan, points=(*plan.points, point("shop", state=PointState.PLANNED)))
    assert network(plan, 1).nodes[0].note == "not measured yet and counted as unmetered load: shop"


def test_a_site_with_one_side_only_has_no_node_and_says_so() -> None:
    net = network(site(point("t1", FEED)), 1)
    assert net.nodes == ()
    assert words(net) == (
        ("t1", "t1 is not checkable: board main has no balance: both a feed and an outgoing point must be live"),
    )


def test_words_name_the_balances_and_what_looks_alike_in_one_interval() -> None:
    texts = dict(words(network(two_boards(), 1)))
    assert texts["riser"] == "riser is redundant: checked by board main and below riser"
    assert "not told apart from pump" in texts["barn"]


def test_an_exchanged_instrument_makes_another_network() -> None:
    plan = two_boards()
    first = Instrument("barn", 0, 100, meter_class="1")
    second = Instrument("barn", 100, None, meter_class="B")
    plan = replace(plan, instruments=(*plan.instruments, first, second))
    assert network(plan, 99).fingerprint != network(plan, 100).fingerprint
    assert network(plan, 100).fingerprint == network(plan, 10**9).fingerprint


def test_prior_of_a_shared_ct_set_is_correlated_by_its_ct_part() -> None:
    """Class 0.5 at 20 % load: CT limit 0.75 % and 45 minutes at tan(phi) 0.484; the CT part is common to both."""
    net = network(two_boards(), 1)
    i, j = (net.points.index(name) for name in ("t1", "t1-check"))
    C = gain_prior(net)
    tangent = np.tan(np.arccos(0.9))
    ct = np.hypot(0.0075, 45 / 60 * np.pi / 180 * tangent) / np.sqrt(3)
    assert C[i, j] == pytest.approx(ct**2, rel=1e-6)
    assert C[i, i] == pytest.approx(ct**2 + (0.005 / np.sqrt(3)) ** 2, rel=1e-6)
    assert np.linalg.eigvalsh(C).min() > 0


def test_transformer_losses_count_only_when_the_feed_is_metered_before_it() -> None:
    """Regulation (EU) 548/2014, 630 kVA tier 2: 540 W + k^2 4600 W."""
    board = Board("main", rating_kva=630.0, loss_p0_w=540.0, loss_pk_w=4600.0)
    points = (point("t1", FEED), point("q1"))
    assert network(site(*points, boards=(board,)), 1).nodes[0].p0_kw == 0.0
    node = network(site(*points, boards=(replace(board, metered_side="other"),)), 1).nodes[0]
    assert (node.p0_kw, node.pk_kw, node.rating_kw) == (0.54, 4.6, 630.0)


def test_parts_that_share_nothing_are_separate_and_those_on_one_ct_set_are_not() -> None:
    plan = site(
        *(point(f"t{b}", FEED, f"b{b}") for b in (1, 2, 3)),
        *(point(f"q{b}", FEEDER, f"b{b}") for b in (1, 2, 3)),
        boards=tuple(Board(f"b{b}") for b in (1, 2, 3)),
        instruments=tuple(Instrument(n, 0, ct_class="1", ct_set="common", ct_primary_a=100.0) for n in ("q1", "q3")),
    )
    parts = separate(network(plan, 1))
    assert [[node.name for node in part.nodes] for part in parts] == [["board b1", "board b3"], ["board b2"]]
    assert [part.points for part in parts] == [("t1", "t3", "q1", "q3"), ("t2", "q2")]
    assert parts[0].incidence.tolist() == [[1, 0, -1, 0], [0, 1, 0, -1]]
    assert len(parts[0].sets) == 1


def test_photovoltaics_alone_below_a_feeder_check_nothing() -> None:
    plan = site(point("t1", FEED), point("barn"), point("roof", PV, below="barn"))
    assert dict(words(network(plan, 1)))["roof"] == "roof is not checkable: below barn no load is measured"


def test_the_rating_of_a_node_is_the_transformer_or_the_currents_of_what_carries_it() -> None:
    """sqrt(3) U I; priors are shares of it: 1 % of unmetered load, losses by the kind of the node; at k = 1."""
    nodes = {node.name: node for node in network(two_boards(), 1).nodes}
    feeder_kw = {amperes: math.sqrt(3) * 400.0 * amperes / 1000 for amperes in (160.0, 250.0, 900.0)}
    for name, rating_kw, loss_share in (
        ("board main", 1260.0, 0.005),
        ("board yard", feeder_kw[160.0], 0.005),
        ("check t1 t1-check", feeder_kw[900.0], 0.0005),
        ("below riser", feeder_kw[250.0], 0.02),
        ("cable yard", feeder_kw[160.0], 0.02),
    ):
        node = nodes[name]
        assert node.rating_kw == pytest.approx(rating_kw, rel=1e-12), name
        assert node.standing_sd_kw == pytest.approx(0.01 * rating_kw, rel=1e-12), name
        assert node.loss_sd_kw == pytest.approx(loss_share * rating_kw, rel=1e-12), name
        assert (node.p0_kw, node.pk_kw, node.note) == (0.0, 0.0, ""), name
    (unrated,) = network(site(point("t1", FEED), point("q1")), 1).nodes
    assert unrated.rating_kw == 150.0


def test_declared_losses_widen_the_priors_by_the_15_percent_they_may_be_exceeded_by() -> None:
    board = Board("main", rating_kva=630.0, loss_p0_w=540.0, loss_pk_w=4600.0, metered_side="other")
    (node,) = network(site(point("t1", FEED), point("q1"), boards=(board,)), 1).nodes
    assert node.standing_sd_kw == pytest.approx(math.sqrt(6.3**2 + (0.15 * 0.54) ** 2), rel=1e-12)
    assert node.loss_sd_kw == pytest.approx(math.sqrt(3.15**2 + (0.15 * 4.6) ** 2), rel=1e-12)


def test_what_the_plan_says_of_current_transformers() -> None:
    """A ratio needs both currents; direct is what has neither class nor set, and not what nothing is known of."""
    instruments = (
        Instrument("t1", 0, ct_class="0.5", ct_set="a", ct_primary_a=1000.0, ct_secondary_a=5.0),
        Instrument("q1", 0, meter_class="B"),
        Instrument("q2", 0, meter_class="B", ct_class="0.5", ct_primary_a=200.0),
        Instrument("q3", 0, meter_class="B", ct_set="a"),
    )
    points = [point("t1", FEED), *(point(name) for name in ("q1", "q2", "q3", "q4"))]
    net = network(site(*points, instruments=instruments), 1)
    output = {name: (net.ct_ratio(i), net.direct(i)) for i, name in enumerate(net.points)}
    assert output == {
        "t1": ((1000.0, 5.0), False), "q1": (None, True), "q2": (None, False), "q3": (None, False), "q4": (None, False),
    }  # fmt: skip


def test_a_step_of_a_register_on_the_secondary_side_is_multiplied_by_the_ratio() -> None:
    """10 Wh at 1000/5 are 2 kWh on the primary side; only where the plan says that the meter counts the secondary."""
    fitted = Instrument("t1", 0, ct_class="0.5", ct_primary_a=1000.0, ct_secondary_a=5.0, resolution_wh=Fraction(10))
    plan = site(point("t1", FEED), point("q1"), instruments=(fitted,))
    for per_ct, step_mwh in ((False, 10_000), (True, 2_000_000)):
        inputs = (Input("t1", "1.8.0", "s", "a", per_ct=per_ct), Input("q1", "1.8.0", "s", "b", per_ct=per_ct))
        net = network(replace(plan, inputs=inputs), 1)
        assert [a.resolution_mwh for a in net.accuracies] == [step_mwh, 0]


def test_the_clocks_of_meters_are_as_far_off_as_the_plan_allows() -> None:
    plan = two_boards()
    assert network(replace(plan, limits=Limits(meter_clock_s=7)), 1).clock_s == 7.0


def test_sentences_on_points_beside_any_node_stay_with_the_first_part() -> None:
    plan = site(
        *(point(f"t{b}", FEED, f"b{b}") for b in (1, 2)),
        *(point(f"q{b}", FEEDER, f"b{b}") for b in (1, 2, 3)),
        boards=tuple(Board(f"b{b}") for b in (1, 2, 3)),
    )
    first, second = separate(network(plan, 1))
    assert [name for name, _ in first.unconnected] == ["q3"]
    assert second.unconnected == ()
