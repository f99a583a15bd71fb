"""Times as people write them, whole columns at once: date orders, local time, offsets, numbers. No I/O.

`31.12.2025 23:45`, `2025-12-31T23:45:00Z`, `12/31/2025 11:45 PM`, `Mi 31.12.25 24:00`, `31.12.2025 23:45 MEZ`.
"""

import re
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from meterd.adapters.sources.files.cells import EARLIEST_MS, LATEST_MS, Cells, LocalOrder, local_to_utc
from meterd.adapters.sources.files.settings import EPOCH_PER_MS
from meterd.core.model.periods import DAY_MS

YMD, DMY, MDY = "year-month-day", "day-month-year", "month-day-year"
ORDERS = (DMY, MDY, YMD)
TIME_UNITS = (*EPOCH_PER_MS, "days")
SPREADSHEET_EPOCH_MS = -2_209_161_600_000  # 1899-12-30: day 0 of the counting that spreadsheets use
_PLACES = {YMD: ("a", "b", "c"), DMY: ("c", "b", "a"), MDY: ("c", "a", "b")}  # of year, month, day
_ZONES_H = {
    "Z": 0,
    "UTC": 0,
    "GMT": 0,
    "WET": 0,
    "WEST": 1,
    "MEZ": 1,
    "CET": 1,
    "MESZ": 2,
    "CEST": 2,
    "EET": 2,
    "EEST": 3,
}
_DATE = r"(?=\d{4}[./-]|\d{1,2}[./-]\d{1,2}[./-]\d{2})(?P<a>\d{1,4})(?P<mark>[./-])(?P<b>\d{1,2})[./-](?P<c>\d{1,4})\.?"
_CLOCK = r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<part>\d{1,9}))?)?"
_TAIL = r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?(?:\s*Uhr)?(?:\s*(?P<zone>Z|[A-Z]{3,4}|[+-]\d{2}:?\d{2}))?"
PATTERN = rf"^\s*(?:[A-Za-zÄÖÜäöüß]{{2,10}}[.,]{{0,2}}\s+)?{_DATE}(?:[\sT,]+{_CLOCK}{_TAIL})?\s*$"
_DATE_START = re.compile(rf"^\s*(?:[A-Za-zÄÖÜäöüß]{{2,10}}[.,]{{0,2}}\s+)?{_DATE}")
REASONS_LIMIT = 100_000  # reasons of one column kept, as rows are listed in a file

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class DateOrder:
    """What the dates of a column allow. `order` is empty where two orders fit; then `example` is one that fits both."""

    order: str = ""
    example: str = ""

    @property
    def readings(self) -> tuple[str, str]:
        """The example read in both ways, as ISO dates."""
        a, b, c = re.split(r"[./-]", self.example)
        year = c if len(c) == 4 else f"20{c:>02}"
        return f"{year}-{int(b):02}-{int(a):02}", f"{year}-{int(a):02}-{int(b):02}"


def date_order(texts: NDArray[np.object_]) -> DateOrder | None:
    """The order of day, month and year by all dates of a column; None if no cell begins with a date."""
    dates = {match.group("a", "mark", "b", "c") for text in set(texts.tolist()) if (match := _DATE_START.match(text))}
    if not dates:
        return None
    if any(len(a) == 4 for a, _, _, _ in dates):
        return DateOrder(YMD)
    if any(mark == "." for _, mark, _, _ in dates):  # nobody writes the month first before a point
        return DateOrder(DMY)
    day_first = sum(int(a) > 12 for a, _, _, _ in dates)
    month_first = sum(int(b) > 12 for _, _, b, _ in dates)
    if day_first or month_first:
        return DateOrder(DMY if day_first >= month_first else MDY)
    a, mark, b, c = min(dates, key=lambda item: item[0] == item[2])  # one whose readings differ
    return DateOrder("", f"{a}{mark}{b}{mark}{c}")


@dataclass(frozen=True, slots=True)
class Moments:
    """Times of a column before its zone is known: local ms as if it were UTC; `offset_ms` where one is written."""

    local: Cells
    offset_ms: Ints
    has_offset: Bools

    def picked(self, rows: Ints) -> "Moments":
        """Those of some rows."""
        local = self.local
        reasons = {place: local.reasons[row] for place, row in enumerate(rows.tolist()) if row in local.reasons}
        cells = Cells(local.values[rows], local.good[rows], local.missing[rows], reasons)
        return Moments(cells, self.offset_ms[rows], self.has_offset[rows])


def read_times(texts: NDArray[np.object_], order: str, unit: str = "") -> Moments:
    """A column of texts as times. `order` is one of ORDERS; `unit` of numbers, one of TIME_UNITS."""
    trimmed = pd.Series(texts, dtype=object).str.strip()
    missing = np.asarray(trimmed == "")
    if unit:
        return _numbers(trimmed, unit, missing)
    parts = trimmed.str.extract(PATTERN)
    matched = np.asarray(parts["a"].notna())
    local, good = _local_ms(parts, order or DMY, matched)
    offset, has_offset, known = _offsets(parts["zone"], matched)
    reasons = _reasons(trimmed, ~missing & ~(good & known), order or DMY, matched & ~known)
    return Moments(Cells(local, good & known & ~missing, missing, reasons), offset, has_offset)


