"""Errors of the instruments as unknowns: pooled regression with a prior, AR(1) noise, windows of days that add."""

import csv
from pathlib import Path

import numpy as np
import pytest

from meterd.core.balance.topology import network
from meterd.core.drift.baseline import Fit, Noise, directions, fit, hypotheses, information, places, prior, update
from meterd.core.drift.daily_statistics import NodeSums
from meterd.core.drift.identification import evidence
from tests.core.balance.test_topology import two_boards
from tests.late import linear_model
from tests.simulator.drift_sites import ar1

VECTORS = Path(__file__).parents[2] / "vectors"


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def column(name: str) -> np.ndarray:
    return np.array([float(row[name]) for row in rows("ref_pooled_regression_inputs")])


OUT = rows("ref_pooled_regression_outputs")
Z = np.column_stack([column("xh_feed"), -column("xh_F1"), -column("xh_F2"), -column("xh_F3"), np.ones(12)])
R = column("residual")
SIGMA = np.sqrt(
    0.000221
)  # recovered from the published posterior of the feed (2.21e-4: the resolution of five registers)


def out(name: str) -> np.ndarray:
    return np.array([float(row[name]) for row in OUT])


PRIOR = Fit(out("prior_mean"), np.diag(out("prior_sd") ** 2))


def sums(part: slice) -> tuple[np.ndarray, np.ndarray]:
    return Z[part].T @ Z[part] / SIGMA**2, Z[part].T @ R[part] / SIGMA**2


def test_pooled_regression_on_reconciled_flows() -> None:
    """ref_pooled_regression: posterior mean and standard deviation of four gains and a loss, 1e-8."""
    result = update(PRIOR, *sums(slice(None)))
    assert result.mean == pytest.approx(out("posterior_mean"), rel=1e-8)
    assert np.sqrt(np.diagonal(result.covariance)) == pytest.approx(out("posterior_sd"), rel=1e-8)


def test_step_of_the_last_six_intervals() -> None:
    """The same case: estimate, likelihood ratio and standard error of a change of each unknown half way, 1e-8."""
    before = update(PRIOR, *sums(slice(6)))
    M, b = sums(slice(6, None))
    seen = evidence(before, M, b - M @ before.mean, np.eye(5))
    assert seen.step == pytest.approx(out("shift_estimate_last6"), rel=1e-8)
    assert seen.T.tolist() == pytest.approx(out("shift_T_last6").tolist(), rel=1e-8)
    assert seen.error == pytest.approx(out("shift_se_last6"), rel=1e-8)


def test_updating_day_by_day_is_updating_at_once() -> None:
    by_day = PRIOR
    for i in range(12):
        by_day = update(by_day, *sums(slice(i, i + 1)))
    at_once = update(PRIOR, *sums(slice(None)))
    assert by_day.mean == pytest.approx(at_once.mean, rel=1e-9)
    assert by_day.covariance == pytest.approx(at_once.covariance, rel=1e-8, abs=1e-12)


def test_statsmodels_with_pseudo_observations_is_a_second_route() -> None:
    """A normal prior is one more observation of each unknown (generalised least squares, 17 rows)."""
    design, seen = np.vstack([Z, np.eye(5)]), np.concatenate([R, PRIOR.mean])
    fitted = linear_model.GLS(
        seen, design, sigma=np.concatenate([np.full(12, SIGMA**2), np.diagonal(PRIOR.covariance)])
    ).fit(cov_type="fixed scale")
    result = update(PRIOR, *sums(slice(None)))
    assert result.mean == pytest.approx(fitted.params, rel=1e-8)
    assert np.sqrt(np.diagonal(result.covariance)) == pytest.approx(fitted.bse, rel=1e-8)


def test_raw_readings_would_return_gains_of_one() -> None:
    """The trap: the residual is an exact combination of the readings. Flat prior on raw readings against reconciled flows."""
    raw = np.column_stack([column("y_feed"), -column("y_F1"), -column("y_F2"), -column("y_F3")])
    assert np.linalg.lstsq(raw, R, rcond=None)[0] == pytest.approx(np.ones(4), rel=1e-6)
    assert np.abs(update(PRIOR, *sums(slice(None))).mean[:4]).max() < 0.03


def test_noise_and_gain_are_found_in_autocorrelated_residuals() -> None:
    """AR(1) with phi 0.8 and innovations of 0.02 kWh on a check node; a gain of 1 % on one of two meters."""
    net = network(two_boards(), 1)
    generator = np.random.default_rng(4)
    flow = 20 + 8 * ar1(generator, 5000, 10.0)
    noise = ar1(generator, 5000, -1 / np.log(0.8)) * 0.02 / 0.6
    k = [node.name for node in net.nodes].index("cable yard")
    z = np.column_stack(
        [flow, -flow * (1 + 0.001 * generator.standard_normal(5000)), np.full(5000, 0.25), flow**2 * 1e-4]
    )
    z = np.column_stack([z, 0.01 * flow + noise])
    nothing = [
        NodeSums(np.zeros((q, q)), np.zeros((q, q)), np.zeros((q, q)), 0) for q in (len(w) + 1 for w in places(net))
    ]
    cross = z[1:].T @ z[:-1]
    nothing[k] = NodeSums(z[1:].T @ z[1:], cross + cross.T, z[:-1].T @ z[:-1], 4999)
    result, learned = fit(net, tuple(nothing))
    assert learned.phi[k] == pytest.approx(0.8, abs=0.03)
    assert learned.sigma[k] == pytest.approx(0.02, rel=0.05)
    upper, lower = net.nodes[k].points
    assert result.mean[upper] - result.mean[lower] == pytest.approx(0.01, abs=0.001)


def test_hypotheses_name_instruments_sets_loads_and_losses() -> None:
    net = network(two_boards(), 1)
    tests = hypotheses(net)
    names = [test.name for test in tests]
    assert {"ratio t1", "ct-set set-1", "standing board main", "loss below riser"} <= set(names)
    assert "standing check t1 t1-check" not in names  # two meters on one current have nothing between them
    D = directions(net, tests)
    assert D[:, names.index("ct-set set-1")].sum() == 2
    assert {test.unit for test in tests} == {"ratio", "kW"}


def test_information_of_a_node_lands_in_its_own_unknowns() -> None:
    net = network(two_boards(), 1)
    sizes = [len(w) + 1 for w in places(net)]
    only = tuple(NodeSums(np.eye(q) * (k == 0), np.zeros((q, q)), np.zeros((q, q)), 1) for k, q in enumerate(sizes))
    M, b = information(net, only, Noise(np.zeros(5), np.full(5, 0.5)))
    assert np.flatnonzero(np.diagonal(M)).tolist() == sorted(places(net)[0])
    assert M.max() == pytest.approx(4.0)
    assert not b.any()
    assert prior(net).mean.shape == b.shape
