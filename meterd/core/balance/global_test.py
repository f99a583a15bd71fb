"""Do all balances of a site close together? The global chi-square test of one interval, made of the reconciled flows.

Boards are judged one by one; a feeder against what is measured below it, a cable and a check meter have no verdict of their
own, and several balances may each be within their band and together not. J = r' H^-1 r is compared with the chi-square
quantile of as many degrees of freedom as balances could be computed. It cannot tell which meter is wrong.

Source: VDI 2048 part 1 (global test at 95 %); Narasimhan and Jordache, Data Reconciliation and Gross Error Detection (2000).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from meterd.core.balance.network_reconciliation import Intervals, reconcile_network
from meterd.core.balance.topology import Network
from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import remedy
from meterd.core.model.periods import text

OUTSIDE = "network-outside"
LEVEL = 0.95  # that of the band of a single balance (k = 2)
LEAST = 2  # with one balance the test says what its verdict says
MOST_NODES = 5  # named in a sentence


@dataclass(frozen=True, slots=True)
class GlobalTest:
    """The test of one interval of a part of a site: `statistic` J with `dof` degrees of freedom against its `limit`.

    `residuals` are (node, kWh, part of J) of the balances that could be computed, the largest part first.
    """

    start_ms: int
    end_ms: int
    statistic: float
    dof: int
    limit: float
    residuals: tuple[tuple[str, float, float], ...]

    @property
    def outside(self) -> bool:
        """Whether all balances together differ by more than the instruments explain."""
        return self.dof >= LEAST and self.statistic > self.limit


def global_test(net: Network, table: Intervals) -> GlobalTest | None:
    """The test of the last row of a table; None where no balance of it can be computed.

    The part of a balance in J is r_k (H^-1 r)_k: the parts add up to J.
    """
    if not len(table.start_ms) or not net.nodes:
        return None
    flows = reconcile_network(net, table)
    dof = int(flows.dof[-1])
    if not dof:
        return None
    parts = flows.residuals[-1] * flows.multiplier[-1]
    order = [int(k) for k in np.argsort(-parts, kind="stable") if flows.valid[-1, k]]
    return GlobalTest(
        int(table.start_ms[-1]),
        int(table.end_ms[-1]),
        float(flows.J[-1]),
        dof,
        chi_squared_quantile(LEVEL, dof),
        tuple((net.nodes[k].name, float(flows.residuals[-1, k]), float(parts[k])) for k in order),
    )


def chi_squared_quantile(level: float, degrees: int) -> float:
    """The value below which chi squared with so many degrees of freedom (1 or more) stays with a probability of `level`.

    >>> round(chi_squared_quantile(0.95, 10), 3)
    18.307

    Source of the value: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4.
    """
    low, high = 0.0, degrees + 40.0 * math.sqrt(2.0 * degrees)
    while low < (middle := (low + high) / 2) < high:
        if _chi_squared_beyond(middle, degrees) > 1 - level:
            low = middle
        else:
            high = middle
    return high


def _chi_squared_beyond(value: float, degrees: int) -> float:
    """Probability of more than `value`: a finite sum for whole degrees of freedom.

    With h = value / 2: erfc(sqrt h) or exp(-h), plus h^a exp(-h) / Gamma(a + 1) for a = 1/2, 3/2, ... or 1, 2, ... below
    degrees / 2. Source: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.4.4 and 26.4.5.
    """
    half = value / 2
    first, total = (0.5, math.erfc(math.sqrt(half))) if degrees % 2 else (1.0, math.exp(-half))
    powers = range(math.ceil(degrees / 2 - first))
    return total + sum(math.exp((first + k) * math.log(half) - half - math.lgamma(first + k + 1)) for k in powers)


def global_findings(site: str, tests: Iterable[tuple[Network, GlobalTest]]) -> list[Finding]:
    """One finding for all parts of a site whose balances do not close together."""
    results = [(net, item) for net, item in tests if item.outside]
    if not results:
        return []
    net, worst = max(results, key=lambda pair: pair[1].statistic / pair[1].limit)
    lines = tuple(
        f"{name}: {residual:+.3f} kWh, {part:.1f} of the statistic"
        for _, item in results
        for name, residual, part in item.residuals[:MOST_NODES]
    )
    return [
        Finding(
            OUTSIDE, site, worst.start_ms,
            f"{site}: {worst.dof} balances from {text(worst.start_ms)} to {text(worst.end_ms)} do not close together:"
            f" chi-square {worst.statistic:.1f}, the instruments explain {worst.limit:.1f}",
            remedy(OUTSIDE), net.points, lines,
        )
    ]  # fmt: skip
