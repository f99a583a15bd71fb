"""The emission factor as a column of values by time: the file that `values` of `[[tariff]]` names."""

from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile import field_types as cells
from meterd.adapters.planfile.beside_plan import BesidePlan
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.schema import Entry, Table, TariffRow
from meterd.adapters.planfile.times import moment_ms

Steps = tuple[tuple[int, Fraction | None], ...]
MOST_ROWS = 500_000  # fourteen years of quarter hours


class CarbonRow(Table):
    """A row of the file."""

    time: cells.Moment
    g_per_kwh: cells.ExactCount


def carbon_values(entry: Entry[TariffRow], folder: Path, zone: ZoneInfo | None, notes: Notes) -> Steps:
    """From when on each factor holds; the last one as long as the one before it, and nothing behind it."""
    name = entry.data.values
    file = BesidePlan(folder, name, entry.row.at("values"), f"the values of {entry.data.name}", "carbon.csv")
    known = len(notes.faults)
    rows = file.rows(CarbonRow, notes)
    if len(notes.faults) > known:
        return ()  # said already
    if len(rows) > MOST_ROWS:
        notes.fault(Place(name), f"{len(rows)} rows are too many", f"write at most {MOST_ROWS}, such as one per hour")
        return ()
    steps = [(moment_ms(made.data.time, zone), made) for made in rows]
    for (before, _), (at, made) in pairwise(steps):
        if at <= before:
            notes.fault(made.row.at("time"), "the time is not after the one above it", "sort the rows by time")
            return ()
    if len(steps) < 2:
        notes.fault(Place(name), "a column of values needs two rows at least", "write price for a factor that stays")
        return ()
    end = 2 * steps[-1][0] - steps[-2][0]
    return (*((at, made.data.g_per_kwh) for at, made in steps), (end, None))
