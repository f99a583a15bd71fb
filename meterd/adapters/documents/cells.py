"""Cells that all documents share: energies, powers and parts in the unit and with the words of the trade."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from meterd.adapters.documents.formats import number
from meterd.adapters.documents.model import Cell, Moment, Number, Table
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts import wording
from meterd.core.model.fair_division import percents
from meterd.core.model.periods import Period, from_ms
from meterd.core.model.plan import Point, Site
from meterd.core.reports.figures import Amount, Peak

MWH_PER_KWH = 1_000_000


def kwh(mwh: int | None, texts: Texts, *, decimals: int = 1) -> Cell:
    """An energy in kWh, or the word for missing: never 0."""
    return texts("missing") if mwh is None else Number(mwh / MWH_PER_KWH, decimals)


def amount(item: Amount, texts: Texts) -> Cell:
    """An energy; where it is missing, what is known of it at least."""
    if item.mwh is None and item.at_least is not None:
        return texts("at-least", energy=number(item.at_least / MWH_PER_KWH, 1, texts.lang))
    return kwh(item.mwh, texts)


def kilowatt(peak: Peak | None, texts: Texts) -> tuple[Cell, Cell]:
    """A largest power in kW and when its interval began."""
    if peak is None:
        return texts("missing"), ""
    return Number(peak.power_w / 1000, 1), Moment(peak.start_ms)


def percent(part: float | None, texts: Texts, *, decimals: int = 1) -> Cell:
    """A part of one in percent; undefined is said, not shown as 0. A little is never shown as nothing."""
    return shown_percent(part, None if part is None else 100 * part, texts, decimals=decimals)


def percents_of(parts: Sequence[float | None], texts: Texts) -> list[Cell]:
    """Parts of a whole in percent that add up to 100.0 as they are shown (core/model/fair_division.py)."""
    return [shown_percent(part, shown, texts) for part, shown in zip(parts, percents(parts), strict=True)]


def shown_percent(part: float | None, shown: float | None, texts: Texts, *, decimals: int = 1) -> Cell:
    """A percentage, rounded or to be rounded, of an exact part."""
    if part is None or shown is None:
        return texts("undefined")
    if 0 < part < 0.5 * 10 ** -(decimals + 2):
        return f"< {number(10.0**-decimals, decimals, texts.lang)}"
    return Number(shown, decimals)


def without_empty(table: Table) -> Table:
    """A table without the columns in which no row has anything."""
    stored = [j for j in range(len(table.columns)) if any(row[j] != "" for row in table.rows)]
    rows = tuple(tuple(row[j] for j in stored) for row in table.rows)
    return replace(table, columns=tuple(table.columns[j] for j in stored), rows=rows)


def titled(point: Point) -> str:
    """Name and title of a point."""
    return f"{point.name}: {point.title}" if point.title else point.name


def titled_points(names: Iterable[str], site: Site) -> str:
    """Points and boards in a sentence, by their titles."""
    return wording.titled_names(", ".join(names), wording.titles_of(site))


def period_name(period: Period, start_ms: int, zone: ZoneInfo, texts: Texts) -> str:
    """A month or year as people call it."""
    local = from_ms(start_ms).astimezone(zone)
    return f"{texts.month(local.month)} {local.year}" if period is Period.MONTH else str(local.year)


def step_name(period: Period, start_ms: int, zone: ZoneInfo, texts: Texts) -> str:
    """A day of a month or a month of a year, as short as under a bar."""
    local: datetime = from_ms(start_ms).astimezone(zone)
    return str(local.day) if period is Period.MONTH else texts.month(local.month)[:3]


def none_or(table: Table, texts: Texts) -> Table:
    """The table, or with one row that says there is nothing."""
    if table.rows:
        return table
    empty = (texts("none"), *("" for _ in table.columns[1:]))
    return Table(table.name, table.columns, (empty,))
