"""The grid of time: intervals, hours, local days, weeks, months, years. Labels are starts, ends exclusive, all in UTC.

Times are whole milliseconds since 1970 UTC. Local periods follow the zone rules: a day may have 92, 96 or 100 quarter
hours, and begins where its local date begins (which is not always 00:00).
"""

from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

HOUR_MS = 3_600_000
DAY_MS = 86_400_000


class Period(StrEnum):
    """The kinds of roll-up, from small to large."""

    INTERVAL = "interval"
    HOUR = "hour"
    DAY = "day"
    WEEK = "week"
    MONTH = "month"
    YEAR = "year"


# Which smaller period each larger one is summed from. A week may straddle a month, so both are made of days.
MADE_OF: dict[Period, Period] = {
    Period.HOUR: Period.INTERVAL,
    Period.DAY: Period.HOUR,
    Period.WEEK: Period.DAY,
    Period.MONTH: Period.DAY,
    Period.YEAR: Period.MONTH,
}


def to_ms(moment: datetime) -> int:
    """Whole milliseconds since 1970 UTC of an aware moment; ValueError for a naive one.

    >>> to_ms(datetime(2026, 3, 29, 1, tzinfo=UTC))
    1774746000000
    """
    if moment.tzinfo is None:
        raise ValueError(f"time without zone: {moment.isoformat()}")
    delta = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86_400 + delta.seconds) * 1000 + delta.microseconds // 1000


def from_ms(ms: int) -> datetime:
    """The aware UTC moment of whole milliseconds since 1970."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)


def text(ms: int) -> str:
    """RFC 3339 stamp in UTC, seconds or milliseconds as needed.

    >>> text(1774746000000)
    '2026-03-29T01:00:00Z'
    """
    moment = from_ms(ms)
    return moment.isoformat(timespec="milliseconds" if ms % 1000 else "seconds").replace("+00:00", "Z")


def floor(ms: int, interval_ms: int) -> int:
    """Start of the interval that holds the moment."""
    return ms - ms % interval_ms


def _first_instant(day: date, zone: ZoneInfo) -> int:
    # fold=0 of a local midnight that does not exist gives the instant of the clock change: the date's first moment
    return to_ms(datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC))


def local(ms: int, zone: ZoneInfo) -> datetime:
    """The moment on the clocks of the zone."""
    return from_ms(ms).astimezone(zone)


def day_of(ms: int, zone: ZoneInfo) -> date:
    """The local date of a moment."""
    return local(ms, zone).date()


def offset_ms(ms: int, zone: ZoneInfo) -> int:
    """How far the clocks of the zone are ahead of UTC at a moment; offsets are whole seconds and change at such."""
    # asked most of all: without sums of datetimes, a third of the time
    offset = datetime.fromtimestamp(ms // 1000, zone).utcoffset()
    assert offset is not None, "an aware time has an offset"
    return (offset.days * 86_400 + offset.seconds) * 1000


def _hour_bounds(ms: int, zone: ZoneInfo) -> tuple[int, int]:
    """The local clock hour around a moment; cut at a change that is not a whole hour (Lord Howe: 30 minutes)."""
    offset = offset_ms(ms, zone)
    start = floor(ms + offset, HOUR_MS) - offset
    end = start + HOUR_MS
    if offset_ms(start, zone) != offset:
        start = change_between(start, ms, zone)
    if offset_ms(end - 1, zone) != offset:
        end = change_between(ms, end, zone)
    return start, end


def plain_hours(ms: int, zone: ZoneInfo) -> tuple[int, int]:
    """The local day around a moment if all of its hours follow each other by 60 minutes, else an empty span.

    Saves asking the zone rules for each hour of a year.
    """
    day = day_of(ms, zone)
    low, high = _first_instant(day, zone), _first_instant(day + timedelta(days=1), zone)
    offset = offset_ms(low, zone)
    plain = high - low == DAY_MS and (low + offset) % HOUR_MS == 0
    same = all(offset_ms(low + hour * HOUR_MS, zone) == offset for hour in (6, 12, 18)) and plain
    return (low, high) if same and offset_ms(high - 1, zone) == offset else (low, low)


def change_between(low: int, high: int, zone: ZoneInfo) -> int:
    """The first instant in (low, high] with the offset of `high`, which is not that of `low`; found by halving."""
    target = offset_ms(low, zone)
    low, high = low // 1000, high // 1000  # rules change at whole seconds
    while high - low > 1:
        middle = (low + high) // 2
        if offset_ms(middle * 1000, zone) == target:
            low = middle
        else:
            high = middle
    return high * 1000


def bounds(period: Period, ms: int, zone: ZoneInfo, interval_ms: int) -> tuple[int, int]:
    """Start and exclusive end of the period that holds the moment.

    Weeks begin on Monday (ISO 8601). The hour is the local clock hour, so a zone with a half-hour offset gets its own.

    >>> low, high = bounds(Period.DAY, to_ms(datetime(2026, 3, 29, 12, tzinfo=UTC)), ZoneInfo("Europe/Berlin"), 900_000)
    >>> (high - low) // 900_000
    92
    """
    if period is Period.INTERVAL:
        start = floor(ms, interval_ms)
        return start, start + interval_ms
    if period is Period.HOUR:
        return _hour_bounds(ms, zone)
    day = day_of(ms, zone)
    if period is Period.DAY:
        first, after = day, day + timedelta(days=1)
    elif period is Period.WEEK:
        first = day - timedelta(days=day.weekday())
        after = first + timedelta(days=7)
    elif period is Period.MONTH:
        first = day.replace(day=1)
        after = (first + timedelta(days=32)).replace(day=1)
    else:
        first, after = date(day.year, 1, 1), date(day.year + 1, 1, 1)
    return _first_instant(first, zone), _first_instant(after, zone)


def starts(period: Period, from_: int, until: int, zone: ZoneInfo, interval_ms: int) -> list[int]:
    """Starts of all periods that begin in [from_, until)."""
    results: list[int] = []
    moment = from_
    while moment < until:
        start, end = bounds(period, moment, zone, interval_ms)
        if start >= from_:
            results.append(start)
        moment = end
    return results


def label(period: Period, start: int, zone: ZoneInfo) -> str:
    """How a person names the period, in local time; the two 02:00 hours of autumn differ by their offset.

    >>> label(Period.MONTH, to_ms(datetime(2026, 2, 28, 23, tzinfo=UTC)), ZoneInfo("Europe/Berlin"))
    '2026-03'
    """
    moment = local(start, zone)
    if period is Period.DAY:
        return moment.date().isoformat()
    if period is Period.WEEK:
        year, week, _ = moment.date().isocalendar()
        return f"{year}-W{week:02d}"
    if period is Period.MONTH:
        return f"{moment.year:04d}-{moment.month:02d}"
    if period is Period.YEAR:
        return f"{moment.year:04d}"
    return moment.isoformat(timespec="minutes")
