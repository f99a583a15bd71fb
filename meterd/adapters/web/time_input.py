"""A moment as somebody asks for it in an address of the page: a local date or time, or milliseconds."""

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.core.model.periods import HOUR_MS, Period, bounds, to_ms
from meterd.core.model.written import iso_date

LAST_MS = 7_000_000_000_000  # the year 2191: zone rules and calendars know nothing later
_TEXT = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2})(?:[T ](\d{2}):(\d{2}))?)?)?")


def moment(asked: str, zone: ZoneInfo, language: str) -> int:
    """The moment of a text, in ms UTC: a local date begins where its day, month or year begins; 422 for anything else.

    A date may be written day first with points, 31.12.2025, also with its time.
    """
    result, written = None, iso_date(asked)
    if asked.isascii() and asked.isdigit() and len(asked) != 4 and len(asked) < 15:
        result = int(asked)
    elif asked.isascii() and (parts := _TEXT.fullmatch(written)) is not None:
        result = _local(parts, zone)
    if result is None or not 0 <= result < LAST_MS:
        raise HTTPException(422, wording.say(language, "why.no_moment" if asked else "why.moment_missing", start=asked))
    return result


def _local(parts: re.Match[str], zone: ZoneInfo) -> int | None:
    """The first moment of a local year, month, day or minute; None for one that is not in the calendar."""
    year, month, day, hour, minute = (None if part is None else int(part) for part in parts.groups())
    try:
        noon = datetime(year or 0, month or 7, day or 15, 12 if hour is None else hour, minute or 0, tzinfo=zone)
        if not 1970 < noon.year < 2190:
            return None
        at_ms = to_ms(noon.astimezone(UTC))
    except (ValueError, OverflowError):
        return None
    if hour is not None:
        return at_ms
    kind = Period.YEAR if month is None else Period.MONTH if day is None else Period.DAY
    return bounds(kind, at_ms, zone, HOUR_MS)[0]
