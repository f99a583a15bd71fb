"""A forecast as a value: what PV, load and surplus will be in each interval of the next 48 hours, with a band."""

from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.periods import HOUR_MS


class Quantity(StrEnum):
    """What is forecast; the words are stored."""

    PV = "pv"
    LOAD = "load"
    SURPLUS = "surplus"


QUANTILES = (10, 50, 90)  # in percent: low end of the band, the forecast itself, high end


@dataclass(frozen=True, slots=True)
class Course:
    """Mean powers in whole W of consecutive intervals from the moment of issue on; None = nothing can be said of it.

    One of ten values falls below `low`, one of ten above `high`.
    """

    low: tuple[int | None, ...]
    middle: tuple[int | None, ...]
    high: tuple[int | None, ...]


@dataclass(frozen=True, slots=True)
class SiteForecast:
    """The forecasts of a site as they were issued at `issued_ms`, which is the end of the last closed interval.

    `young`: the history is shorter than six weeks, so that the band holds too few values. A site without PV has none of PV
    and of surplus. The surplus leaves out flexible loads: it is what they could take.
    """

    issued_ms: int
    interval_ms: int
    young: bool
    days: int  # whole days of history
    courses: tuple[tuple[Quantity, Course], ...]

    def of(self, quantity: Quantity) -> Course | None:
        """The course of a quantity, None where there is none."""
        return dict(self.courses).get(quantity)

    def energy_mwh(self, quantity: Quantity, hours: int) -> int | None:
        """What the middle of the forecast comes to in the next hours, in mWh; None with any missing interval.

        The middle of each interval is likely; their sum is a rough guide and no forecast of an energy with a band.
        """
        course = self.of(quantity)
        count = hours * HOUR_MS // self.interval_ms
        values = [] if course is None else [watt for watt in course.middle[:count] if watt is not None]
        return sum(values) * self.interval_ms // 3600 if count and len(values) == count else None


@dataclass(frozen=True, slots=True)
class ForecastScore:
    """How good the forecasts of one quantity and lead were: mean absolute errors in W over `count` intervals.

    `naive` is the best of the methods that need no forecast, chosen afterwards, with its error over the same intervals.
    `inside` is the part of the values between the ends of the band, which should be 0.8.
    """

    quantity: Quantity
    lead_h: int
    count: int
    error_w: float
    naive: str
    naive_w: float
    inside: float
