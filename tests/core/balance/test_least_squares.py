"""Weighted least squares over balances, and the tests for gross errors, against published networks and second routes."""

import csv
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.balance.least_squares import Checkability, classify, inseparable, reduce_network
from meterd.core.balance.uncertainty import Floats
from tests.core.balance.matrix_form import (
    Reconciled,
    bias_test,
    detectability,
    leak_test,
    maximum_power_test,
    measurement_test,
    nodal_test,
    quality,
    reconcile,
)
from tests.late import linalg, linear_model, optimize, stats

VECTORS = Path(__file__).parents[2] / "vectors"


def table(name: str) -> list[dict[str, str]]:
    with (VECTORS / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def column(rows: list[dict[str, str]], name: str) -> Floats:
    return np.array([float(row[name]) for row in rows])


# -- VDI 2048 ----------------------------------------------------------------------------------------------------------

VDI = table("vdi2048_mass_balance")
VDI_A = np.array([column(VDI, f"A_row{k}") for k in (1, 2, 3)])


def vdi() -> Reconciled:
    return reconcile(VDI_A, column(VDI, "measured"), variances=(column(VDI, "U95") / 1.96) ** 2)


def test_mass_balance_of_vdi_2048() -> None:
    """VDI 2048 part 1, ten flows, three balances, u = U95 / 1.96: values, uncertainties, quality; J = 3.0602."""
    reconciled = vdi()
    for values, name in ((reconciled.x, "reconciled"), (1.96 * reconciled.u, "U95"), (quality(reconciled), "quality")):
        assert values == pytest.approx(column(VDI, f"computed_{name}"), rel=1e-6)
        for value, row in zip(values, VDI, strict=True):
            printed = row[f"published_{name}"]
            half_digit = 0.5 * 10.0 ** -len(printed.partition(".")[2])
            assert value == pytest.approx(float(printed), rel=1e-5, abs=half_digit), (row["flow"], name)
    assert (float(reconciled.J), reconciled.dof) == (pytest.approx(3.0602, abs=5e-5), 3)
    assert float(reconciled.p) == pytest.approx(stats.chi2.sf(3.0602, 3), abs=1e-4)


def test_flows_that_always_change_together_cannot_be_distinguished() -> None:
    names = [tuple(VDI[i]["flow"] for i in group) for group in inseparable(VDI_A)]
    assert names == [("mA5", "mA6", "mA7"), ("mSPLL", "mSPL"), ("mFDKELL", "mFDKEL")]


# -- exchanger with bypass ---------------------------------------------------------------------------------------------

BYPASS = table("exchanger_bypass_tests")


def network(problem: str, streams: int) -> Floats:
    rows = [row for row in table("networks_incidence") if row["problem"] == problem]
    A = np.zeros((max(int(row["node"]) for row in rows), streams))
    for row in rows:
        A[int(row["node"]) - 1, int(row["stream"]) - 1] = float(row["sign(+in,-out)"])
    return A


@pytest.mark.parametrize("case", ["no gross error", "stream 2 biased (68.45)"])
def test_exchanger_with_bypass(case: str) -> None:
    """Narasimhan and Jordache 2000: 101.91 ... -> 100.22 ...; with +4 on stream 2: J = 16.6742, GLR 10.270."""
    streams = [row for row in BYPASS if row["case"] == case and row["kind"] == "stream"]
    nodes = [row for row in BYPASS if row["case"] == case and row["kind"] == "node"]
    A = network("P4", 6)
    reconciled = reconcile(A, column(streams, "measured (node: residual)"), variances=np.ones(6))
    assert reconciled.x == pytest.approx(column(streams, "reconciled"), abs=0.005)
    assert reconciled.adjustments == pytest.approx(column(streams, "adjustment"), abs=0.005)
    assert measurement_test(reconciled).statistic == pytest.approx(column(streams, "MT (node: nodal test)"), abs=1e-4)
    assert bias_test(A, reconciled).ratio == pytest.approx(column(streams, "GLR_T"), abs=1e-4)
    assert bias_test(A, reconciled).size == pytest.approx(column(streams, "GLR_size"), abs=1e-4)
    assert float(reconciled.J) == pytest.approx(float(streams[0]["global_J"]), abs=1e-4)
    assert reconciled.residuals == pytest.approx(column(nodes, "measured (node: residual)"), abs=0.005)
    assert nodal_test(reconciled).statistic == pytest.approx(column(nodes, "MT (node: nodal test)"), abs=1e-4)
    assert leak_test(reconciled).ratio == pytest.approx(column(nodes, "GLR_T"), abs=1e-4)
    assert leak_test(reconciled).size == pytest.approx(column(nodes, "GLR_size"), abs=1e-4)


# -- six networks ------------------------------------------------------------------------------------------------------

SUMMARY = table("networks_summary")


@pytest.mark.parametrize("summary", SUMMARY, ids=lambda r: r["problem"])
def test_published_networks(summary: dict[str, str]) -> None:
    """Six networks of the literature, the largest Serth and Heenan's steam metering with 28 streams."""
    rows = [row for row in table("networks_streams") if row["problem"] == summary["problem"]]
    A, y, sd = network(summary["problem"], len(rows)), column(rows, "measured"), column(rows, "sd")
    reconciled = reconcile(A, y, variances=sd**2)
    assert np.abs(A @ column(rows, "true")).max() < 0.05  # the signs of the incidence are right
    assert reconciled.x == pytest.approx(column(rows, "published_reconciled(repository)"), rel=1e-3)
    assert reconciled.x == pytest.approx(column(rows, "computed_reconciled"), rel=1e-6)
    assert reconciled.u == pytest.approx(column(rows, "computed_u"), rel=1e-6)
    assert measurement_test(reconciled).statistic == pytest.approx(column(rows, "computed_MT"), rel=1e-6, abs=1e-8)
    assert detectability(reconciled) == pytest.approx(column(rows, "computed_detectability"), abs=1e-6)
    if summary["problem"] != "P5":  # its power study used other standard deviations
        name = "published_detectability (sd of the power study; may differ from column sd)"
        assert detectability(reconciled) == pytest.approx(column(rows, name), abs=1e-4)
    assert (float(reconciled.J), reconciled.dof) == (
        pytest.approx(float(summary["global_test_J"]), rel=1e-6),
        int(summary["dof"]),
    )
    assert stats.chi2.ppf(0.95, reconciled.dof) == pytest.approx(float(summary["chi2_95"]), rel=1e-6)


@pytest.mark.parametrize("summary", SUMMARY, ids=lambda r: r["problem"])
def test_inseparable_sets_of_the_networks(summary: dict[str, str]) -> None:
    """Second route: two streams are inseparable exactly when their likelihood ratios agree whatever is measured."""
    n = int(summary["streams"])
    A = network(summary["problem"], n)
    y = np.random.default_rng(3).normal(size=(5, n))
    ratios = bias_test(A, reconcile(A, y, variances=np.ones(n))).ratio
    alike = {(i, j) for i, j in itertools.combinations(range(n), 2) if np.allclose(ratios[:, i], ratios[:, j])}
    results = {pair for group in inseparable(A) for pair in itertools.combinations(group, 2)}
    assert results == alike
    if summary["problem"] == "P1":
        assert inseparable(A) == ((0, 1, 2),)  # one balance detects and never names


@pytest.mark.parametrize(
    # P5 apart: its power study used standard deviations that are not those of its streams (0.925 with these, not 0.944)
    "row",
    [r for r in table("gross_error_power") if r["problem"] != "P5"],
    ids=lambda r: r["problem"],
)
def test_power_of_the_global_test(row: dict[str, str]) -> None:
    """Published power at alpha 0.10 for one bias of 5 to 9 sigma, random sign, stream by stream; 40,000 draws."""
    rows = [r for r in table("networks_streams") if r["problem"] == row["problem"]]
    n, sd, generator = len(rows), column(rows, "sd"), np.random.default_rng(4)
    y = generator.normal(size=(40_000, n))
    biased = np.arange(40_000) % n
    y[np.arange(40_000), biased] += generator.uniform(5, 9, 40_000) * generator.choice([-1, 1], 40_000)
    reconciled = reconcile(network(row["problem"], n), y * sd, variances=sd**2)
    published = float(row["published global-test power (alpha 0.10)"])
    assert np.mean(reconciled.p < 0.10) == pytest.approx(published, abs=0.01)


# -- the reference case ------------------------------------------------------------------------------------------------

SINGLE = table("ref_single_balance")


@pytest.mark.parametrize("case", ["REF-A", "REF-A2 shared CT", "REF-A2 (correlation wrongly ignored)"])
def test_one_feed_four_feeders_and_a_loss(case: str) -> None:
    """ref_single_balance.csv; with a check meter on the feed's CT set (class 0.5, 0.5 % at full load) as second case."""
    rows = [row for row in SINGLE if row["case"] == case]
    y, V = column(rows, "measured"), np.diag(column(rows, "u") ** 2)
    A = -np.ones((1, 6))
    A[0, 0] = 1.0
    if case != "REF-A":
        A = np.array([[1.0, 0, -1, -1, -1, -1, -1], [0, 1.0, -1, -1, -1, -1, -1]])
    if case == "REF-A2 shared CT":
        V[0, 1] = V[1, 0] = y[0] * y[1] * (0.005 / math.sqrt(3)) ** 2
    reconciled = reconcile(A, y, covariance=V)
    assert reconciled.x == pytest.approx(column(rows, "reconciled"), rel=1e-8)
    assert reconciled.u == pytest.approx(column(rows, "u_reconciled"), rel=1e-8)
    assert reconciled.adjustments == pytest.approx(column(rows, "adjustment"), rel=1e-8)
    assert measurement_test(reconciled).statistic == pytest.approx(column(rows, "MT"), rel=1e-8)
    power = maximum_power_test(A, reconciled).statistic
    assert power == pytest.approx(column(rows, "MP_test"), rel=1e-8)
    assert bias_test(A, reconciled).ratio == pytest.approx(column(rows, "GLR_T"), rel=1e-8)
    assert bias_test(A, reconciled).size == pytest.approx(column(rows, "GLR_bias"), rel=1e-8)


# -- second routes -----------------------------------------------------------------------------------------------------


def test_statsmodels_on_a_null_space_basis() -> None:
    """x = N z with A N = 0: generalised least squares of y on N gives the same flows and uncertainties."""
    rows = [row for row in table("networks_streams") if row["problem"] == "P9"]
    A, y = network("P9", len(rows)), column(rows, "measured")
    root = np.random.default_rng(5).normal(size=(len(y), len(y)))
    V = np.diag(column(rows, "sd") ** 2) + 0.1 * root @ root.T
    N = linalg.null_space(A)
    fit = linear_model.GLS(y, N, sigma=V).fit(cov_type="fixed scale")
    reconciled = reconcile(A, y, covariance=V)
    assert reconciled.x == pytest.approx(fit.fittedvalues, rel=1e-8)
    spread = N @ np.linalg.inv(N.T @ np.linalg.solve(V, N)) @ N.T
    assert reconciled.u == pytest.approx(np.sqrt(np.diagonal(spread)), rel=1e-8)


def test_constrained_optimiser_finds_the_same_minimum() -> None:
    y, weight = column(VDI, "measured"), 1 / (column(VDI, "U95") / 1.96) ** 2
    answer = optimize.minimize(
        lambda x: ((x - y) ** 2 * weight).sum(),
        y,
        jac=lambda x: 2 * (x - y) * weight,
        constraints={"type": "eq", "fun": lambda x: VDI_A @ x, "jac": lambda x: VDI_A},
        method="SLSQP",
        options={"ftol": 1e-14, "maxiter": 500},
    )
    assert answer.success
    assert vdi().x == pytest.approx(answer.x, rel=1e-6)
    assert float(vdi().J) == pytest.approx(answer.fun, rel=1e-8)


# -- identities --------------------------------------------------------------------------------------------------------

SPREAD = st.floats(0.1, 10.0)
VALUE = st.floats(-1000.0, 1000.0)


@st.composite
def problems(draw: st.DrawFn) -> tuple[Floats, Floats, Floats]:
    """A network (one of the published, or two rows with a check meter), measured values, a full covariance."""
    A = draw(st.sampled_from([network("P2", 6), network("P4", 6), network("P5", 8), VDI_A[:, :9]]))
    n = A.shape[1]
    y = np.array(draw(st.lists(VALUE, min_size=n, max_size=n)))
    sd = np.array(draw(st.lists(SPREAD, min_size=n, max_size=n)))
    shared = draw(st.floats(0.0, 0.8))
    V = np.outer(sd, sd) * (shared * np.eye(n)[0][:, None] * np.eye(n)[1][None, :])
    return A, y, V + V.T + np.diag(sd**2)


@given(problems())
def test_likelihood_ratio_is_the_drop_of_the_global_test(problem: tuple[Floats, Floats, Floats]) -> None:
    """J(all) - J(without i) = GLR_i = maximum-power test squared, for any network, values and covariance."""
    A, y, V = problem
    reconciled = reconcile(A, y, covariance=V)
    ratio, power = bias_test(A, reconciled).ratio, maximum_power_test(A, reconciled).statistic
    assert power**2 == pytest.approx(ratio, rel=1e-9)
    scale = float(reconciled.J) + 1e-9
    for i in range(A.shape[1]):
        measured = np.arange(A.shape[1]) != i
        reduced = reduce_network(A, measured)
        without = 0.0
        if len(reduced):
            without = float(reconcile(reduced, y[measured], covariance=V[np.ix_(measured, measured)]).J)
        assert abs(float(reconciled.J) - without - ratio[i]) <= 1e-9 * scale


@given(problems())
def test_the_flows_close_and_the_adjustments_shrink(problem: tuple[Floats, Floats, Floats]) -> None:
    A, y, V = problem
    reconciled = reconcile(A, y, covariance=V)
    assert np.abs(A @ reconciled.x).max() <= 1e-9 * (np.abs(y).max() + 1)
    assert (reconciled.u <= np.sqrt(np.diagonal(V)) * (1 + 1e-9)).all()
    assert np.allclose(np.diagonal(reconciled.W), np.diagonal(V) - reconciled.u**2, rtol=1e-9, atol=1e-9)
    again = reconcile(A, reconciled.x, covariance=V)
    assert again.x == pytest.approx(reconciled.x, abs=1e-9 * (np.abs(y).max() + 1))


@given(st.lists(st.tuples(VALUE, SPREAD), min_size=2, max_size=8), st.data())
def test_one_balance_detects_and_never_names(values: list[tuple[float, float]], data: st.DataObject) -> None:
    """Every absolute measurement test of a single balance is sqrt(J)."""
    n = len(values)
    A = np.array([data.draw(st.lists(st.sampled_from([1.0, -1.0]), min_size=n, max_size=n))])
    reconciled = reconcile(A, np.array([v for v, _ in values]), variances=np.array([s * s for _, s in values]))
    root = math.sqrt(float(reconciled.J))
    assert np.abs(measurement_test(reconciled).statistic) == pytest.approx([root] * n, rel=1e-9, abs=1e-12)
    assert np.abs(nodal_test(reconciled).statistic) == pytest.approx([root], rel=1e-9, abs=1e-12)


@given(st.integers(1, 30), st.integers(0, 10**6))
def test_a_row_alone_equals_the_row_in_the_batch(rows: int, seed: int) -> None:
    generator = np.random.default_rng(seed)
    A = network("P5", 8)
    y, root = generator.normal(100, 10, (rows, 8)), generator.normal(size=(rows, 8, 8))
    V = root @ np.swapaxes(root, 1, 2) + np.eye(8)
    whole = reconcile(A, y, covariance=V)
    for i in range(rows):
        alone = reconcile(A, y[i : i + 1], covariance=V[i : i + 1])
        for name in ("x", "u", "adjustments", "residuals", "J", "p", "H", "G", "W"):
            assert getattr(alone, name)[0].tobytes() == getattr(whole, name)[i].tobytes(), name
        single = reconcile(A, y[i], covariance=V[i])
        assert single.x.tobytes() == whole.x[i].tobytes()
    assert bias_test(A, whole).ratio.shape == (rows, 8)
    assert quality(whole).shape == detectability(whole).shape == (rows, 8)


# -- refusals ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [1.0, 0.1, 1 / 3])
def test_two_fully_correlated_meters_are_refused(step: float) -> None:
    V = np.full((2, 2), step * step)
    with pytest.raises(ValueError, match="two meters are fully correlated"):
        reconcile(np.array([[1.0, -1.0]]), np.array([10.0, 10.1]), covariance=V)


def test_full_correlation_hidden_by_rounding_is_refused() -> None:
    """0.1 and 0.3 in binary leave H = 1.4e-16 instead of 0: a number, but no answer."""
    sd = np.array([0.1, 0.3])
    with pytest.raises(ValueError, match="two meters are fully correlated"):
        reconcile(np.array([[1 / 0.1, -1 / 0.3]]), np.array([10.0, 10.1]), covariance=np.outer(sd, sd))


def test_fully_correlated_feed_and_check_meter_are_refused() -> None:
    """Two balances whose feeds share all of their error: the difference of the two would have no uncertainty."""
    A = np.array([[1.0, 0, -1, -1], [0, 1.0, -1, -1]])
    V = np.diag([4.0, 4.0, 1.0, 1.0])
    V[0, 1] = V[1, 0] = 4.0
    with pytest.raises(ValueError, match="no uncertainty of their own"):
        reconcile(A, np.array([10.0, 10.1, 4.0, 6.0]), covariance=V)
    V[0, 0] = 4.0001  # a part of its own, however small, gives an answer
    assert np.isfinite(reconcile(A, np.array([10.0, 10.1, 4.0, 6.0]), covariance=V).x).all()


def test_one_singular_row_refuses_the_batch() -> None:
    V = np.array([[[1.0, 0.0], [0.0, 1.0]], [[1.0, 1.0], [1.0, 1.0]]])
    with pytest.raises(ValueError, match="cannot be reconciled"):
        reconcile(np.array([[1.0, -1.0]]), np.zeros((2, 2)), covariance=V)


def test_other_refusals() -> None:
    A, y, v = np.array([[1.0, -1.0]]), np.array([1.0, 2.0]), np.ones(2)
    with pytest.raises(ValueError, match="one of them follows from the others"):
        reconcile(np.array([[1.0, -1.0], [2.0, -2.0]]), y, variances=v)
    with pytest.raises(ValueError, match="no uncertainty of their own"):
        reconcile(A, y, variances=np.zeros(2))
    with pytest.raises(ValueError, match="not a finite number"):
        reconcile(A, np.array([1.0, math.nan]), variances=v)
    with pytest.raises(ValueError, match="either the covariance or the variances"):
        reconcile(A, y)
    with pytest.raises(ValueError, match="either the covariance or the variances"):
        reconcile(A, y, covariance=np.eye(2), variances=v)
    with pytest.raises(ValueError, match="no balance"):
        reconcile(np.zeros((0, 2)), y, variances=v)
    with pytest.raises(ValueError, match="sizes differ"):
        reconcile(A, np.ones(3), variances=v)


# -- classification ----------------------------------------------------------------------------------------------------


def test_classes_of_a_small_network() -> None:
    """t -> a, b; b -> c, d: with c unmeasured it follows from the lower balance; the upper one still checks."""
    A = np.array([[1.0, -1, -1, 0, 0], [0, 0, 1.0, -1, -1]])
    all_five = np.ones(5, dtype=bool)
    assert set(classify(A, all_five)) == {Checkability.REDUNDANT}
    without_c = np.array([True, True, True, False, True])
    assert [s.value for s in classify(A, without_c)] == [
        "redundant", "redundant", "redundant", "observable", "not checkable",
    ]  # fmt: skip
    without_b = np.array([True, True, False, True, True])
    assert [s.value for s in classify(A, without_b)] == [
        "redundant", "redundant", "observable", "redundant", "redundant",
    ]  # fmt: skip
    without_c_d = np.array([True, True, True, False, False])
    assert [s.value for s in classify(A, without_c_d)][2:] == ["redundant", "unobservable", "unobservable"]
    assert set(classify(A, np.zeros(5, dtype=bool))) == {Checkability.UNOBSERVABLE}


def test_a_point_no_balance_holds_is_not_checkable() -> None:
    A = np.array([[1.0, -1.0, 0.0]])
    assert classify(A, np.ones(3, dtype=bool))[2] is Checkability.NOT_CHECKABLE
    reconciled = reconcile(A, np.array([1.0, 2.0, 3.0]), variances=np.ones(3))
    for test in (measurement_test(reconciled), maximum_power_test(A, reconciled), bias_test(A, reconciled)):
        assert test.defined.tolist() == [True, True, False]
    assert reconciled.x[2] == 3.0
    assert (detectability(reconciled)[2], quality(reconciled)[2]) == (0.0, 0.0)
    assert inseparable(A) == ((0, 1),)


@given(st.lists(st.booleans(), min_size=28, max_size=28))
def test_classification_agrees_with_a_count_of_ranks(chosen: list[bool]) -> None:
    """Second route: a value is determined by the others when leaving out its column lowers the rank accordingly."""
    A, measured = network("P15", 28), np.array(chosen)
    unmeasured = A[:, ~measured]
    rank = np.linalg.matrix_rank(unmeasured) if unmeasured.shape[1] else 0
    for i, standing in enumerate(classify(A, measured)):
        if measured[i]:
            wider = np.linalg.matrix_rank(np.column_stack([unmeasured, A[:, i]]))
            assert standing is (Checkability.REDUNDANT if wider > rank else Checkability.NOT_CHECKABLE)
        else:
            others = A[:, ~measured & (np.arange(28) != i)]
            narrower = np.linalg.matrix_rank(others) if others.shape[1] else 0
            assert standing is (Checkability.OBSERVABLE if narrower < rank else Checkability.UNOBSERVABLE)
