"""A forecast as a value: what PV, load and surplus will be in each interval of the next 48 hours, with a band."""

from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.periods import HOUR_MS


class Quantity(StrEnum):
    """What is forecast; the words are stored."""

    PV = "pv"
    LOAD = "load"
    SURPLUS = "surplus"
    PV_OWN = "pv-own"  # of a site with a forecast from outside: PV without it
    PV_OUTSIDE = "pv-outside"  # and PV as the one from outside alone has it


PUBLISHED = (Quantity.PV, Quantity.LOAD, Quantity.SURPLUS)


class OutsideQuantity(StrEnum):
    """What a forecast from outside speaks of; the words stand in plans and stores."""

    POWER = "power"  # of PV, in W
    IRRADIANCE = "irradiance"  # W/m2
    CLOUD_COVER = "cloud-cover"  # part of the sky, 0 to 1


# what it may be written in, and the factor to the unit above; the first is meant where nothing is said
OUTSIDE_UNITS: dict[OutsideQuantity, dict[str, float]] = {
    OutsideQuantity.POWER: {"W": 1.0, "kW": 1e3, "MW": 1e6},
    OutsideQuantity.IRRADIANCE: {"W/m2": 1.0, "kW/m2": 1e3},
    OutsideQuantity.CLOUD_COVER: {"/": 1.0, "%": 0.01},
}


@dataclass(frozen=True, slots=True)
class ForecastInput:
    """Where a forecast from outside comes from, as the plan says: topic of an MQTT source, and where its lists stand.

    `field` is a JSON Pointer to the list of values, with `time_field` to that of the times, or a SenML name. `stamp` says whether
    a time is the "start" or the "end" of what its value holds for. A plan without one has no topic.
    """

    source: str = ""
    topic: str = ""
    quantity: OutsideQuantity = OutsideQuantity.POWER
    field: str = ""
    time_field: str = ""
    unit: str = ""
    stamp: str = "start"


@dataclass(frozen=True, slots=True)
class OutsideSeries:
    """One message of it: rising times in ms, each with a value or None from then to the next one. `retained`: perhaps old."""

    received_ms: int
    times_ms: tuple[int, ...]
    values: tuple[float | None, ...]
    retained: bool = False


@dataclass(frozen=True, slots=True)
class GivenOutside:
    """Such a message by intervals from `known_ms` on: whole W, whole W/m2, or thousandths of the sky; None = nothing is said."""

    quantity: OutsideQuantity
    known_ms: int
    interval_ms: int
    values: tuple[int | None, ...]


@dataclass(frozen=True, slots=True)
class OutsideUse:
    """How a forecast from outside enters one of the site.

    `known_ms`: since when the newest is known, None where none of the last 12 hours says anything. `days`: of errors that its
    weights are made of. `weights`: 0 to 1, by hours ahead.
    """

    known_ms: int | None
    days: int
    weights: tuple[tuple[int, float], ...]


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
    outside: OutsideUse | None = None  # not stored; None also where the plan has no forecast from outside

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
    `inside` is the part of the values between the ends of the band, which should be 0.8; None for a forecast without one.
    """

    quantity: Quantity
    lead_h: int
    count: int
    error_w: float
    naive: str
    naive_w: float
    inside: float | None
