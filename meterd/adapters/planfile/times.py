"""Dates of the plan as moments."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.schema import InstrumentRow
from meterd.core.model.periods import Period, bounds, to_ms

NOON_H = 12  # exists on every day of every zone, unlike midnight


def moment_ms(value: date | datetime, zone: ZoneInfo | None) -> int:
    """Milliseconds of a time with zone, or of the first moment of a local date (UTC while the zone is unknown)."""
    if isinstance(value, datetime):
        return to_ms(value.astimezone(UTC))
    local = zone or ZoneInfo("UTC")
    noon = datetime(value.year, value.month, value.day, NOON_H, tzinfo=local)
    return bounds(Period.DAY, to_ms(noon.astimezone(UTC)), local, 900_000)[0]


def span(instrument: InstrumentRow, zone: ZoneInfo | None) -> tuple[int, int | None]:
    """From when until when an instrument is fitted; without a date from 1970, and for good."""
    start = 0 if instrument.from_ is None else moment_ms(instrument.from_, zone)
    return start, None if instrument.until is None else moment_ms(instrument.until, zone)
