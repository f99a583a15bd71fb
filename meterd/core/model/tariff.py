"""What energy costs and what it emits: the prices of a plan as values.

Each row of `[[tariff]]` is one line of a bill. Rows do not exclude each other: what they cover is added, as on a bill.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

CURRENCY = "EUR"  # where the plan names none
DAY_MINUTES = 24 * 60
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class PriceKind(StrEnum):
    """What a price is multiplied with."""

    IMPORT = "import"  # kWh taken at the grid connection
    EXPORT = "export"  # kWh given there: a credit
    DEMAND = "demand"  # kW, the highest mean of an interval
    FIXED = "fixed"  # once for each period
    CARBON = "carbon"  # kWh taken at the grid connection, in g of CO2


class Division(StrEnum):
    """By what a price that no kWh has is divided among points and tenants: its share of the consumption of the site."""

    PEAK = "peak"  # in the interval that set the demand
    ENERGY = "energy"  # in the whole period
    NONE = "none"


_DIVISIONS = {PriceKind.DEMAND: Division.PEAK, PriceKind.FIXED: Division.ENERGY}  # who causes it bears it


@dataclass(frozen=True, slots=True)
class Times:
    """Hours of some weekdays (0 = Monday), in local minutes of the day; `until_min` is exclusive.

    Hours that end before they begin go over midnight and belong to the day on which they begin.
    """

    weekdays: frozenset[int]
    from_min: int = 0
    until_min: int = DAY_MINUTES


@dataclass(frozen=True, slots=True)
class Price:
    """One row of `[[tariff]]`. `price` is in `currency` per kWh, kW or period, or in g of CO2 per kWh.

    It holds for intervals that begin in `months`, in `times` and not in `not_times` (empty: always), from `from_ms` until
    `until_ms` (exclusive). `above_kwh` and `up_to_kwh` bound the energy of a period that it counts, `above_kw` the demand.
    A demand is at least `least_share` of the highest of the `least_months` months before. `use_hours_from` and
    `use_hours_below` bound the hours of use of the year (energy over highest demand), with `per = "year"`.

    `divide` is by what a demand or a fixed price is divided; None: by what its kind suggests.

    `values` of a carbon price are g per kWh from each moment on, None where no factor is known; then `price` says nothing.
    """

    name: str
    kind: PriceKind
    price: Fraction
    currency: str = CURRENCY
    per: str = "month"
    months: frozenset[int] = frozenset()
    times: tuple[Times, ...] = ()
    not_times: tuple[Times, ...] = ()
    from_ms: int = 0
    until_ms: int | None = None
    above_kwh: Fraction = Fraction(0)
    up_to_kwh: Fraction | None = None
    above_kw: Fraction = Fraction(0)
    least_share: Fraction = Fraction(0)
    least_months: int = 11  # with the month itself a year: how such clauses are mostly written (common practice)
    use_hours_from: Fraction = Fraction(0)
    use_hours_below: Fraction | None = None
    divide: Division | None = None
    values: tuple[tuple[int, Fraction | None], ...] = ()

    @property
    def division(self) -> Division:
        """By what it is divided; a price of a kWh is not."""
        return self.divide or _DIVISIONS.get(self.kind, Division.NONE)


def months_in(text: str) -> frozenset[int]:
    """Months as `1`, `5-9`, `10-4` (over the turn of the year) or several of them with commas; ValueError for else.

    >>> sorted(months_in("11-2, 7"))
    [1, 2, 7, 11, 12]
    """
    results: set[int] = set()
    for part in text.split(","):
        first, dash, last = (item.strip() for item in part.partition("-"))
        low, high = _month(first), _month(last if dash else first)
        results.update((low + k - 1) % 12 + 1 for k in range((high - low) % 12 + 1))
    return frozenset(results)


def _month(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 12:
        raise ValueError(f"{text!r} is no month")
    return int(text)


def times_in(text: str) -> tuple[Times, ...]:
    """Hours as `mon-fri 08:00-20:00; sat 08:00-12:00`; weekdays or hours may be left out. ValueError for else.

    >>> times_in("sat-sun; 22:00-06:00")[1] == Times(frozenset(range(7)), 1320, 360)
    True
    """
    return tuple(_times(part.split()) for part in text.split(";"))


def _times(parts: list[str]) -> Times:
    days = parts[0] if parts and parts[0][:1].isalpha() else ""
    hours = parts[1 if days else 0 :]
    if len(hours) > 1 or not parts:
        raise ValueError(f"{' '.join(parts)!r} is not read as weekdays and hours")
    low, high = _hours(hours[0]) if hours else (0, DAY_MINUTES)
    return Times(_weekdays(days) if days else frozenset(range(7)), low, high)


def _weekdays(text: str) -> frozenset[int]:
    results: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.lower().partition("-")
        low, high = _weekday(first), _weekday(last if dash else first)
        results.update((low + k) % 7 for k in range((high - low) % 7 + 1))
    return frozenset(results)


def _weekday(text: str) -> int:
    if text not in WEEKDAYS:
        raise ValueError(f"{text!r} is no weekday")
    return WEEKDAYS.index(text)


def _hours(text: str) -> tuple[int, int]:
    low, dash, high = text.partition("-")
    result = _minute(low), _minute(high)
    if not dash or result[0] == result[1]:
        raise ValueError(f"{text!r} is not a range of hours")
    return result


def _minute(text: str) -> int:
    hour, colon, minute = text.partition(":")
    if not (colon and hour.isdecimal() and len(minute) == 2 and minute.isdecimal()):
        raise ValueError(f"{text!r} is not a time of day")
    result = int(hour) * 60 + int(minute)
    if int(minute) > 59 or result > DAY_MINUTES:
        raise ValueError(f"{text!r} is not a time of day")
    return result
