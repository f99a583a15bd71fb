"""Stale in three ways: nothing comes; it comes with a clock that stands or is off; it comes and never changes. Pure.

`ArrivalMonitor` follows every reading as it arrives. Time of arrival and time of the meter are kept apart: a meter whose clock is
an hour behind is not silent, and a meter that repeats its last value is not alive.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.periods import text
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS, Reading
from meterd.core.model.results import Channel

CLOCK_OFF_MS = 60_000  # a meter's clock this far off shifts a quarter hour's boundary by more than its class limits
FROZEN_MS = 3_600_000  # a line voltage that shows the same digits for an hour is not measured any more
FROZEN_REPEATS = 10  # arrivals of the same value; a meter that sends twice an hour proves nothing in an hour
MOVING_SHARE = 0.5  # of the siblings on the board must have moved meanwhile
CHECK_EVERY_MS = (
    10_000  # what takes a quarter hour to show is not looked for every second (20 ms for a thousand points)
)
UNMEASURED_MS = 1 << 62  # a delay that everything is shorter than
STANDS, RUNS_FAST = 0.1, 1.5  # meter time per time of arrival: below the clock stands, above old values are caught up

# registers that never repeat exactly on a live line
NEVER_STILL = frozenset(obis for obis, kind in REGISTERS.items() if kind.name.startswith(("voltage", "current")))


class Stale(StrEnum):
    """In which way."""

    METER_TIME = "meter time"
    VALUE = "value"


@dataclass(frozen=True, slots=True)
class Staleness:
    """One point that delivers, but not the present. `offset_ms` is meter clock minus ours; None = the clock stands."""

    point: str
    kind: Stale
    since_ms: int
    words: str
    offset_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Arrivals:
    """What is known of one point's deliveries: last arrival, newest meter time, since when no value has changed.

    `offset_ms` is meter clock minus ours by the least delay seen (waiting only adds to it, so ahead is sure and behind is an
    upper bound); None for a meter that sends no time of its own.
    """

    received_ms: int
    at_ms: int
    same_since_ms: int
    offset_ms: int | None = None


@dataclass(slots=True)
class _LagWindow:
    """What was heard of one register in one stretch of time: how late values were at least."""

    start_ms: int
    start_at_ms: int
    lag_ms: int


@dataclass(slots=True)
class _RegisterArrivals:
    """One register: last arrival, newest meter time, value and since when it is the same."""

    received_ms: int
    at_ms: int
    last_at_ms: int  # of the last arrival, which may be an older value
    value: int | float
    since_ms: int
    repeats: int
    span: _LagWindow
    timed: bool = True  # whether the last value came with a time of its own, by which its clock can be judged
    before: _LagWindow | None = None


class ArrivalMonitor:
    """Follows the arrivals of all registers of a site. Belongs to the loop."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._stretch_ms = site.limits.stale_after_s * 1000
        self._channels: dict[Channel, _RegisterArrivals] = {}
        self._points: dict[str, list[str]] = {}
        self._found: tuple[int, list[Staleness]] | None = None
        for row in site.inputs:
            self._points.setdefault(row.point, []).append(row.register)

    def take(self, readings: Iterable[Reading]) -> None:
        """Note arrivals. What the broker retained from before the start is no arrival."""
        channels = self._channels
        for reading in readings:
            if reading.old:
                continue
            key = (reading.point, reading.register)
            heard = channels.get(key)
            if heard is None:
                channels[key] = self._first(reading)
            else:
                self._again(heard, reading)

    def _first(self, reading: Reading) -> _RegisterArrivals:
        received, at_ms = reading.received_ms, reading.at_ms
        span = _LagWindow(received, at_ms, received - at_ms)
        return _RegisterArrivals(
            received,
            at_ms,
            at_ms,
            value=reading.value,
            since_ms=received,
            repeats=0,
            span=span,
            timed=reading.device_time,
        )

    def _again(self, heard: _RegisterArrivals, reading: Reading) -> None:
        received, at_ms = reading.received_ms, reading.at_ms
        if received - heard.span.start_ms >= self._stretch_ms:
            # after a silence the old stretch says nothing about the clock
            fresh = received - heard.received_ms < self._stretch_ms
            heard.before = heard.span if fresh else None
            heard.span = _LagWindow(received, at_ms, received - at_ms)
        heard.span.lag_ms = min(heard.span.lag_ms, received - at_ms)
        if received > heard.received_ms:
            heard.received_ms = received
        heard.last_at_ms, heard.timed = at_ms, reading.device_time
        if at_ms < heard.at_ms:
            return  # caught up from before: says nothing about the present value
        heard.at_ms = at_ms
        if reading.value == heard.value:
            heard.repeats += 1
        else:
            heard.value, heard.since_ms, heard.repeats = reading.value, received, 0

    def clock_was_set(self, by_ms: int, now_ms: int) -> None:
        """Our clock was set by so much: what was noted by it is moved along, and clocks are measured anew."""
        for heard in self._channels.values():
            # a reading that came since was noted by the right clock already
            heard.received_ms = min(heard.received_ms + by_ms, now_ms)
            heard.since_ms = min(heard.since_ms + by_ms, now_ms)
            heard.span, heard.before, heard.timed = _LagWindow(now_ms, heard.last_at_ms, UNMEASURED_MS), None, False
        self._found = None

    # -- what can be asked ---------------------------------------------------------------------------------------------

    def last_arrivals(self) -> dict[str, int]:
        """When each point was heard last; points that were not heard since the start are left out."""
        results: dict[str, int] = {}
        for (point, _), heard in self._channels.items():
            results[point] = max(results.get(point, 0), heard.received_ms)
        return results

    def arrivals(self) -> dict[str, Arrivals]:
        """What is known of each point that was heard since the start. May be called from any thread."""
        groups: dict[str, list[_RegisterArrivals]] = {}
        for (point, _), arrivals in list(
            self._channels.items()
        ):  # copied in one step: the loop may add to it meanwhile
            groups.setdefault(point, []).append(arrivals)
        return {point: _merged_arrivals(several) for point, several in groups.items()}

    def offsets(self) -> dict[str, int]:
        """Meter clock minus ours in ms, of each point that sends times of its own and was heard long enough to be measured."""
        results = {}
        for point in self._points:
            newest = max(self._of(point).values(), key=lambda arrivals: arrivals.at_ms, default=None)
            if newest is not None and newest.timed and (lag_ms := _least_lag(newest)) is not None:
                results[point] = -lag_ms
        return results

    def stale(self, now_ms: int) -> list[Staleness]:
        """Points that deliver, but with a wrong clock or a frozen value; as of at most `ASKED_MS` ago."""
        if self._found is None or not 0 <= now_ms - self._found[0] < CHECK_EVERY_MS:
            self._found = (now_ms, self._stale(now_ms))
        return list(self._found[1])

    def _stale(self, now_ms: int) -> list[Staleness]:
        moved = self._moved(now_ms)
        stale_points = []
        for point in self._site.points:
            if not point.counts or point.name not in self._points:
                continue
            heard = self._of(point.name)
            if not heard or now_ms - max(arrivals.received_ms for arrivals in heard.values()) > self._stretch_ms:
                continue  # by arrival: that is for the caller
            staleness = clock_staleness(point.name, list(heard.values()), self._stretch_ms, now_ms)
            staleness = staleness or self._frozen(point.name, heard, moved, now_ms)
            if staleness is not None:
                stale_points.append(staleness)
        return stale_points

    def _of(self, point: str) -> dict[str, _RegisterArrivals]:
        arrivals = {register: self._channels.get((point, register)) for register in self._points.get(point, ())}
        return {register: heard for register, heard in arrivals.items() if heard is not None}

    def _moved(self, now_ms: int) -> dict[str, bool]:
        """Of each point that was heard: whether any of its values changed within the last hour."""
        results: dict[str, bool] = {}
        for (point, _), heard in self._channels.items():
            changed = now_ms - heard.since_ms < FROZEN_MS
            results[point] = results.get(point, False) or changed
        return results

    def _frozen(
        self, point: str, heard: Mapping[str, _RegisterArrivals], moved: Mapping[str, bool], now_ms: int
    ) -> Staleness | None:
        lively = [arrivals for register, arrivals in heard.items() if register in NEVER_STILL and arrivals.value != 0]
        if not lively or moved.get(point, True) or min(arrivals.repeats for arrivals in lively) < FROZEN_REPEATS:
            return None
        board = self._site.point(point).board
        siblings = [p.name for p in self._site.points_of(board) if p.name != point and p.name in moved]
        moving = sum(moved[name] for name in siblings)
        if not siblings or moving < MOVING_SHARE * len(siblings):
            return None  # nothing else moves either: a simulation, a copy of a file, or a dead board
        since = max(arrivals.since_ms for arrivals in heard.values())
        message = (
            f"values come, but none of its {len(heard)} registers has changed since {text(since)}, while {moving} of"
            f" {len(siblings)} other points of board {board} moved"
        )
        return Staleness(point, Stale.VALUE, since, message)

    def stalled_points(self, board: str, from_ms: int) -> tuple[str, ...]:
        """Points of a board that are heard, but whose counters have not moved since a moment: a hint beside a balance.

        Empty when fewer than half of the others moved: then standing still is nothing special.
        """
        still, moving = [], 0
        for point in self._site.on_board(board):
            counters = [arrivals for r, arrivals in self._of(point.name).items() if REGISTERS[r].cumulative]
            if not counters:
                continue
            if (
                max(arrivals.since_ms for arrivals in counters) <= from_ms
                and min(arrivals.repeats for arrivals in counters) >= 2
            ):
                still.append(point.name)
            else:
                moving += 1
        return tuple(still) if moving >= len(still) else ()


