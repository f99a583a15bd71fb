"""Which values are due: changed beyond their dead band, in a new state, or not sent for a heartbeat period."""

from collections.abc import Iterable, Iterator, Sequence

from meterd.core.topics.table import Each, Entry, TimeBasis, Value

# The loop looks about once a second: what would become due before the next look is sent now.
CHECK_S = 1.0
# A busy loop looks less often: then also what becomes due within the time since the last look, up to this part of a period.
AHEAD = 0.5
# First heartbeats are spread over half a period, so that the full set does not come back as one burst for ever.
SPREAD = 64

_PERIODS = (TimeBasis.CLOSED, TimeBasis.DAY, TimeBasis.FORECAST)


class Changes:
    """What was last sent, position by position of the catalogue: bounded by the plan."""

    def __init__(self, entries: tuple[Entry, ...], period_s: float) -> None:
        self.entries = entries
        self._period_s = max(period_s - CHECK_S, period_s / 2)
        self._sent: list[Value | None] = [None] * len(entries)
        self._due_s = [0.0] * len(entries)
        self._points = sum(entry.row.each is Each.POINT for entry in entries)  # they stand first in the table
        self._next_point = 0

    def due(self, values: Sequence[Value], clock_s: float, since_s: float = CHECK_S) -> Iterator[tuple[int, Value]]:
        """Positions and values to send now: site, PV and boards first, then points whose period ends, then changed points.

        `since_s` is how long ago the last look was. Points take turns: whoever stops early begins with the next point the
        next time, so that no point waits for ever.
        """
        assert len(values) == len(self._sent), "one value per entry of the catalogue"
        before_s = clock_s + min(max(0.0, since_s - CHECK_S), AHEAD * self._period_s)
        sent, due_s = self._sent, self._due_s
        for place in range(self._points, len(values)):
            last = sent[place]
            if last is None or before_s >= due_s[place] or differs(values[place], last):
                yield place, values[place]
        later = []
        for place in (*range(self._next_point, self._points), *range(self._next_point)):
            if sent[place] is None or before_s >= due_s[place]:
                yield place, values[place]
            else:
                later.append(place)
        for place in later:
            last = sent[place]
            if last is not None and differs(values[place], last):
                yield place, values[place]

    def due_of(self, values: Iterable[tuple[int, Value]]) -> Iterator[tuple[int, Value]]:
        """Of some positions and values those that say something new; what was never sent waits for `due`."""
        for place, value in values:
            last = self._sent[place]
            if last is not None and differs(value, last):
                yield place, value

    def sent(self, place: int, value: Value, clock_s: float) -> None:
        """Note that a value has been handed to the network."""
        if place < self._points:
            self._next_point = place + 1
        first = self._sent[place] is None
        share = 0.5 + 0.5 * (place % SPREAD) / SPREAD if first else 1.0
        self._sent[place] = value
        self._due_s[place] = clock_s + self._period_s * share

    def all_sent(self) -> bool:
        """Whether every value has been handed to the network since the start, or since `forget`."""
        return None not in self._sent

    def forget(self) -> None:
        """Everything is due again: the broker may have lost it."""
        self._sent = [None] * len(self._sent)


def differs(value: Value, last: Value) -> bool:
    """Whether a value says something new: state, number beyond the dead band, or the next period."""
    if value.state is not last.state:
        return True
    if value.value is None or last.value is None:
        return False  # the same state: both invalid
    dead_band = value.entry.dead_band
    if dead_band:
        return abs(value.value - last.value) > dead_band
    return value.value != last.value or (value.entry.row.follows in _PERIODS and value.at_ms != last.at_ms)
