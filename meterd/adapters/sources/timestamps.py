"""Times of devices: RFC 3339 stamps and epoch numbers with one explicit unit, to whole milliseconds. Pure."""

import re
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache

from meterd.core.model.periods import text as stamp_text
from meterd.core.model.periods import to_ms

# A blank instead of T is allowed for reading, and lower case (RFC 3339, 5.6); the offset is not optional.
_STAMP = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt ]([0-9]{2}):([0-9]{2}):([0-9]{2})(?:\.([0-9]+))?(?:[Zz]|([+-])([0-9]{2}):([0-9]{2}))",
)
EPOCH_UNITS_MS: dict[str, float] = {"s": 1000.0, "ms": 1.0, "us": 1e-3, "ns": 1e-6}
STAMPS_KEPT = 1024
YEAR_MS = 366 * 86_400_000
RANGE_YEARS = 10  # seconds read as milliseconds land in 1970, the other way round in the year 50,000
LONGEST_MS = 4_102_444_800_000 * 60  # far beyond year 9999, far below 2^63: keeps a wild number out of integer trouble


def rfc3339_ms(text: str) -> int:
    """Milliseconds since 1970 UTC of a stamp, finer digits cut off; ValueError with the reason.

    A leap second (:60) is taken as the first moment of the next minute, because POSIX time has no number of its own
    for it: energy is not lost by it, and the order of stamps stays. It is accepted where UTC can have one: at 23:59:60.

    >>> rfc3339_ms("1990-12-31T23:59:60Z")
    662688000000
    """
    fraction = text[20:-1]
    if text[-1:] == "Z" and text[19:20] == "." and fraction.isascii() and fraction.isdigit() and text[17:19] != "60":
        return _rfc3339_ms(text[:19] + "Z") + int((fraction + "00")[:3])
    return _rfc3339_ms(text)


@lru_cache(STAMPS_KEPT)
def _rfc3339_ms(text: str) -> int:
    """The same, with the newest results kept: meters of one round have one second, and registers of a meter one stamp."""
    match = _STAMP.fullmatch(text)
    if match is None:
        raise ValueError("no RFC 3339 time such as 2026-03-29T01:00:00Z")
    year, month, day, hour, minute, second = (int(part) for part in match.groups()[:6])
    micros = int(((match[7] or "") + "000000")[:6])
    leap = second == 60
    try:
        zone = _zone(match[8], match[9], match[10])
        moment = datetime(year, month, day, hour, minute, 59 if leap else second, 0 if leap else micros, tzinfo=zone)
        if leap:
            _check_leap(moment)
            moment += timedelta(seconds=1)
        return to_ms(moment)
    except OverflowError as exc:
        raise ValueError("time outside the years 1 to 9999") from exc


def _zone(sign: str | None, hours: str | None, minutes: str | None) -> timezone:
    if sign is None or hours is None or minutes is None:
        return UTC
    if int(hours) > 23 or int(minutes) > 59:
        raise ValueError("offset beyond 23:59")
    offset = timedelta(hours=int(hours), minutes=int(minutes))
    return timezone(-offset if sign == "-" else offset)


def _check_leap(moment: datetime) -> None:
    utc = moment.astimezone(UTC)
    if (utc.hour, utc.minute) != (23, 59):
        raise ValueError("second 60 is only possible at 23:59:60 UTC")


def epoch_ms(value: float, unit: str) -> int:
    """Whole milliseconds of an epoch number in its one unit ("s", "ms", "us" or "ns"), rounded; ValueError if wild."""
    scaled = value * EPOCH_UNITS_MS[unit]
    if not abs(scaled) < LONGEST_MS:
        raise ValueError(f"time {value!r} {unit} is out of any range; is its unit s, ms, us or ns?")
    return round(scaled)


def check_age(at_ms: int, arrived_ms: int, future_ms: int) -> None:
    """ValueError for a device time ahead of the arrival, or ten years and more away from it (mistaken unit)."""
    if abs(at_ms - arrived_ms) > RANGE_YEARS * YEAR_MS:
        raise ValueError(f"time is more than {RANGE_YEARS} years from its arrival; is its unit s, ms, us or ns?")
    if at_ms - arrived_ms > future_ms:
        ahead_s = (at_ms - arrived_ms) / 1000
        raise ValueError(f"time {stamp_text(at_ms)} is {ahead_s:.1f} s ahead of its arrival; set the device's clock")
