"""Ordinary least squares with what is needed to say how sure a sum of predictions is.

    y = X b + e,   b = (X'X)^-1 X'y,   s^2 = e'e / (n - p)

Checked against the certified values of the NIST Statistical Reference Datasets (tests/core/savings).
Source: Draper and Smith, Applied Regression Analysis (from memory).
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.unusual.days import Floats

DEPENDENT = 1e-9  # of the largest: a column that adds less than this to the others is one of them


@dataclass(frozen=True, slots=True)
class Fit:
    """`errors` are the standard deviations of the coefficients, `inverse` is (X'X)^-1, `residual_sd` is s.

    `r2` is None where y does not vary.
    """

    coefficients: Floats
    errors: Floats
    inverse: Floats
    residuals: Floats
    residual_sd: float
    r2: float | None


def least_squares(X: Floats, y: Floats) -> Fit | None:
    """The fit of n rows by p columns, the first of them constant; None with n <= p, or where a column follows from the others.

    Columns are scaled to one length before the QR decomposition: it costs nothing and saves digits.

    >>> fit = least_squares(np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]]), np.array([1.0, 3.0, 5.0]))
    >>> fit.coefficients.round(6).tolist(), round(fit.residual_sd, 6)
    ([1.0, 2.0], 0.0)
    """
    n, p = X.shape
    scale = np.sqrt((X**2).sum(axis=0))
    if n <= p or not (scale > 0).all():
        return None
    q, r = np.linalg.qr(X / scale)
    if np.abs(np.diag(r)).min() < DEPENDENT:
        return None
    root = np.linalg.solve(r, np.eye(p)) / scale[:, None]
    coefficients = np.linalg.solve(r, q.T @ y) / scale
    residuals = y - X @ coefficients
    squares, whole = float(residuals @ residuals), float(((y - y.mean()) ** 2).sum())
    s = float(np.sqrt(squares / (n - p)))
    inverse = root @ root.T
    return Fit(
        coefficients=coefficients,
        errors=s * np.sqrt(np.diag(inverse)),
        inverse=inverse,
        residuals=residuals,
        residual_sd=s,
        r2=1 - squares / whole if whole > 0 else None,
    )
