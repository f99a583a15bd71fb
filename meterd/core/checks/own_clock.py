"""Whose clock is off: that of some meters, or ours, against which most meters agree with each other. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import median_low

from meterd.core.checks.staleness import CLOCK_OFF_MS, Arrivals, Stale, Staleness
from meterd.core.model.finding import Finding

LEAST = 3  # meters; two may have been set by the same hand
TOGETHER_MS = CLOCK_OFF_MS  # clocks this near to each other agree


@dataclass(frozen=True, slots=True)
class OwnClock:
    """How far meters that agree are ahead of our clock (less than zero: behind), how many, and of how many."""

    offset_ms: int
    agreeing: int
    meters: int


def own_clock(ahead: Mapping[str, int], meters: int) -> OwnClock | None:
    """What meters with clocks of their own say of ours: `ahead` is meter clock minus ours in ms, `meters` how many there are.

    Our clock is off when more than half of them, three at least, agree with each other and not with us.

    >>> own_clock({"a": 7_200_000, "b": 7_201_000, "c": 7_199_500, "d": 0}, 4)
    OwnClock(offset_ms=7200000, agreeing=3, meters=4)
    """
    if len(ahead) < LEAST:
        return None
    middle = median_low(ahead.values())
    agreeing = [item for item in ahead.values() if abs(item - middle) <= TOGETHER_MS]
    if abs(middle) <= CLOCK_OFF_MS or len(agreeing) < LEAST or 2 * len(agreeing) <= meters:
        return None
    return OwnClock(median_low(agreeing), len(agreeing), meters)


def judged(arrivals: Mapping[str, Arrivals], measured: Mapping[str, int]) -> OwnClock | None:
    """The same of what was heard. Being ahead of us is sure at once; behind may be a delay and has to be measured."""
    timed = {point: item.offset_ms for point, item in arrivals.items() if item.offset_ms is not None}
    sure = {point: offset for point, offset in timed.items() if offset >= -CLOCK_OFF_MS}
    return own_clock({**sure, **measured}, len(timed))


def confirms(own: OwnClock | None, jump_s: float) -> bool:
    """Whether a jump of our clock brings it to where the meters are."""
    return own is not None and abs(jump_s * 1000 - own.offset_ms) <= TOGETHER_MS


def without_own(stale_points: Iterable[Staleness], own: OwnClock | None) -> list[Staleness]:
    """What is left to be said of meters: not that their clock is off, where ours is."""
    return [
        staleness
        for staleness in stale_points
        if own is None
        or staleness.kind != Stale.METER_TIME
        or staleness.offset_ms is None
        or abs(staleness.offset_ms - own.offset_ms) > TOGETHER_MS
    ]


def own_clock_finding(own: OwnClock, site: str, now_ms: int) -> Finding:
    """One finding about this machine."""
    seconds = abs(own.offset_ms) / 1000
    agree = f"{own.agreeing} of {own.meters} meters, which agree with each other; their readings are kept at their own times"
    if own.offset_ms > 0:
        text = f"the clock of this machine is {seconds:.0f} s behind that of {agree}"
    else:
        text = f"the clock of this machine is {seconds:.0f} s ahead of that of {agree}"
    remedy = "set the clock of this machine by a time server; if it is right, the meters share a wrong one, such as a gateway's"
    return Finding("own-clock", site, now_ms, text, remedy)
