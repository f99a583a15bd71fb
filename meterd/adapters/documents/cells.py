"""Cells that all documents share: energies, powers and parts in the unit and with the words of the trade."""

from datetime import datetime
from zoneinfo import ZoneInfo

from meterd.adapters.documents.formats import number
from meterd.adapters.documents.model import Cell, Moment, Number, Table
from meterd.adapters.documents.texts import Words
from meterd.core.model.periods import Period, from_ms
from meterd.core.model.plan import Point
from meterd.core.reports.figures import Amount, Peak

MWH_PER_KWH = 1_000_000


def kwh(mwh: int | None, words: Words, *, decimals: int = 1) -> Cell:
    """An energy in kWh, or the word for missing: never 0."""
    return words("missing") if mwh is None else Number(mwh / MWH_PER_KWH, decimals)


def amount(item: Amount, words: Words) -> Cell:
    """An energy; where it is missing, what is known of it at least."""
    if item.mwh is None and item.at_least is not None:
        return words("at-least", energy=number(item.at_least / MWH_PER_KWH, 1, words.lang))
    return kwh(item.mwh, words)


def kilowatt(peak: Peak | None, words: Words) -> tuple[Cell, Cell]:
    """A largest power in kW and when its interval began."""
    if peak is None:
        return words("missing"), ""
    return Number(peak.power_w / 1000, 1), Moment(peak.start_ms)


def percent(part: float | None, words: Words, *, decimals: int = 1) -> Cell:
    """A part of one in percent; undefined is said, not shown as 0. A little is never shown as nothing."""
    if part is None:
        return words("undefined")
    if 0 < part < 0.5 * 10 ** -(decimals + 2):
        return f"< {number(10.0**-decimals, decimals, words.lang)}"
    return Number(100 * part, decimals)


def titled(point: Point) -> str:
    """Name and title of a point."""
    return f"{point.name}: {point.title}" if point.title else point.name


def period_name(period: Period, start_ms: int, zone: ZoneInfo, words: Words) -> str:
    """A month or year as people call it."""
    local = from_ms(start_ms).astimezone(zone)
    return f"{words.month(local.month)} {local.year}" if period is Period.MONTH else str(local.year)


def step_name(period: Period, start_ms: int, zone: ZoneInfo, words: Words) -> str:
    """A day of a month or a month of a year, as short as under a bar."""
    local: datetime = from_ms(start_ms).astimezone(zone)
    return str(local.day) if period is Period.MONTH else words.month(local.month)[:3]


def none_or(table: Table, words: Words) -> Table:
    """The table, or with one row that says there is nothing."""
    if table.rows:
        return table
    empty = (words("none"), *("" for _ in table.columns[1:]))
    return Table(table.name, table.columns, (empty,))
