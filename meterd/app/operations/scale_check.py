"""Units and directions of a whole history by its numbers: what a replay says beside its figures."""

from collections.abc import Mapping, Sequence

import numpy as np

from meterd.core.checks.register_scale import Floats, rises, scale_doubts, scale_findings
from meterd.core.model.finding import Finding
from meterd.core.model.periods import HOUR_MS
from meterd.core.model.plan import Site
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Ints
from meterd.core.registers.tracker import Rule

STRETCHES = 48  # enough shape, and each long enough for a register of coarse steps


class ScaleCheck:
    """Takes the columns of a history as they pass; the first one with readings gives the stretches for all."""

    def __init__(self, site: Site, rules: Mapping[Channel, Sequence[Rule]]) -> None:
        self._site, self._rules = site, rules
        self._grid: Ints | None = None
        self._energies: dict[Channel, Floats] = {}

    def take(self, channel: Channel, times: Ints, raws: Ints, *, ascend: bool = False) -> None:
        """Note the readings of one register, in milli-units; whether their times are known to ascend."""
        if len(times) < 2:
            return
        if self._grid is None:
            self._grid = stretches(int(times.min()), int(times.max()))
        rule = self._rules[channel][-1]
        self._energies[channel] = rises(times, raws, self._grid, rule.numerator / rule.denominator, ascend=ascend)

    def findings(self) -> list[Finding]:
        """What seems wrong, as of the end of the history."""
        if self._grid is None:
            return []
        doubts = scale_doubts(self._site, self._energies, int(self._grid[1] - self._grid[0]))
        return scale_findings(self._site, doubts, int(self._grid[-1]))


def stretches(first_ms: int, last_ms: int) -> Ints:
    """Ends of about 48 equal stretches of whole hours (of one, if the span is shorter), from the first whole hour on."""
    begin = -(-first_ms // HOUR_MS) * HOUR_MS
    length = max(1, (last_ms - begin) // HOUR_MS // STRETCHES) * HOUR_MS
    return np.arange(begin, max(last_ms, begin + length) + 1, length, dtype=np.int64)
