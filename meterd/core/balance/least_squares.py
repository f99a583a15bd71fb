"""What balances say of each point: checked, only known, following from the others, or unknown; and which errors look alike.

Equations A x = 0 with A [m, n]. Sources: VDI 2048 part 1; Narasimhan and Jordache, Data Reconciliation and Gross Error
Detection (2000). The flows and the global test of a site are in `network_reconciliation` and `global_test`.
"""

from enum import StrEnum

import numpy as np
import numpy.typing as npt

from meterd.core.balance.uncertainty import Floats

Bools = npt.NDArray[np.bool_]

NOTHING = 1e-9  # a projected coefficient below this is rounding


class Checkability(StrEnum):
    """What the balances say of a point."""

    REDUNDANT = "redundant"  # measured, and a balance checks it
    NOT_CHECKABLE = "not checkable"  # measured, and nothing checks it
    OBSERVABLE = "observable"  # not measured, but the others determine it
    UNOBSERVABLE = "unobservable"  # neither


def _null_space(matrix: Floats) -> Floats:
    """Orthonormal columns N with matrix N = 0; the identity for a matrix without rows or columns to bind."""
    if 0 in matrix.shape:
        return np.eye(matrix.shape[1])
    _, sizes, rows = np.linalg.svd(matrix)
    rank = int((sizes > sizes.max() * np.finfo(np.float64).eps * max(matrix.shape)).sum())
    return np.asarray(rows[rank:].T, dtype=np.float64)


def reduce_network(A: Floats, measured: Bools) -> Floats:
    """Balances among the measured values only [m', n_measured]: the unmeasured ones are projected out.

    m' may be 0: then nothing is checked. Coefficients that are only rounding are set to zero.
    """
    reduced = _null_space(A[:, ~measured].T).T @ A[:, measured]
    reduced[np.abs(reduced) < NOTHING] = 0.0
    return reduced[np.any(reduced != 0.0, axis=1)]


def classify(A: Floats, measured: Bools) -> tuple[Checkability, ...]:
    """The standing of each of the n values: what is checked, what is only known, what follows, what stays unknown.

    >>> [str(s) for s in classify(np.array([[1.0, -1.0, -1.0]]), np.array([True, True, False]))]
    ['not checkable', 'not checkable', 'observable']
    """
    checked = np.zeros(A.shape[1], dtype=np.bool_)
    checked[measured] = np.any(reduce_network(A, measured) != 0.0, axis=0)
    free = np.zeros(A.shape[1], dtype=np.bool_)
    free[~measured] = np.any(np.abs(_null_space(A[:, ~measured])) > NOTHING, axis=1)
    return tuple(_checkability(bool(m), bool(c), bool(f)) for m, c, f in zip(measured, checked, free, strict=True))


def _checkability(measured: bool, checked: bool, free: bool) -> Checkability:
    if measured:
        return Checkability.REDUNDANT if checked else Checkability.NOT_CHECKABLE
    return Checkability.UNOBSERVABLE if free else Checkability.OBSERVABLE


def inseparable(A: Floats) -> tuple[tuple[int, ...], ...]:
    """Sets of columns whose errors look alike in every residual (proportional columns of A), two or more each.

    >>> inseparable(np.array([[1.0, -1.0, -1.0]]))
    ((0, 1, 2),)
    """
    length = np.sqrt((A * A).sum(axis=0))
    groups: list[list[int]] = []
    for i in range(A.shape[1]):
        home = next((g for g in groups if _parallel(A[:, g[0]], A[:, i], length[g[0]] * length[i])), None)
        if home is not None:
            home.append(i)
        elif length[i] > 0:
            groups.append([i])
    return tuple(tuple(group) for group in groups if len(group) > 1)


def _parallel(a: Floats, b: Floats, lengths: float) -> bool:
    return bool(lengths > 0 and abs(abs(float((a * b).sum())) / lengths - 1) < NOTHING)
