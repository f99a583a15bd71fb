"""Present values of the secondary side as values of the circuit: times the ratio of the transformers fitted at that moment.

Registers get their ratio in `tracker`, since a register goes on over an exchange; a present value needs only its own moment.
The journal holds what the instrument shows.
"""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import Channel

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

Ratios = tuple[tuple[int, int, float], ...]  # from, until (exclusive) in ms, primary over secondary current

_FOREVER_MS = 2**62


def present_ratios(site: Site) -> dict[Channel, Ratios]:
    """The ratios of each present value that the plan says is of the secondary side."""
    results: dict[Channel, Ratios] = {}
    for row in site.inputs:
        if not row.per_ct or REGISTERS[row.register].cumulative:
            continue
        fitted = site.instruments_of(row.point)
        results[row.point, row.register] = tuple(
            (i.from_ms, _FOREVER_MS if i.until_ms is None else i.until_ms, float(i.ct_ratio))
            for i in fitted
            if i.ct_ratio
        )
    return results


def ratio_at(ratios: Mapping[Channel, Ratios], channel: Channel, at_ms: int) -> float:
    """The ratio of a value at a moment; 1 where none is fitted, or the value is of the circuit itself.

    >>> ratio_at({("q01", "16.7.0"): ((0, 10, 30.0),)}, ("q01", "16.7.0"), 9)
    30.0
    """
    fitted = ratios.get(channel)
    return 1.0 if not fitted else next((ratio for low, high, ratio in fitted if low <= at_ms < high), 1.0)


def of_the_circuit(site: Site, channel: Channel, at_ms: Ints, values: Floats) -> Floats:
    """Samples of a register as values of the circuit, in its base unit."""
    ratios = present_ratios(site)
    if channel not in ratios:
        return values
    return values * np.array([ratio_at(ratios, channel, moment) for moment in at_ms.tolist()], dtype=np.float64)
