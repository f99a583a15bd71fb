"""The instruments' errors as unknowns: gains, standing loads and losses fitted to sums of days, with a prior from the classes.

Model of the residual of node k in interval t:  r = sum of sign_i x_i g_i + h_k hours + l_k k^2 hours + noise, the noise
AR(1) with its own phi and sigma per node. Unknowns in one vector: a gain per point, a standing load (kW) and a loss at
rating (kW) per node. Bayes with a normal prior; the same as generalised least squares with pseudo-observations.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from meterd.core.balance.topology import Network, NodeKind, gain_prior
from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.daily_statistics import NodeSums
from meterd.core.model.distinct import distinct
from meterd.core.model.plan import Role

Indices = npt.NDArray[np.intp]

PHI_MOST = 0.98  # above it a day of whitened quarter hours holds no information on a level
PHI_LEAST = -0.6  # differences of coarse registers: -0.5
SIGMA_LEAST_KWH = 1e-5  # a node cannot be quieter than the rounding of a register
ROUNDS = 4  # of fitting gains, phi and sigma in turn; the fourth changes the third digit no more


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """Something that may change: its name, its direction in the unknowns, and how large a change is worth an alarm.

    `kind` is ratio, ct-set, standing or loss. `min_relevant_step` is in the unit of its step (ratio, or kW). `ct_ratio` is
    that of the
    plan, for the causes of a wrong ratio.
    """

    name: str
    kind: str
    points: tuple[str, ...]
    node: str
    members: tuple[int, ...]
    min_relevant_step: float
    ct_ratio: tuple[float, float] | None = None
    direct: bool = False  # an instrument without current transformers

    @property
    def words(self) -> str:
        """What it would be, for people."""
        if self.kind == "ratio":
            return self.points[0]
        if self.kind == "ct-set":
            return f"the CT set of {', '.join(self.points)}"
        where = self.node if self.node.startswith("below ") else f"at {self.node}"
        return f"a load without a meter {where}" if self.kind == "standing" else f"losses {where}"

    @property
    def unit(self) -> str:
        """Of its step."""
        return "ratio" if self.kind in ("ratio", "ct-set") else "kW"


MIN_STEP_FEED = 0.005  # half a class-0.5S limit; a smaller step of a feed is inside what the plan allows
MIN_STEP_FEEDER = 0.01  # the limit of class 1
MIN_STEP_LOAD = 0.005  # of the node's rating


def hypotheses(net: Network) -> tuple[Hypothesis, ...]:
    """All that is watched: each instrument, each shared CT set, standing load and loss of each node."""
    n, m = len(net.points), len(net.nodes)
    hypothesis = []
    for i, (name, role) in enumerate(zip(net.points, net.roles, strict=True)):
        where = next(node.name for node in net.nodes if i in node.points)
        min_step = MIN_STEP_FEED if role is Role.FEED else MIN_STEP_FEEDER
        hypothesis.append(
            Hypothesis(
                f"ratio {name}",
                "ratio",
                (name,),
                node=where,
                members=(i,),
                min_relevant_step=min_step,
                ct_ratio=net.ct_ratio(i),
                direct=net.direct(i),
            )
        )
    for name, members in net.sets:
        where = next(node.name for node in net.nodes if members[0] in node.points)
        points = tuple(net.points[i] for i in members)
        hypothesis.append(Hypothesis(f"ct-set {name}", "ct-set", points, where, members, MIN_STEP_FEED))
    for k, node in enumerate(net.nodes):
        if node.kind is not NodeKind.CHECK:
            min_step = MIN_STEP_LOAD * node.rating_kw
            hypothesis.append(Hypothesis(f"standing {node.name}", "standing", (), node.name, (n + k,), min_step))
            hypothesis.append(Hypothesis(f"loss {node.name}", "loss", (), node.name, (n + m + k,), min_step))
    return tuple(hypothesis)


def directions(net: Network, tests: tuple[Hypothesis, ...]) -> Floats:
    """Columns [p, H]: which unknowns a hypothesis moves, by one unit of its step."""
    D = np.zeros((len(net.points) + 2 * len(net.nodes), len(tests)))
    for j, test in enumerate(tests):
        D[list(test.members), j] = 1.0
    return D


def places(net: Network) -> tuple[list[int], ...]:
    """For each node, where its columns stand in the vector of unknowns."""
    n, m = len(net.points), len(net.nodes)
    return tuple([*node.points, n + k, n + m + k] for k, node in enumerate(net.nodes))


@dataclass(frozen=True, slots=True)
class Noise:
    """AR(1) coefficient and standard deviation (kWh per interval, whitened) of each node's residual."""

    phi: Floats
    sigma: Floats


