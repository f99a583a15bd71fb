"""A whole network is reconciled for many intervals at once, with the same result as one interval at a time."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meterd.core.balance.network_reconciliation import Intervals, clock_part, reconcile_network, solve, spread
from meterd.core.balance.topology import Network, network
from meterd.core.balance.uncertainty import Floats, covariance
from meterd.core.drift.baseline import fit
from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.model.plan import Board, Instrument, Point, Role, Site
from tests.core.balance.matrix_form import reconcile
from tests.core.balance.test_topology import two_boards
from tests.late import linalg, linear_model

VECTORS = Path(__file__).parents[2] / "vectors"
QUARTER_MS = 900_000


def table(net: Network, rows: int, seed: int = 1) -> Intervals:
    """Random flows that close within a percent, all present."""
    generator = np.random.default_rng(seed)
    basis = linalg.null_space(net.incidence)
    flows = 20 + 5 * generator.random((rows, basis.shape[1]))
    x = np.abs(flows @ basis.T) * 1e6
    energy = np.rint(x * (1 + 0.01 * generator.standard_normal(x.shape))).astype(np.int64)
    start = QUARTER_MS * np.arange(rows)
    return Intervals(start, start + QUARTER_MS, energy, np.ones(energy.shape, dtype=np.bool_))


def dense(net: Network, data: Intervals, row: int) -> tuple[Floats, Floats, Floats]:
    """Second route: incidence with a column for the standing load and the loss of each node, full covariance."""
    m, flows = len(net.nodes), reconcile_network(net, data)
    V = covariance(net.accuracies, data.energy[row : row + 1], 0.25)[0] / 1e12
    standing = np.diag([(node.standing_sd_kw * 0.25) ** 2 for node in net.nodes])
    loss = np.diag([(node.loss_sd_kw * k * 0.25) ** 2 for node, k in zip(net.nodes, flows.loading[row], strict=True)])
    A = np.hstack([net.incidence, -np.eye(m), -np.eye(m)])
    y = np.concatenate([data.energy[row] / 1e6, np.zeros(2 * m)])
    return A, y, linalg.block_diag(V, standing, loss)


def test_same_as_the_dense_equations_with_losses_as_streams() -> None:
    """Against `reconciliation.reconcile` (checked on published networks) and statsmodels GLS on a null-space basis."""
    net = network(two_boards(), 1)
    data = table(net, 5)
    flows = reconcile_network(net, data)
    for row in range(5):
        A, y, V = dense(net, data, row)
        reconciled = reconcile(A, y, covariance=V)
        n = len(net.points)
        assert flows.x[row] == pytest.approx(reconciled.x[:n], rel=1e-9)
        assert float(flows.J[row]) == pytest.approx(float(reconciled.J), rel=1e-9)
        N = linalg.null_space(A)
        other = linear_model.GLS(y, N, sigma=V).fit().fittedvalues
        assert flows.x[row] == pytest.approx(other[:n], rel=1e-6)


def test_a_row_gives_the_same_bits_alone_and_in_a_batch() -> None:
    net = network(two_boards(), 1)
    data = table(net, 40)
    H = np.random.default_rng(2).standard_normal((40, 5, 5))
    H, r = H @ np.swapaxes(H, 1, 2) + np.eye(5), np.ones((40, 5))
    assert np.array_equal(solve(H, r)[7], solve(H[7:8], r[7:8])[0])
    assert solve(H, r) == pytest.approx(np.linalg.solve(H, r[..., None])[..., 0], rel=1e-9)
    whole = reconcile_network(net, data)
    part = reconcile_network(net, Intervals(data.start_ms[7:8], data.end_ms[7:8], data.energy[7:8], data.present[7:8]))
    assert part.x[0] == pytest.approx(whole.x[7], rel=1e-12)


def test_many_nodes_take_the_library_solver() -> None:
    H = np.eye(14)[None] * 2.0
    assert solve(H, np.ones((1, 14))) == pytest.approx(np.full((1, 14), 0.5))


def test_a_missing_point_takes_only_its_own_nodes_out() -> None:
    net = network(two_boards(), 1)
    data = table(net, 3)
    data.present[1, net.points.index("flat-1")] = False
    flows = reconcile_network(net, data)
    names = [node.name for node in net.nodes]
    assert [name for name, ok in zip(names, flows.valid[1], strict=True) if not ok] == ["below riser"]
    assert flows.dof.tolist() == [5, 4, 5]
    closed = flows.x[1] @ net.incidence.T
    assert abs(closed[names.index("check t1 t1-check")]) < 0.5
    assert flows.x[1, net.points.index("flat-2")] == data.energy[1, net.points.index("flat-2")] / 1e6


def test_nothing_to_reconcile_is_refused_in_words() -> None:
    net = network(Site("s", "UTC", boards=(Board("b"),), points=(Point("t", "b", Role.FEED),)), 0)
    empty = Intervals(
        np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 0), np.int64), np.zeros((0, 0), np.bool_)
    )
    with pytest.raises(ValueError, match="no balance: no board has both"):
        reconcile_network(net, empty)


def test_uncertainty_parts_are_those_of_the_covariance() -> None:
    net = network(two_boards(), 1)
    data = table(net, 2)
    parts = spread(net, data)
    V = covariance(net.accuracies, data.energy, 0.25) / 1e12
    assert parts.own + parts.shared**2 == pytest.approx(np.diagonal(V, axis1=1, axis2=2), rel=1e-12)
    i, j = net.sets[0][1]
    assert parts.shared[:, i] * parts.shared[:, j] == pytest.approx(V[:, i, j], rel=1e-12)


# -- a solved network --------------------------------------------------------------------------------------------------


def solved() -> tuple[dict[str, Floats], Network]:
    """96 power flows of 630 kVA (540 W, 4600 W, 4 %), five cables NAYY 4x150 of 30 to 200 m, power factor 0.95.

    pandapower 3.5.6, runpp to 1e-12 MVA, by vectors/pandapower_day.py; kept as numbers, for it pins an older pandas.
    """
    with (VECTORS / "pandapower_day.csv").open(newline="", encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    columns = {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
    points = [Point("feed", "main", Role.FEED, rating_a=910.0)]
    boards = [Board("main", rating_kva=630.0, loss_p0_w=540.0, loss_pk_w=4600.0, metered_side="other")]
    for i in range(1, 6):
        points += [
            Point(f"feeder{i}", "main", Role.FEEDER, rating_a=250.0),
            Point(f"load{i}", "main", Role.SUB, f"feeder{i}"),
        ]
    exact = tuple(Instrument(p.name, 0, meter_class="0.1S", ct_primary_a=500.0, ct_class="0.1") for p in points)
    return columns, network(Site("solved", "UTC", boards=tuple(boards), points=tuple(points), instruments=exact), 1)


def solved_day(columns: dict[str, Floats], net: Network, factors: dict[str, float] | None = None) -> Intervals:
    names = {"feed": "feed_hv_kw"} | {n: f"{n}_kw" for n in net.points if n != "feed"}
    energy = np.column_stack([columns[names[n]] * (factors or {}).get(n, 1.0) for n in net.points]) * 0.25e6
    start = QUARTER_MS * np.arange(len(energy))
    return Intervals(start, start + QUARTER_MS, np.rint(energy).astype(np.int64), np.ones(energy.shape, dtype=np.bool_))


def test_known_transformer_loss_leaves_little_of_a_solved_network() -> None:
    """P0 + k^2 Pk from the plan against the solved loss: reactive power and voltage make the rest, below 5 % of it."""
    columns, net = solved()
    flows = reconcile_network(net, solved_day(columns, net))
    board = [node.name for node in net.nodes].index("board main")
    left = flows.residuals[:, board].sum() * 4
    assert abs(left) < 0.05 * columns["trafo_loss_kw"].sum()
    without = replace(net, nodes=tuple(replace(node, p0_kw=0.0, pk_kw=0.0) for node in net.nodes))
    assert reconcile_network(without, solved_day(columns, net)).residuals[:, board].sum() * 4 == pytest.approx(
        columns["trafo_loss_kw"].sum(), rel=1e-6
    )


def transformer_cases() -> list[dict[str, str]]:
    """Rows of a case with one load factor; those of a profile and of an interpolated rating are for other tests."""
    with (VECTORS / "transformer_loss_examples.csv").open(newline="", encoding="utf-8") as lines:
        return [row for row in csv.DictReader(lines) if row["load_factor"] not in ("", "profile")]


def one_transformer(kva: float, p0_w: float, pk_w: float, loads: list[float]) -> tuple[Network, Intervals]:
    """A transformer metered on its other side with one feeder, at these load factors, an hour each, without its losses."""
    board = Board("main", rating_kva=kva, loss_p0_w=p0_w, loss_pk_w=pk_w, metered_side="other")
    points = (Point("feed", "main", Role.FEED, rating_a=910.0), Point("q01", "main", Role.FEEDER, rating_a=910.0))
    net = network(Site("s", "UTC", interval_s=3600, boards=(board,), points=points), 1)
    power = np.rint(np.array(loads)[:, None] * kva * 1e6 * np.ones(2)).astype(np.int64)
    start = 3_600_000 * np.arange(len(loads))
    return net, Intervals(start, start + 3_600_000, power, np.ones(power.shape, dtype=np.bool_))


@pytest.mark.parametrize("row", transformer_cases(), ids=lambda r: f"{r['case']} {r['kVA']} {r['load_factor']}")
def test_losses_of_a_transformer_at_a_load_factor(row: dict[str, str]) -> None:
    """transformer_loss_examples.csv: P0 + k^2 Pk with the losses of (EU) 548/2014, and a published worked example of 500 kVA."""
    net, data = one_transformer(float(row["kVA"]), float(row["P0_W"]), float(row["Pk_W"]), [float(row["load_factor"])])
    lost_w = -1000 * float(
        reconcile_network(net, data).residuals[0, 0]
    )  # both sides equal: what is missing is the loss
    assert lost_w == pytest.approx(float(row["loss_W"]), abs=0.06)
    if row["efficiency_percent"]:
        output = float(row["load_factor"]) * float(row["kVA"]) * 1000 * float(row["pf"])
        assert 100 * output / (output + lost_w) == pytest.approx(float(row["efficiency_percent"]), abs=0.006)


def test_losses_of_a_day_follow_each_interval_and_not_the_mean_load() -> None:
    """transformer_loss_examples.csv, 8 h at 0.1, 10 h at 0.6, 6 h at 0.3: 32,372 Wh; with the mean load it would be 27,136."""
    net, data = one_transformer(630.0, 540.0, 4600.0, [0.1] * 8 + [0.6] * 10 + [0.3] * 6)
    assert -1000 * float(reconcile_network(net, data).residuals[:, 0].sum()) == pytest.approx(32_372.0, abs=0.5)


def test_cable_losses_of_a_solved_network_are_learned_as_a_load_dependent_loss() -> None:
    """I^2 R of each cable by power flow against k^2 times the fitted loss at rating: within 8 % over the day."""
    columns, net = solved()
    days = tuple(daily_statistics(net, solved_day(columns, net)) for _ in range(3))
    sums = tuple(a.plus(b).plus(c) for a, b, c in zip(*(d.nodes for d in days), strict=True))
    result, _ = fit(net, sums)
    flows = reconcile_network(net, solved_day(columns, net))
    n, m = len(net.points), len(net.nodes)
    for k, node in enumerate(net.nodes[1:], start=1):
        i = node.name.removeprefix("below feeder")
        modelled = result.mean[n + k] + result.mean[n + m + k] * flows.loading[:, k]
        gain = result.mean[list(node.points)] * np.array(node.signs) @ flows.x[:, list(node.points)].mean(axis=0) * 4
        assert modelled.mean() + gain == pytest.approx(columns[f"cable{i}_loss_kw"].mean(), rel=0.08), node.name


def test_a_clock_that_is_off_costs_what_the_load_changes_over_the_shift() -> None:
    """Ten seconds off while the load falls from 12 kW to 6 kW: the interval is uncertain by the step times the shift."""
    power = np.array([[12_000.0], [12_000.0], [6_000.0], [6_000.0]])
    limit = clock_part(power, 10.0)[:, 0] * math.sqrt(3)
    # boundary powers 12, 12, 9, 6, 6 kW: an end gains or loses 3 kW for 10 s, which is 8.33 Wh
    assert limit == pytest.approx([0.0, 3000 / 360, 3000 / 360, 0.0])


def test_clock_of_the_plan_widens_the_covariance() -> None:
    """`meter_clock_s` of the plan reaches every interval of the network, beside the limits of the classes."""
    site = two_boards()
    exact, late = network(site, 1), network(replace(site, limits=replace(site.limits, meter_clock_s=30)), 1)
    assert (exact.clock_s, late.clock_s) == (0.0, 30.0)
    data = table(exact, 20)
    extra = spread(late, data).own - spread(exact, data).own
    assert extra == pytest.approx((clock_part(data.energy / 0.25, 30.0) / 1e6) ** 2)
    assert (extra > 0).any()