def _reasons(texts: "pd.Series[Any]", bad: Bools, order: str, zone: Bools) -> dict[int, str]:
    right = {DMY: "31.12.2025 23:45", MDY: "12/31/2025 23:45", YMD: "2025-12-31 23:45"}[order]
    return {
        int(row): "unknown name of a zone; write an offset such as +01:00, or none"
        if zone[row]
        else f"no date and time; one is written like {right}"
        for row in np.flatnonzero(bad)[:REASONS_LIMIT]
    }


def _whole(column: "pd.Series[Any]") -> Ints:
    return np.asarray(pd.to_numeric(column, errors="coerce").fillna(0)).astype(np.int64)


def _local_ms(parts: pd.DataFrame, order: str, matched: Bools) -> tuple[Ints, Bools]:
    numbers = {key: _whole(parts[key]) for key in ("a", "b", "c", "hour", "minute", "second")}
    year, month, day = (numbers[place] for place in _PLACES[order])
    year = np.where(year < 100, year + 2000, year)
    good = matched & (year >= 1990) & (year < 2100) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    months = (np.where(good, year, 2000) - 1970) * 12 + np.where(good, month, 1) - 1
    first = months.astype("datetime64[M]")
    days = first.astype("datetime64[D]").astype(np.int64) + np.where(good, day, 1) - 1
    good &= days.astype("datetime64[D]").astype("datetime64[M]") == first  # 31 April is no day
    hour = _hours(numbers["hour"], parts["half"])
    end_of_day = (hour == 24) & (numbers["minute"] == 0) & (numbers["second"] == 0)
    good &= ((hour < 24) | end_of_day) & (numbers["minute"] < 60) & (numbers["second"] < 60)
    part_ms = _whole(parts["part"].fillna("0").str.ljust(3, "0").str[:3])
    clock = hour * 3_600_000 + numbers["minute"] * 60_000 + numbers["second"] * 1000 + part_ms
    return np.where(good, days * DAY_MS + clock, 0), good


def _hours(hour: Ints, half: "pd.Series[Any]") -> Ints:
    afternoon, morning = np.asarray(half.str.upper() == "P"), np.asarray(half.str.upper() == "A")
    hour = np.where(afternoon & (hour < 12), hour + 12, hour)
    return np.where(morning & (hour == 12), 0, hour)


def _offsets(zone: "pd.Series[Any]", matched: Bools) -> tuple[Ints, Bools, Bools]:
    """Offsets in ms, where one is written, and where it is none or known."""
    has = np.asarray(zone.notna()) & matched
    offset, known = np.zeros(len(zone), dtype=np.int64), np.ones(len(zone), dtype=bool)
    for name in set(zone[has]):
        mine = np.asarray(zone == name)
        minutes = _offset_minutes(str(name))
        known &= ~mine | (minutes is not None)
        offset[mine] = (minutes or 0) * 60_000
    return offset, has, known


def _offset_minutes(name: str) -> int | None:
    if name in _ZONES_H:
        return _ZONES_H[name] * 60
    if name[0] not in "+-":
        return None
    size = int(name[1:3]) * 60 + int(name[-2:])
    return -size if name[0] == "-" else size


def _numbers(texts: "pd.Series[Any]", unit: str, missing: Bools) -> Moments:
    values = np.asarray(pd.to_numeric(texts.str.replace(",", ".", regex=False), errors="coerce"), dtype=np.float64)
    if unit == "days":
        exact = values * DAY_MS + SPREADSHEET_EPOCH_MS
        exact = np.rint(exact / 1000) * 1000  # a double of days is good to microseconds; clocks of exports show seconds
    else:
        times_, parts = EPOCH_PER_MS[unit]
        exact = values * (times_ / parts)
    good = np.isfinite(exact) & (exact >= EARLIEST_MS) & (exact < LATEST_MS)
    reason = f"no time in {unit} between 1990 and 2099"
    reasons = {int(row): reason for row in np.flatnonzero(~good & ~missing)[:REASONS_LIMIT]}
    local = np.where(good, np.nan_to_num(exact), 0).astype(np.int64)
    written = np.full(len(local), unit != "days")  # a number of seconds since 1970 is UTC
    return Moments(Cells(local, good, missing, reasons), np.zeros(len(local), dtype=np.int64), written)


def in_utc(moments: Moments, zone: ZoneInfo) -> Cells:
    """Times in ms UTC. The repeated hour of autumn is told apart by the order of the rows, newest first as well.

    Of two runs through it the first one is summer time; a time the clock skips in spring is bad.
    """
    local = moments.local
    if moments.has_offset.all():
        return Cells(local.values - moments.offset_ms, local.good, local.missing, local.reasons)
    plain = Cells(local.values, local.good & ~moments.has_offset, local.missing, {})
    turned = _newest_first(plain)
    result = local_to_utc(_reversed(plain) if turned else plain, zone, LocalOrder())
    result = _reversed(result) if turned else result
    values = np.where(moments.has_offset, local.values - moments.offset_ms, result.values)
    good = np.where(moments.has_offset, local.good, result.good)
    return Cells(values, good, local.missing, result.reasons | local.reasons)


def _newest_first(cells: Cells) -> bool:
    steps = np.diff(cells.values[cells.good])
    return int((steps < 0).sum()) > int((steps > 0).sum())


def _reversed(cells: Cells) -> Cells:
    last = len(cells.values) - 1
    reasons = {last - row: text for row, text in cells.reasons.items()}
    return Cells(cells.values[::-1], cells.good[::-1], cells.missing[::-1], reasons)
