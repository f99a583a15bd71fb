"""Energies and demands times prices: the lines of a bill, in integers.

An amount is an integer of a hundredth of the smallest coin (a ten-thousandth of the currency); each line is rounded once,
half away from zero, and a sum adds rounded lines, so that what is shown adds up. Carbon is an integer of mg. It is no bill:
taxes that depend on a bill, holidays and whatever the contract says beside its prices are not in it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from meterd.core.model.periods import DAY_MS, offset_ms
from meterd.core.model.tariff import Price, PriceKind, Times
from meterd.core.model.weekdays import NO_HOLIDAYS, Holidays, weekdays

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

COIN_PARTS = 10_000  # amounts per unit of the currency
PARTS_PER_COIN = 100  # of the smallest coin, which is a hundredth of the unit
MWH_PER_KWH = 1_000_000
MG_PER_G = 1000
HOUR_MS, MINUTE_MS = 3_600_000, 60_000


@dataclass(frozen=True, slots=True)
class LocalTimes:
    """Month (1 to 12), weekday (0 = Monday) and minute of the day of the local begin of T intervals.

    `before` is the weekday of the day before. A holiday is a Sunday.
    """

    start_ms: Ints
    month: Ints
    weekday: Ints
    before: Ints
    minute: Ints


@dataclass(frozen=True, slots=True)
class Taken:
    """Interval energies of one register or of a sum, in mWh; they mean nothing where `present` is false.

    `at_least`: one of them is a lower bound, because a register began anew.
    """

    energy: Ints
    present: Bools
    at_least: bool = False

    def sum(self, rows: Bools) -> int | None:
        """The energy of some rows; None if one of them is missing."""
        return int(self.energy[rows].sum()) if bool(self.present[rows].all()) else None

    def largest(self, rows: Bools) -> int | None:
        """The largest of some rows, 0 without any; None if one of them is missing."""
        if not bool(self.present[rows].all()):
            return None
        return max(0, int(self.energy[rows].max())) if bool(rows.any()) else 0


@dataclass(frozen=True, slots=True)
class BillLine:
    """A price, what it was multiplied with, and the product; None where intervals are missing.

    `quantity` is kWh, kW or 1; `amount` is an integer of 1/10,000 of the currency, credits below zero, or mg of CO2.
    """

    price: Price
    quantity: Fraction | None
    amount: int | None


def local_times(start_ms: Ints, zone: ZoneInfo, holidays: Holidays = NO_HOLIDAYS) -> LocalTimes:
    """The local clock at the begin of each interval, changes of the clocks included.

    The zone is asked twice for a day in UTC; only in days on which the clock changes for each interval.
    """
    day, place = np.unique(start_ms // DAY_MS, return_inverse=True)
    ends = [(offset_ms(low, zone), offset_ms(low + DAY_MS - 1, zone)) for low in (day * DAY_MS).tolist()]
    first, last = np.array(ends, dtype=np.int64).reshape(-1, 2)[place].T
    changes = np.flatnonzero(first != last)
    first[changes] = [offset_ms(at, zone) for at in start_ms[changes].tolist()]
    clock = start_ms + first
    month = clock.astype("datetime64[ms]").astype("datetime64[M]").astype(np.int64) % 12 + 1
    days = clock // DAY_MS
    return LocalTimes(
        start_ms, month, weekdays(days, holidays), weekdays(days - 1, holidays), minute=clock % DAY_MS // MINUTE_MS
    )


def covered(price: Price, at: LocalTimes) -> Bools:
    """Which intervals a price counts."""
    rows = at.start_ms >= price.from_ms
    if price.until_ms is not None:
        rows &= at.start_ms < price.until_ms
    if price.months:
        rows &= np.isin(at.month, list(price.months))
    if price.times:
        rows &= _within(price.times, at)
    return rows & ~_within(price.not_times, at) if price.not_times else rows


def _within(times: Iterable[Times], at: LocalTimes) -> Bools:
    results = np.zeros(len(at.start_ms), dtype=np.bool_)
    for item in times:
        today = np.isin(at.weekday, list(item.weekdays))
        if item.from_min < item.until_min:
            results |= today & (at.minute >= item.from_min) & (at.minute < item.until_min)
        else:
            yesterday = np.isin(at.before, list(item.weekdays))
            results |= today & (at.minute >= item.from_min) | yesterday & (at.minute < item.until_min)
    return results


def energy_amount(price: Price, energy: int | None) -> BillLine:
    """An energy in mWh times its price; what lies beyond `above_kwh` and `up_to_kwh` is not counted.

    >>> row = Price("energy", PriceKind.IMPORT, Fraction("0.09444"))
    >>> energy_amount(row, 17_588_000_000).amount
    16610107
    """
    if energy is None:
        return BillLine(price, None, None)
    kwh = Fraction(energy, MWH_PER_KWH)
    if price.up_to_kwh is not None:
        kwh = min(kwh, price.up_to_kwh)
    kwh = max(Fraction(0), kwh - price.above_kwh) if price.above_kwh else kwh
    parts = MG_PER_G if price.kind is PriceKind.CARBON else COIN_PARTS
    each = -price.price if price.kind is PriceKind.EXPORT else price.price
    # as rounded(kwh * each * parts), without a fraction for each product: bills of many energies are made of such lines
    return BillLine(price, kwh, _nearest(kwh.numerator * each.numerator * parts, kwh.denominator * each.denominator))


def stepped_amount(price: Price, taken: Taken, rows: Bools, start_ms: Ints) -> BillLine:
    """An energy times the factors of its times, rounded once; None where an energy or a factor is missing."""
    energy = taken.sum(rows)
    if energy is None:
        return BillLine(price, None, None)
    begins = np.array([at for at, _ in price.values], dtype=np.int64)
    place = np.searchsorted(begins, start_ms[rows], side="right")  # 0: before the first factor
    sums = np.zeros(len(begins) + 1, dtype=np.int64)
    np.add.at(sums, place, taken.energy[rows])
    factors = (None, *(factor for _, factor in price.values))
    if any(factors[i] is None for i in set(place.tolist())):
        return BillLine(price, Fraction(energy, MWH_PER_KWH), None)
    mass = sum((Fraction(int(sums[i])) * (factors[i] or 0) for i in np.flatnonzero(sums).tolist()), Fraction(0))
    return BillLine(price, Fraction(energy, MWH_PER_KWH), rounded(mass * MG_PER_G / MWH_PER_KWH))


def demand_amount(price: Price, demand_kw: Fraction | None, before_kw: Sequence[Fraction] = ()) -> BillLine:
    """A demand times its price, at least a share of the highest `before_kw`, without what lies below `above_kw`."""
    if demand_kw is None:
        return BillLine(price, None, None)
    billed = max([demand_kw, *(price.least_share * kw for kw in before_kw)])
    billed = max(Fraction(0), billed - price.above_kw)
    return BillLine(price, billed, rounded(billed * price.price * COIN_PARTS))


def fixed_amount(price: Price, share: Fraction = Fraction(1)) -> BillLine:
    """A fixed price for a part of its period."""
    return BillLine(price, share, rounded(share * price.price * COIN_PARTS))


def demand_kw(energy: int | None, interval_ms: int) -> Fraction | None:
    """The mean power of an interval energy in mWh, in kW."""
    return None if energy is None else Fraction(energy * HOUR_MS, interval_ms * MWH_PER_KWH)


def hours_of_use(energy: int | None, peak_kw: Fraction | None) -> Fraction | None:
    """Energy of a year in mWh over its highest demand, in h; None without either or without a demand.

    >>> hours_of_use(454_278_521_000, Fraction("181.254881936")).__float__().__round__(3)
    2506.297
    """
    if energy is None or not peak_kw:
        return None
    return Fraction(energy, MWH_PER_KWH) / peak_kw


def used_as_long(price: Price, hours: Fraction | None) -> bool:
    """Whether a price holds for a year of so many hours of use; unknown hours fit those that do not ask."""
    if not price.use_hours_from and price.use_hours_below is None:
        return True
    return hours is not None and price.use_hours_from <= hours < (price.use_hours_below or hours + 1)


def rounded(value: Fraction) -> int:
    """To the nearest integer, halves away from zero.

    >>> rounded(Fraction(5, 2)), rounded(Fraction(-5, 2)), rounded(Fraction(7, 3))
    (3, -3, 2)
    """
    return _nearest(value.numerator, value.denominator)


def _nearest(value: int, of: int) -> int:
    whole = (2 * abs(value) + of) // (2 * of)
    return whole if value >= 0 else -whole


def in_coins(amounts: Sequence[int | None]) -> list[int | None]:
    """Amounts in whole coins that add up to their sum in whole coins: those with the largest remainders are rounded up.

    >>> in_coins([3334, 3333, 3333])
    [34, 33, 33]
    >>> in_coins([3334, None])
    [33, None]
    """
    known = [amount for amount in amounts if amount is not None]
    if len(known) < len(amounts):  # there is no sum that they could miss
        return [None if amount is None else rounded(Fraction(amount, PARTS_PER_COIN)) for amount in amounts]
    whole = [amount // PARTS_PER_COIN for amount in known]
    more = rounded(Fraction(sum(known), PARTS_PER_COIN)) - sum(whole)
    order = sorted(range(len(known)), key=lambda i: (-(known[i] % PARTS_PER_COIN), i))
    return [coins + (i in order[:more]) for i, coins in enumerate(whole)]


def each_in_coins(amounts: Iterable[int | None]) -> list[int | None]:
    """Each amount in whole coins by itself, as it stands wherever it stands alone.

    >>> each_in_coins([3334, 3350, None])
    [33, 34, None]
    """
    return [coins for amount in amounts for coins in in_coins([amount])]


def total(lines: Iterable[BillLine], kinds: frozenset[PriceKind]) -> int | None:
    """The sum of the lines of some kinds; None where one of them is missing."""
    amounts = [line.amount for line in lines if line.price.kind in kinds]
    return None if None in amounts else sum(amount for amount in amounts if amount is not None)
