"""The mean outdoor temperature of each day: the file that `temperature` of [site] names."""

from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile import field_types as cells
from meterd.adapters.planfile.beside_plan import BesidePlan
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.schema import Entry, SiteTable, Table
from meterd.adapters.planfile.times import moment_ms
from meterd.core.model.periods import HOUR_MS, Period, bounds

COLDEST_C, WARMEST_C = -60, 50  # as the mean of a day where people live; beyond it another unit was written


class OutdoorRow(Table):
    """A row of the file."""

    day: cells.Moment
    outdoor_c: cells.Exact


def outdoor_values(
    entry: Entry[SiteTable], folder: Path, zone: ZoneInfo | None, notes: Notes
) -> tuple[tuple[int, float], ...]:
    """Starts of days with their temperatures. Days that are not in the file are not known."""
    name, named_at = entry.data.temperature, entry.row.at("temperature")
    rows = BesidePlan(folder, name, named_at, "the outdoor temperatures", "outdoor.csv").rows(OutdoorRow, notes)
    days = [(_day_of(made, zone), made) for made in rows]
    for (before, _), (at, made) in pairwise(days):
        if at <= before:
            notes.fault(made.row.at("day"), "the day is not after the one above it", "write one row per day, in order")
            return ()
    for _, made in days:
        if not COLDEST_C <= made.data.outdoor_c <= WARMEST_C:
            what = f"outdoor_c: {float(made.data.outdoor_c):g} is no mean temperature of a day"
            notes.fault(made.row.at("outdoor_c"), what, "write degrees Celsius")
            return ()
    return tuple((at, float(made.data.outdoor_c)) for at, made in days)


def _day_of(made: Entry[OutdoorRow], zone: ZoneInfo | None) -> int:
    own = zone or ZoneInfo("UTC")
    return bounds(Period.DAY, moment_ms(made.data.day, own), own, HOUR_MS)[0]
