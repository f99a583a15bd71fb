"""Reconciliation of a whole network for many intervals at once: T intervals by n points by m nodes, without a loop over T.

The covariance of an interval is diagonal but for shared CT sets, so H = A V A' is one matrix product over all intervals
plus an outer product per set, and the m equations are eliminated along the whole column of intervals. Losses and standing
loads enter as unknowns with priors. Equations as in `reconciliation`; energies in kWh.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Accuracy, Floats, Ints, energy_uncertainty

Bools = npt.NDArray[np.bool_]

KWH = 1e6  # mWh
AT_ONCE = 32_768  # energies of one kind of instrument worked on at once: what a processor's cache holds
UNROLLED = 12  # nodes up to which elimination column by column beats the library's solver per interval


@dataclass(frozen=True, slots=True)
class Intervals:
    """Energies of the points of a network in consecutive rows: int64 mWh [T, n], `present` [T, n], times [T] in ms.

    An energy whose shape is estimated counts as not present: its residual would be that of the estimate.
    """

    start_ms: Ints
    end_ms: Ints
    energy: Ints
    present: Bools


@dataclass(frozen=True, slots=True)
class Spread:
    """Uncertainty of the energies in kWh: own variance [T, n] and, signed, the part of the CT set [T, n]."""

    own: Floats
    shared: Floats


@dataclass(frozen=True, slots=True)
class Flows:
    """Reconciled flows x [T, n] in kWh, residuals r [T, m] less known losses, loading k^2 [T, m], which nodes count.

    J [T] is the global chi-square with `dof` [T] degrees of freedom, `multiplier` [T, m] is H^-1 r. Where a node does not
    count its r is 0.
    """

    x: Floats
    residuals: Floats
    loading: Floats
    hours: Floats
    valid: Bools
    J: Floats
    dof: Ints
    multiplier: Floats


def spread(net: Network, table: Intervals) -> Spread:
    """Uncertainty of every energy by the limits of its instrument at the actual current."""
    hours = (table.end_ms - table.start_ms) / 3_600_000.0
    own, shared = np.empty(table.energy.shape, order="F"), np.zeros(table.energy.shape, order="F")
    in_set = {i for _, members in net.sets for i in members}
    alike: dict[Accuracy, list[int]] = {}
    for i, accuracy in enumerate(net.accuracies):
        alike.setdefault(replace(accuracy, ct_set=None), []).append(i)
    many = max(1, AT_ONCE // max(len(hours), 1))
    chunks = [(a, kind[j : j + many]) for a, kind in alike.items() for j in range(0, len(kind), many)]
    for accuracy, columns in chunks:
        energy = table.energy[:, columns]
        meter, ct, step = energy_uncertainty(energy, hours[:, None], accuracy)
        own[:, columns] = (meter * meter + step * step) / KWH**2
        together = np.isin(columns, list(in_set))
        own[:, columns] += np.where(together, 0.0, ct * ct) / KWH**2
        shared[:, columns] = np.where(together, np.where(energy < 0, -ct, ct), 0.0) / KWH
    if net.clock_s:
        own += (clock_part(table.energy / hours[:, None], net.clock_s) / KWH) ** 2
    return Spread(own, shared)


def clock_part(power: Floats, clock_s: float) -> Floats:
    """Standard uncertainty [T, n] of interval energies (in the unit of power times hours) by a clock off by up to `clock_s`.

    A shifted interval gains at one end what it loses at the other: the power there times the shift. The limit is taken as
    rectangular, u = limit / sqrt(3); power at a boundary is the mean of its neighbours. A steady load has no such error.

    >>> clock_part(np.array([[3600.0], [3600.0], [3600.0]]), 10.0).tolist()
    [[0.0], [0.0], [0.0]]

    Source: JCGM 100:2008, 4.3.7 (rectangular limits).
    """
    if len(power) < 2:
        return np.zeros_like(power)
    edges = np.concatenate([power[:1], (power[1:] + power[:-1]) / 2, power[-1:]])
    return np.asarray(np.abs(np.diff(edges, axis=0)) * clock_s / 3600 / math.sqrt(3))


def reconcile_network(net: Network, table: Intervals, given: Spread | None = None) -> Flows:
    """Flows that close every node that can be computed; nodes with a missing point are left out, interval by interval.

    Raises ValueError where the network has no node: there is nothing to reconcile with.
    """
    if not net.nodes:
        raise ValueError("the plan has no balance: no board has both a feed and an outgoing point that are live")
    A, m = net.incidence, len(net.nodes)
    hours = (table.end_ms - table.start_ms) / 3_600_000.0
    y = np.where(table.present, table.energy, 0) / KWH
    valid = ((~table.present).astype(np.float64) @ np.abs(A).T) == 0
    loading = _loading(net, y, hours)
    r = _residuals(net, y @ A.T, loading, hours) * valid
    parts = spread(net, table) if given is None else given
    H = _matrices(net, A, parts, loading=loading, hours=hours)
    H = H * valid[:, :, None] * valid[:, None, :]
    H[:, np.arange(m), np.arange(m)] += ~valid
    multiplier = solve(H, r)
    back = multiplier @ A
    adjustment = parts.own * back
    for _, members in net.sets:
        columns = list(members)
        adjustment[:, columns] += parts.shared[:, columns] * (parts.shared[:, columns] * back[:, columns]).sum(
            axis=1, keepdims=True
        )
    return Flows(
        y - adjustment,
        r,
        loading,
        hours=hours,
        valid=valid,
        J=(r * multiplier).sum(axis=1),
        dof=valid.sum(axis=1),
        multiplier=multiplier,
    )


def _loading(net: Network, y: Floats, hours: Floats) -> Floats:
    """(P / rating)^2 of each node [T, m]."""
    B = np.zeros((len(net.nodes), y.shape[1]))
    for k, node in enumerate(net.nodes):
        B[k, list(node.through)] = 1.0 / node.rating_kw
    through = (y @ B.T) / hours[:, None]
    return np.asarray(through * through)


def _residuals(net: Network, r: Floats, loading: Floats, hours: Floats) -> Floats:
    p0, pk = np.array([n.p0_kw for n in net.nodes]), np.array([n.pk_kw for n in net.nodes])
    return np.asarray(r - (p0 + pk * loading) * hours[:, None])


def _matrices(net: Network, A: Floats, parts: Spread, *, loading: Floats, hours: Floats) -> Floats:
    """H = A V A' + priors of losses and standing loads, [T, m, m] in kWh^2."""
    m, n = A.shape
    pairs = (A[:, None, :] * A[None, :, :]).reshape(m * m, n)
    H = (parts.own @ pairs.T).reshape(-1, m, m)
    for _, members in net.sets:
        columns = list(members)
        if np.any(A[:, columns]):
            side: Floats = parts.shared[:, columns] @ A[:, columns].T
            H += side[:, :, None] * side[:, None, :]
    standing, loss = np.array([n.standing_sd_kw for n in net.nodes]), np.array([n.loss_sd_kw for n in net.nodes])
    prior = (standing**2 + (loss * loading) ** 2) * (hours * hours)[:, None]
    H[:, np.arange(m), np.arange(m)] += prior
    return np.asarray(H)


def solve(H: Floats, r: Floats) -> Floats:
    """H^-1 r for symmetric positive H [T, m, m] and r [T, m].

    Up to `UNROLLED` equations are eliminated for all T at once, so that a row gives the same bits alone and in a batch.
    """
    m = H.shape[-1]
    if m > UNROLLED:
        return np.asarray(np.linalg.solve(H, r[..., None])[..., 0])
    U = [[np.ascontiguousarray(H[:, i, j]) if j >= i else H[:, i, j] for j in range(m)] for i in range(m)]
    b = [r[:, i] for i in range(m)]
    for i in range(m):
        for j in range(i + 1, m):
            factor = U[i][j] / U[i][i]
            for k in range(j, m):
                U[j][k] = U[j][k] - factor * U[i][k]
            b[j] = b[j] - factor * b[i]
    for i in reversed(range(m)):
        for j in range(i + 1, m):
            b[i] = b[i] - U[i][j] * b[j]
        b[i] = b[i] / U[i][i]
    return np.stack(b, axis=1)
