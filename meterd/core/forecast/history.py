"""What a forecast is made from: mean powers of consecutive intervals, as far as they are known.

Missing is NaN inside this package only: arrays of floats say it without a second array. No NaN leaves the package.
"""

from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from meterd.core.model.forecast import OutsideQuantity
from meterd.core.model.periods import DAY_MS, HOUR_MS, offset_ms
from meterd.core.model.weekdays import NO_HOLIDAYS, SATURDAY, Holidays, weekdays

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

AHEAD_DAYS = 2  # how far a forecast reaches
KEPT_DAYS = 120  # what a forecast looks at: 60 days of fitting, before them 56 days of means, and the reach
YOUNG_DAYS = 42  # below six weeks of history the band holds too few values (measured 69 to 74 %)
FIRST_DAYS = 2  # below that there is nothing to forecast from


@dataclass(frozen=True, slots=True)
class Outside:
    """What a forecast from outside said, as it was known at the end of each of the last intervals of a history.

    `known` has a row for each of them; its column n is the value of the n-th interval after, NaN = nothing was said. Values are
    W, W/m2 or parts of the sky, as `quantity` says.
    """

    quantity: OutsideQuantity
    known: Floats
    known_ms: int | None = None  # since when the newest one was known

    def without(self, newest: int) -> "Outside":
        """The same as it was so many intervals before."""
        return replace(self, known=self.known[: max(0, len(self.known) - newest)])


@dataclass(frozen=True, slots=True)
class History:
    """Mean powers of a site in W from `start_ms` on, one for each interval; NaN = missing.

    `load` leaves flexible loads out. `offsets_ms` says of each interval, and of those of the two days after the last, how far
    local clocks are ahead of UTC: people follow them, the sun does not.
    """

    start_ms: int
    interval_ms: int
    pv: Floats
    load: Floats
    offsets_ms: Ints
    holidays: Holidays = NO_HOLIDAYS
    outside: Outside | None = None  # what a forecast from outside said, where the site has one

    def __post_init__(self) -> None:
        assert DAY_MS % self.interval_ms == 0, "an interval divides the day"
        assert len(self.pv) == len(self.load) == len(self.offsets_ms) - self.ahead, "one value for each interval"

    @property
    def per_day(self) -> int:
        """Intervals of a day of 24 hours."""
        return DAY_MS // self.interval_ms

    @property
    def ahead(self) -> int:
        """Intervals that a forecast reaches."""
        return AHEAD_DAYS * self.per_day

    @property
    def end_ms(self) -> int:
        """The end of the last interval: the moment at which a forecast is issued."""
        return self.start_ms + len(self.load) * self.interval_ms

    @property
    def restdays(self) -> Bools:
        """Whether the local day of each interval, of the two days ahead too, is a Saturday, Sunday or holiday."""
        starts = self.start_ms + self.interval_ms * np.arange(len(self.offsets_ms), dtype=np.int64)
        return np.asarray(weekdays((starts + self.offsets_ms) // DAY_MS, self.holidays) >= SATURDAY)

    def days(self, values: Floats) -> float:
        """How many days of values there are."""
        return float(np.isfinite(values).sum()) / self.per_day

    def until(self, count: int) -> "History":
        """The same as it was after so many intervals."""
        offsets = self.offsets_ms[: count + self.ahead]
        outside = None if self.outside is None else self.outside.without(len(self.load) - count)
        return replace(self, pv=self.pv[:count], load=self.load[:count], offsets_ms=offsets, outside=outside)


def history_of(
    start_ms: int, interval_ms: int, pv: Floats, load: Floats, *, zone: ZoneInfo, holidays: Holidays = NO_HOLIDAYS
) -> History:
    """A history with the clocks of its zone."""
    ahead = AHEAD_DAYS * DAY_MS // interval_ms
    offsets = clock_offsets(start_ms, interval_ms, len(load) + ahead, zone)
    return History(start_ms, interval_ms, pv, load, offsets, holidays=holidays)


def clock_offsets(start_ms: int, interval_ms: int, count: int, zone: ZoneInfo) -> Ints:
    """How far the clocks of a zone are ahead of UTC in each interval, in ms; the zone rules are asked once an hour."""
    starts = start_ms + interval_ms * np.arange(count, dtype=np.int64)
    if not count:
        return starts
    first, last = int(starts[0]) // HOUR_MS, int(starts[-1]) // HOUR_MS
    of_hour = np.array([offset_ms(hour * HOUR_MS, zone) for hour in range(first, last + 1)], dtype=np.int64)
    return np.asarray(of_hour[starts // HOUR_MS - first])
