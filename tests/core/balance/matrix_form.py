"""Weighted least squares over any set of balances in its general matrix form: the independent route that tests compare with.

Equations, with balances A x = 0 (A [m, n]), measured y with covariance V: H = A V A', r = A y, x = y - V A' H^-1 r,
W = V A' H^-1 A V (covariance of the adjustments y - x), J = r' H^-1 r, chi-square with m degrees of freedom.
Sources: VDI 2048 part 1; Narasimhan and Jordache, Data Reconciliation and Gross Error Detection (2000).
All arrays may have leading axes (rows); a row gives the same bits alone and in a batch.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterd.core.balance.uncertainty import Floats, product
from tests.late import stats

Bools = npt.NDArray[np.bool_]

SINGULAR = 1e-12  # a relative variance or eigenvalue below this is rounding: of 15 digits 3 would be left


@dataclass(frozen=True, slots=True)
class Reconciled:
    """Result of `reconcile`; names as in the equations at the top of the file.

    x [..., n] reconciled, u [..., n] their standard uncertainties, adjustments [..., n] measured less reconciled,
    residuals [..., m], J [...] global chi-square, dof, p [...] its probability, H and G = H^-1 [..., m, m],
    W [..., n, n].
    """

    x: Floats
    u: Floats
    adjustments: Floats
    residuals: Floats
    J: Floats
    dof: int
    p: Floats
    H: Floats
    G: Floats
    W: Floats


@dataclass(frozen=True, slots=True)
class ErrorTest:
    """Statistics of one gross-error test per point or balance; 0 and meaningless where `defined` is false."""

    statistic: Floats
    defined: Bools


def reconcile(A: Floats, y: Floats, *, covariance: Floats | None = None, variances: Floats | None = None) -> Reconciled:
    """Reconcile measured values y [..., n] with the balances A [m, n].

    Give either `covariance` [..., n, n] or `variances` [..., n]; their leading axes broadcast against those of y.

    Raises ValueError in words where there is nothing to compute: no balance, a number that is not finite, a balance
    that follows from the others, or meters so correlated that their difference is taken as exact.

    >>> result = reconcile(np.array([[1.0, -1.0]]), np.array([10.0, 12.0]), variances=np.array([1.0, 3.0]))
    >>> result.x.tolist(), float(result.J)
    ([10.5, 10.5], 1.0)
    """
    V = _covariance(A, y, covariance, variances)
    K = product(V, A.T)
    H, G = _inverted(A, V, K)
    column = y[..., None]
    r = product(A, column)
    weighted = product(G, r)
    adjustments = product(K, weighted)[..., 0]
    J = product(np.swapaxes(r, -1, -2), weighted)[..., 0, 0]
    W = product(product(K, G), np.swapaxes(K, -1, -2))
    left = np.maximum(_diagonal(V) - _diagonal(W), 0.0)
    return Reconciled(
        x=y - adjustments,
        u=np.sqrt(left),
        adjustments=adjustments,
        residuals=r[..., 0],
        J=J,
        dof=len(A),
        p=np.asarray(stats.chi2.sf(J, len(A)), dtype=np.float64),
        H=H,
        G=G,
        W=W,
    )


def _covariance(A: Floats, y: Floats, covariance: Floats | None, variances: Floats | None) -> Floats:
    if (covariance is None) == (variances is None):
        raise ValueError("give either the covariance or the variances of the measured values")
    if not len(A):
        raise ValueError("there is no balance to reconcile with: at least one is needed")
    if covariance is None:
        assert variances is not None, "one of the two was given"
        covariance = variances[..., None] * np.eye(variances.shape[-1])
    if A.shape[1] != y.shape[-1] or covariance.shape[-2:] != (A.shape[1], A.shape[1]):
        raise ValueError(f"sizes differ: {A.shape[1]} columns, {y.shape[-1]} values, covariance {covariance.shape}")
    if not (np.isfinite(y).all() and np.isfinite(covariance).all()):
        raise ValueError("a measured value or its covariance is not a finite number; leave missing points out")
    return covariance


def _inverted(A: Floats, V: Floats, K: Floats) -> tuple[Floats, Floats]:
    """H and its inverse, both symmetric; refused where H is singular."""
    if np.linalg.matrix_rank(A) < len(A):
        raise ValueError("the balances cannot be reconciled: one of them follows from the others; drop it")
    H = product(A, K)
    H = (H + np.swapaxes(H, -1, -2)) / 2
    diagonal = _diagonal(H)
    largest = _diagonal(product(product(np.abs(A), np.abs(V)), np.abs(A).T))
    if np.any(diagonal <= SINGULAR * largest):
        raise ValueError(_SINGULAR_TEXT)
    scale = np.sqrt(diagonal)
    scaled = H / (scale[..., :, None] * scale[..., None, :])
    if np.any(np.linalg.eigvalsh(scaled)[..., 0] <= SINGULAR):
        raise ValueError(_SINGULAR_TEXT)
    G = np.linalg.inv(scaled) / (scale[..., :, None] * scale[..., None, :])
    return H, (G + np.swapaxes(G, -1, -2)) / 2


_SINGULAR_TEXT = (
    "the balances cannot be reconciled: their residuals have no uncertainty of their own (two meters are fully "
    "correlated, or all variances of a balance are zero); give each meter its own part of the uncertainty"
)


def _diagonal(matrix: Floats) -> Floats:
    return np.diagonal(matrix, axis1=-2, axis2=-1)


def _ratio(value: Floats, variance: Floats, reference: Floats) -> ErrorTest:
    defined = variance > SINGULAR * reference
    statistic = np.where(defined, value / np.sqrt(np.where(defined, variance, 1.0)), 0.0)
    return ErrorTest(statistic, np.broadcast_to(defined, statistic.shape))


def nodal_test(result: Reconciled) -> ErrorTest:
    """Residual of each balance over its standard uncertainty, r_k / sqrt(H_kk): standard normal without error."""
    variance = _diagonal(result.H)
    return _ratio(result.residuals, variance, variance)


def measurement_test(result: Reconciled) -> ErrorTest:
    """Adjustment of each value over its own standard uncertainty, a_i / sqrt(W_ii). Undefined where nothing checks."""
    variance = _diagonal(result.W)
    return _ratio(result.adjustments, variance, result.u * result.u + variance)


def maximum_power_test(A: Floats, result: Reconciled) -> ErrorTest:
    """(A' G r)_i / sqrt((A' G A)_ii): of all linear tests the one most likely to see a single bias.

    It equals the measurement test where the errors are independent.
    """
    return _signature_test(A, result)[0]


def _signature_test(signatures: Floats, result: Reconciled) -> tuple[ErrorTest, Floats]:
    """For error signatures f (columns, [m, k]): f' G r / sqrt(f' G f), and f' G f."""
    weighted = product(np.swapaxes(signatures, -1, -2), result.G)
    projected = product(weighted, result.residuals[..., None])[..., 0]
    information = _diagonal(product(weighted, signatures))
    # the size of one term of f' G f without cancellation, to tell zero from rounding
    reference = _diagonal(product(product(np.abs(signatures).T, np.abs(result.G)), np.abs(signatures)))
    return _ratio(projected, information, reference), information


