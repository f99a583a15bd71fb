"""The course of a day as the drift watch sees it: in quarter hours, with flows that close every balance.

Quarter hours, whatever the length of the site's intervals: a register that is read every minute shows its own steps more than
the load, and two meters a few seconds apart differ by more than any error of theirs. Noise of that kind stands in the balance
and in the flow alike, and passes for a ratio. Four readings an hour hold all that the watch needs.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from meterd.core.balance.network_reconciliation import (
    KWH,
    Bools,
    Flows,
    Intervals,
    Spread,
    clock_part,
    reconcile_network,
)
from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Ints, resolution_uncertainty

Single = npt.NDArray[np.float32]

COARSE_MS = 900_000  # the constants of the watch and of the search for gross faults were found with quarter hours
HOUR_MS = 3_600_000
STEP_LEAST_KWH = 0.005  # where the plan does not tell the step of a register: about 10 Wh, over sqrt(6)
CLOCK_S = 3.0  # meters are never better than that together
UNMETERED_SHARE = 0.01  # of a feed: by so much its flow may differ from what is metered, from one interval to the next
UNMETERED_LEAST = 0.001  # of the rating of its balance
SLACK = 1e-3  # of the prior of a standing load: only so that balances that depend on one another can be solved


@dataclass(frozen=True, slots=True)
class Course:
    """One day interval by interval: flows [T, n], loading times hours, residuals and what can be computed [T, m]; kWh.

    In single precision: it is looked at only after a change was found.
    """

    start_ms: Ints
    end_ms: Ints
    flows: Single
    loading: Single
    residuals: Single
    valid: Bools


def course_of(table: Intervals, flows: Flows) -> Course:
    """The course of a day whose flows are known."""
    flow, loading, rest = (
        a.astype(np.float32) for a in (flows.x, flows.loading * flows.hours[:, None], flows.residuals)
    )
    return Course(table.start_ms, table.end_ms, flow, loading, rest, flows.valid)


def coarse(table: Intervals) -> Intervals:
    """The same energies in quarter hours; rows as long or longer stay as they are.

    A quarter hour with a part missing is missing: its energy is that of all its parts. Rows that do not lie on the grid of
    quarter hours from end to end are left out.
    """
    if not len(table.start_ms) or int((table.end_ms - table.start_ms).min()) >= COARSE_MS:
        return table
    cell = table.start_ms // COARSE_MS
    inside = (table.end_ms - 1) // COARSE_MS == cell
    starts = np.flatnonzero(np.append(True, cell[1:] != cell[:-1]))
    length = np.add.reduceat(np.where(inside, table.end_ms - table.start_ms, 0), starts)
    whole = length == COARSE_MS
    energy = np.add.reduceat(table.energy, starts, axis=0)
    present = np.logical_and.reduceat(table.present, starts, axis=0)
    begin = cell[starts] * COARSE_MS
    return Intervals(begin[whole], begin[whole] + COARSE_MS, energy[whole], present[whole])


def signature_flows(net: Network, table: Intervals) -> Flows:
    """Flows that close every balance, the residual given to where it arises from one interval to the next.

    That is the feed side, which carries what has no meter, and register steps and clocks of all. Class limits have no say: an
    error of ratio does not change from interval to interval. Nor is a standing load left over, as in the reconciliation
    of energies: flows that keep a share of the residual are an exact combination of it, and gains drift towards 1. Seven
    feeders were learned to read 65 % too much where the feed's register had coarse steps, and an eighth that came to life in
    summer was said to have changed by as much.
    """
    hours = (table.end_ms - table.start_ms) / HOUR_MS
    y = np.where(table.present, table.energy, 0) / KWH
    own = np.full(y.shape, STEP_LEAST_KWH**2)
    own += [resolution_uncertainty(accuracy.resolution_mwh / KWH) ** 2 for accuracy in net.accuracies]
    own += clock_part(y / hours[:, None], max(net.clock_s, CLOCK_S)) ** 2
    for node in net.nodes:
        through, least = list(node.through), UNMETERED_LEAST * node.rating_kw * hours[:, None]
        own[:, through] += np.square(UNMETERED_SHARE * y[:, through]) + least**2
    nodes = tuple(replace(n, standing_sd_kw=n.standing_sd_kw * SLACK, loss_sd_kw=0.0) for n in net.nodes)
    return reconcile_network(replace(net, nodes=nodes), table, Spread(own, np.zeros_like(own)))
