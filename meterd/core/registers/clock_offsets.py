"""How far the clocks of meters are off, as dated facts: measured as values arrive, kept, and read by every balance.

An offset is measured by the daemon and written down with the first interval that is not closed then. A balance of any time is
therefore always made with what was written of that time: a restart, a late reading or a correction gives the same band. The
times of readings are never changed.
"""

import json
import math
from collections.abc import Mapping

METER_CLOCKS = "meter_clocks"  # the fact in the store
NOTICED_S = 5  # what is less is the way of a value through the network
FINE_S, COARSE_S = 5, 60  # steps of what is written down, below and above a minute: the band must not change every day
Steps = tuple[tuple[int, int], ...]  # (from this moment on, seconds that the clock may be off), in order of time
Clocks = Mapping[str, Steps]  # by point
EVER_MS = -(2**62)


def clocks_in(text: str | None) -> dict[str, Steps]:
    """What is stored under the fact.

    >>> clocks_in('{"q01": [[1774746000000, 10]]}')
    {'q01': ((1774746000000, 10),)}
    """
    return {point: tuple((int(at), int(off)) for at, off in steps) for point, steps in json.loads(text or "{}").items()}


def words_of(clocks: Clocks) -> str:
    """The fact."""
    return json.dumps(clocks, separators=(",", ":"), sort_keys=True)


def rounded(offset_ms: int, most_s: int) -> int:
    """An offset as it is written down: in whole steps, upwards; 0 for what is not noticed, `most_s` at most.

    >>> rounded(10_400, 3600), rounded(-301_000, 3600), rounded(2_000, 3600), rounded(9_000_000, 3600)
    (15, 360, 0, 3600)
    """
    off = abs(offset_ms) / 1000
    step = FINE_S if off <= COARSE_S else COARSE_S
    return 0 if off < NOTICED_S else min(math.ceil(off / step) * step, most_s)


def written(clocks: Clocks, offsets_ms: Mapping[str, int], from_ms: int, most_s: int) -> dict[str, Steps]:
    """The facts with what was measured now; a larger offset counts at once, a smaller one when it is less than half.

    Points that are not in `offsets_ms` stay as they are: a meter that is not heard says nothing of its clock.
    """
    results = dict(clocks)
    for point, offset in sorted(offsets_ms.items()):
        steps = results.get(point, ())
        known, now = steps[-1][1] if steps else 0, rounded(offset, most_s)
        if now > known or now < known / 2:
            results[point] = (*(item for item in steps if item[0] < from_ms), (from_ms, now))
    return results


def steps_of(clocks: Clocks, point: str, least_s: int) -> Steps:
    """The steps of one point, nowhere less than what the plan says of all; empty where nothing is off."""
    steps = clocks.get(point, ())
    if not least_s:
        return steps
    return ((EVER_MS, least_s), *((at, max(off, least_s)) for at, off in steps))