@dataclass(frozen=True, slots=True)
class Likelihood:
    """Generalised likelihood ratio: 2 ln(likelihood with this error / without), and the size that fits best."""

    ratio: Floats
    size: Floats
    defined: Bools


def likelihood_ratio(signatures: Floats, result: Reconciled) -> Likelihood:
    """Likelihood ratio T = (f' G r)^2 / (f' G f) and size f' G r / f' G f for error signatures f, columns of [m, k].

    T is the drop of J when that error is admitted (Narasimhan and Mah 1987).
    """
    test, information = _signature_test(signatures, result)
    root = np.sqrt(np.where(test.defined, information, 1.0))
    return Likelihood(test.statistic * test.statistic, test.statistic / root, test.defined)


def bias_test(A: Floats, result: Reconciled) -> Likelihood:
    """Likelihood ratio of a bias of each measured value (signature A e_i)."""
    return likelihood_ratio(A, result)


def leak_test(result: Reconciled) -> Likelihood:
    """Likelihood ratio of an unmetered outflow at each balance (signature e_k)."""
    return likelihood_ratio(np.eye(result.dof), result)


def detectability(result: Reconciled) -> Floats:
    """sqrt(W_ii / V_ii): the share of an error of each value that shows in its adjustment, 0..1."""
    variance = _diagonal(result.W)
    total = result.u * result.u + variance
    return np.sqrt(np.where(total > 0, variance, 0.0) / np.where(total > 0, total, 1.0))


def quality(result: Reconciled) -> Floats:
    """|a_i| / (1.96 sqrt(max(W_ii, V_ii / 10))) of VDI 2048 part 1: above 1 the value is to be looked at."""
    variance = _diagonal(result.W)
    floor = np.maximum(variance, (result.u * result.u + variance) / 10)
    return np.abs(result.adjustments) / (1.96 * np.sqrt(np.where(floor > 0, floor, 1.0)))
