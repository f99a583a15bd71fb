"""Whether a point's energy register and its power tell the same: the register's rise against the power summed over time.

Each of the two alone may be wrong for months without looking odd: a register that stands still, one whose unit changed,
one that counts every pulse twice. Compared over a quarter hour or more they must agree within the accuracy of the
sampling; only gross disagreement that lasts is reported, the small one is left to the balances.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from operator import itemgetter

from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.results import Channel
from meterd.core.model.snapshot import Now
from meterd.core.registers.ct_factor import Ratios, ratio_at

WINDOW_MS = 900_000  # long enough for 60 samples of a slow meter
LONGEST_GAP_MS = 120_000  # between two powers further apart than this nothing is summed, and the window does not count
COVERED = 0.9  # share of the window that must be summed
WORST = 0.4  # relative: a load that switches between samples is summed wrong by tens of percent, not by half
SMALLEST_WH = 10_000.0  # a window lasts until one of the two has moved this far: ten steps of a register of whole kWh
IN_A_ROW = 2  # windows
NO_EXPORT = Now(0.0, 0)  # of a point without that register
NO_RATIOS: Mapping[Channel, Ratios] = {}
STEPS = (1000.0, 100.0, 10.0, 2.0)  # factors that have a usual cause


class Kind(StrEnum):
    """How the two disagree."""

    STANDS = "stands"  # the register does not move
    FACTOR = "factor"  # it moves, by another amount
    SIGN = "sign"  # it moves the other way


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Rise of the register and sum of the power over the same time, in Wh along the arrow."""

    kind: Kind
    since_ms: int
    register_wh: float
    power_wh: float

    @property
    def factor(self) -> float:
        """Register over power, taken to the nearest usual step where it is close to one; infinite without power."""
        if not self.power_wh:
            return math.inf
        result = self.register_wh / self.power_wh
        for step in STEPS:
            for usual in (step, 1 / step):
                if abs(result / usual - 1) < 0.1:
                    return usual
        return result


@dataclass(slots=True)
class _Window:
    """One point: what was summed since `start_ms`, and how many windows in a row disagreed."""

    start_ms: int | None = None
    net_wh: float = 0.0
    summed_ms: int = 0
    power_wh: float = 0.0
    last: tuple[int, float] | None = None
    in_a_row: int = 0
    since_ms: int = 0
    kind: Kind | None = None


class Agreement:
    """Follows all points that have both; `take` powers as they come, `compare` after each tick."""

    def __init__(self, channels: Iterable[Channel], ratios: Mapping[Channel, Ratios] = NO_RATIOS) -> None:
        known = set(channels)
        self._ratios = ratios  # of powers of the secondary side
        points = {p for p, r in known if r == POWER and (p, IMPORT) in known}
        self._exports = {p for p in points if (p, EXPORT) in known}
        self._windows = {point: _Window() for point in sorted(points)}
        self._found: dict[str, Disagreement] = {}

    @property
    def disagreements(self) -> Mapping[str, Disagreement]:
        """Points whose registers and powers disagree now."""
        return self._found

    def take(self, readings: Iterable[Reading]) -> None:
        """Sum powers over time, in order of their own time; what comes late is left out."""
        mine = [
            (r.at_ms, r.point, r.value)
            for r in readings
            if r.register == POWER and not r.old and r.point in self._windows
        ]
        for at_ms, point, shown in sorted(mine, key=itemgetter(0)):
            window, value = self._windows[point], float(shown) * ratio_at(self._ratios, (point, POWER), at_ms)
            if window.last is not None:
                elapsed = at_ms - window.last[0]
                if elapsed <= 0:
                    continue
                if elapsed <= LONGEST_GAP_MS:
                    window.power_wh += (window.last[1] + value) / 2 * elapsed / 3_600_000
                    window.summed_ms += elapsed
            window.last = (at_ms, value)

    def compare(self, counters: Mapping[Channel, Now]) -> None:
        """Close the windows that are over. `counters` are the newest registers in Wh, CT ratio included."""
        for point, window in self._windows.items():
            imported = counters.get((point, IMPORT))
            exported = counters.get((point, EXPORT)) if point in self._exports else NO_EXPORT
            if imported is None or exported is None:
                continue
            at_ms, net = imported.at_ms, imported.value - exported.value
            if window.start_ms is None:
                self._begin(window, at_ms, net)
            elif (
                at_ms - window.start_ms >= WINDOW_MS
                and max(abs(net - window.net_wh), abs(window.power_wh)) >= SMALLEST_WH
            ):
                self._judge(point, window, at_ms, net - window.net_wh)
                self._begin(window, at_ms, net)

    def _begin(self, window: _Window, at_ms: int, net_wh: float) -> None:
        window.start_ms, window.net_wh, window.power_wh, window.summed_ms = at_ms, net_wh, 0.0, 0

    def _judge(self, point: str, window: _Window, at_ms: int, rise: float) -> None:
        assert window.start_ms is not None, "a window that is over has begun"
        if window.summed_ms < COVERED * (at_ms - window.start_ms):
            return
        kind = disagreement(rise, window.power_wh)
        if kind is None or kind is not window.kind:
            window.in_a_row, window.since_ms = 0, window.start_ms
        window.kind = kind
        window.in_a_row += 1
        if kind is None:
            self._found.pop(point, None)
        elif window.in_a_row >= IN_A_ROW:
            self._found[point] = Disagreement(kind, window.since_ms, rise, window.power_wh)


def disagreement(register_wh: float, power_wh: float) -> Kind | None:
    """How a rise of the register and the power summed over the same time disagree, or None within `WORST` of the larger.

    >>> disagreement(25.0, 25000.0)
    <Kind.FACTOR: 'factor'>
    """
    if math.isclose(register_wh, power_wh, rel_tol=WORST):
        return None
    if register_wh == 0.0:
        return Kind.STANDS
    if register_wh * power_wh < 0:
        return Kind.SIGN
    return Kind.FACTOR