def _merged_arrivals(several: list[_RegisterArrivals]) -> Arrivals:
    newest = max(several, key=lambda arrivals: arrivals.at_ms)
    before = newest.before
    lag_ms = newest.span.lag_ms if before is None else min(before.lag_ms, newest.span.lag_ms)
    return Arrivals(
        received_ms=max(arrivals.received_ms for arrivals in several),
        at_ms=newest.at_ms,
        same_since_ms=max(arrivals.since_ms for arrivals in several),
        offset_ms=-lag_ms if newest.timed else None,
    )


def _least_lag(newest: _RegisterArrivals) -> int | None:
    """The least delay over one to two stretches; None before that, and for a clock that stands or old values that come."""
    before = newest.before
    if before is None:
        return None
    arrived, went = newest.received_ms - before.start_ms, newest.last_at_ms - before.start_at_ms
    if not STANDS * arrived < went <= RUNS_FAST * arrived:
        return None
    return min(before.lag_ms, newest.span.lag_ms)


def clock_staleness(point: str, heard: list[_RegisterArrivals], stretch_ms: int, now_ms: int) -> Staleness | None:
    """Whether the clock of a point stands or is off, judged on the register with the newest time.

    The offset is the least delay seen over one to two stretches: waiting only adds to it, so the least is the clock's.
    A meter that sends every minute what was true at the last quarter hour has a small least delay and is right.
    """
    newest = max(heard, key=lambda arrivals: arrivals.at_ms)
    before = newest.before
    if before is None:
        return None
    arrived, went = newest.received_ms - before.start_ms, newest.last_at_ms - before.start_at_ms
    if abs(went) <= STANDS * arrived:
        if now_ms - newest.last_at_ms <= stretch_ms:
            return None
        message = f"values come, but its clock stands at {text(newest.last_at_ms)}"
        return Staleness(point, Stale.METER_TIME, newest.last_at_ms, message)
    lag_ms = _least_lag(newest)
    if lag_ms is None or abs(lag_ms) <= CLOCK_OFF_MS:
        return None
    way = "behind" if lag_ms > 0 else "ahead"
    message = f"values come, but its clock is {abs(lag_ms) / 1000:.0f} s {way}; measured as they arrive"
    return Staleness(point, Stale.METER_TIME, before.start_ms, message, -lag_ms)
