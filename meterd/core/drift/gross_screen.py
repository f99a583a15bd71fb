"""Which points a search for gross faults can pass over: what every factor at every point would gain, all at once.

The search divides one column of readings by a factor, which changes two rows and columns of a matrix. What it solves
equations of all points for, factor by factor, follows from the day as it is by products of numbers. The result is the same
but for rounding. It only says where nothing is to be found: what is said of a fault comes from the search.
"""

from dataclasses import dataclass

import numpy as np

from meterd.core.balance.uncertainty import Floats

DEGREES = 8.0  # weight of the variance that is always granted, in intervals: the day's own scatter rules beyond it
SMALLEST = 1e-300  # a determinant is positive but for rounding; where it is not the point is searched


@dataclass(frozen=True, slots=True)
class DaySums:
    """Sums of products of one node's whitened columns: signed readings, hours, loading * hours, known loss [p + 3, p + 3]."""

    gram: Floats
    count: int
    floor: float  # variance always granted


def gains_of_all(day: DaySums, C: Floats, mean: Floats, factors: Floats) -> Floats:
    """2 ln of the likelihood ratio of each factor [F] at each point of a node [p] against none, [p, F].

    A reading divided by f is one whose gain has the prior S C S, with s = 1/f in S, and the residual a = a + t (1 - mean) e,
    t = 1/f - 1. With u = t C e + t^2 C_cc e / 2 that is S C S = C + e u' + u e'. Of N = (I + G C)^-1 G all that is needed
    are diagonals of N, C N and C N C.

    Source: Woodbury identity and matrix determinant lemma, from memory.
    """
    q = len(day.gram) - 1
    points = slice(0, q - 2)
    G = day.gram / day.floor
    solved = np.linalg.solve(np.eye(q) + G[:q, :q] @ C, G[:q])
    N, CN = solved[:, :q], C @ solved[:, :q]
    a = np.concatenate([np.ones(q - 2), [0.0, 0.0, -1.0]])
    a[:q] -= mean
    Na = solved @ a
    plain = float(a @ G @ a - (G[:q] @ a) @ C @ Na)
    of = [np.diagonal(C), np.diagonal(N), np.diagonal(CN), (CN * C).sum(axis=1), Na, C @ Na, a[:q]]
    c, n, cn, cnc, na, cna, stored = (values[points, None] for values in of)
    t = 1.0 / factors - 1.0
    half, alpha = t * t * c / 2, t * stored
    une = t * cn + half * n
    unu = t * t * cnc + 2 * t * half * cn + half * half * n
    ane = na + alpha * n
    anu = t * cna + half * na + alpha * une
    # of the two by two matrix I + [u e]' N [e u]
    det = np.maximum((1 + une) ** 2 - unu * n, SMALLEST)
    taken = (2 * (1 + une) * ane * anu - unu * ane**2 - n * anu**2) / det
    rest = plain + 2 * alpha * na + alpha * alpha * n - taken
    grown = np.log((DEGREES + np.maximum(rest, 0.0)) / (DEGREES + max(plain, 0.0)))
    return np.asarray(-np.log(det) - (day.count + DEGREES) * grown)