@dataclass(frozen=True, slots=True)
class Fit:
    """Posterior of the unknowns [p]: mean and covariance."""

    mean: Floats
    covariance: Floats


def prior(net: Network) -> Fit:
    """Before any day: gains 0 within class limits, standing load and loss 0 within their priors."""
    n, m = len(net.points), len(net.nodes)
    C = np.zeros((n + 2 * m, n + 2 * m))
    C[:n, :n] = gain_prior(net)
    standing, loss = [node.standing_sd_kw for node in net.nodes], [node.loss_sd_kw for node in net.nodes]
    C[np.arange(n, n + m), np.arange(n, n + m)] = np.square(standing)
    C[np.arange(n + m, n + 2 * m), np.arange(n + m, n + 2 * m)] = np.square(loss)
    return Fit(np.zeros(n + 2 * m), C)


def information(net: Network, sums: tuple[NodeSums, ...], noise: Noise) -> tuple[Floats, Floats]:
    """M = sum of Z'Z / sigma^2 [p, p] and b = sum of Z'r / sigma^2 [p], whitened, over all nodes."""
    p = len(net.points) + 2 * len(net.nodes)
    M, b = np.zeros((p, p)), np.zeros(p)
    for k, (where, node) in enumerate(zip(places(net), sums, strict=True)):
        W = node.whitened(float(noise.phi[k])) / float(noise.sigma[k]) ** 2
        M[np.ix_(where, where)] += W[:-1, :-1]
        b[where] += W[:-1, -1]
    return M, b


def groups(net: Network) -> tuple[Indices, ...]:
    """Unknowns that have to do with each other: nodes joined by a common point or a common CT set, the rest apart.

    Boards that share nothing are computed one by one, which for a thousand points is some hundred times less work.
    """
    parent = list(range(len(net.points) + 2 * len(net.nodes)))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    for members in (*places(net), *(list(columns) for _, columns in net.sets)):
        for i in members[1:]:
            parent[root(i)] = root(members[0])
    roots = np.array([root(i) for i in range(len(parent))])
    return tuple(np.flatnonzero(roots == r) for r in distinct(roots))


def update(before: Fit, M: Floats, b: Floats, parts: tuple[Indices, ...] | None = None) -> Fit:
    """Posterior from a prior and the information of some days, group by group where groups are given.

    Scaled by the prior's standard deviations before it is inverted: kW and ratios differ by thousands.
    """
    mean, covariance = before.mean.copy(), np.zeros_like(before.covariance)
    for part in (np.arange(len(mean)),) if parts is None else parts:
        square = np.ix_(part, part)
        covariance[square] = _posterior(before.covariance[square], M[square])
        mean[part] += covariance[square] @ (b[part] - M[square] @ before.mean[part])
    return Fit(mean, covariance)


def _posterior(C0: Floats, M: Floats) -> Floats:
    """(C0^-1 + M)^-1 as (I + C0 M)^-1 C0: needs no inverse of the prior, which shared CT sets may make nearly singular."""
    scale = np.sqrt(np.diagonal(C0))
    inner = C0 / np.outer(scale, scale)
    system = np.eye(len(scale)) + inner @ (M * np.outer(scale, scale))
    C = np.linalg.solve(system, inner) * np.outer(scale, scale)
    return np.asarray((C + C.T) / 2)


def fit(net: Network, sums: tuple[NodeSums, ...], *, start: Fit | None = None) -> tuple[Fit, Noise]:
    """Unknowns and noise of all nodes from the sums of some days, in turn."""
    first = prior(net) if start is None else start
    noise, parts = _noise(net, sums, first.mean, np.zeros(len(net.nodes))), groups(net)
    result = first
    for _ in range(ROUNDS):
        M, b = information(net, sums, noise)
        result = update(first, M, b, parts)
        noise = _noise(net, sums, result.mean, noise.phi)
    return result, noise


def _noise(net: Network, sums: tuple[NodeSums, ...], mean: Floats, phi_before: Floats) -> Noise:
    phi, sigma = np.zeros(len(sums)), np.zeros(len(sums))
    for k, (where, node) in enumerate(zip(places(net), sums, strict=True)):
        e = np.append(-mean[where], 1.0)
        now, before, cross = float(e @ node.S0 @ e), float(e @ node.S1 @ e), float(e @ node.C @ e) / 2
        phi[k] = min(max(cross / before, PHI_LEAST), PHI_MOST) if before > 0 else phi_before[k]
        left = now - 2 * phi[k] * cross + phi[k] ** 2 * before
        free = max(node.pairs - min(len(where), node.pairs // 2), 1)
        sigma[k] = max(np.sqrt(max(left, 0.0) / free), SIGMA_LEAST_KWH)
    return Noise(phi, sigma)
