"""The part of a report that compares its period with earlier ones."""

from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from meterd.adapters.documents.cells import MWH_PER_KWH, period_name
from meterd.adapters.documents.model import Block, Cell, Column, Heading, Number, Table, Text
from meterd.adapters.documents.texts import Texts
from meterd.core.energy.tariff import COIN_PARTS
from meterd.core.model.periods import Period
from meterd.core.reports.comparison import PeriodFigures, change_percent

_FIGURES = (
    ("grid-import", "kWh", "imported", MWH_PER_KWH, 1),
    ("grid-export", "kWh", "exported", MWH_PER_KWH, 1),
    ("production", "kWh", "produced", MWH_PER_KWH, 1),
    ("self-use", "kWh", "self_use", MWH_PER_KWH, 1),
    ("consumption", "kWh", "consumed", MWH_PER_KWH, 1),
    ("demand", "kW", "demand_w", 1000, 1),
    ("costs-bill", "", "cost", COIN_PARTS, 2),
)


def comparison_blocks(
    figures: Sequence[PeriodFigures], period: Period, currency: str, texts: Texts, zone: ZoneInfo
) -> Iterator[Block]:
    """A table of the period and the earlier ones that are whole; nothing without one."""
    if len(figures) < 2:
        return
    yield Heading(texts("compared"))
    names = [period_name(period, figure.start_ms, zone, texts) for figure in figures]
    columns = [Column(texts("compared-what"), 50), Column(names[0], 28, "right")]
    for name in names[1:]:
        columns += [Column(name, 28, "right"), Column(texts("compared-change"), 20, "right")]
    rows = []
    for key, unit, field, parts, decimals in _FIGURES:
        values = [getattr(figure, field) for figure in figures]
        if any(value is not None for value in values):
            unit_ = currency if field == "cost" else unit
            rows.append(_row(f"{texts(key)} [{unit_}]", [_scaled(v, parts) for v in values], decimals, texts))
    yield Table(texts("compared-sheet"), tuple(columns), tuple(rows))
    yield Text(texts("compared-note"), "note")


def _scaled(value: float | None, parts: int) -> float | None:
    return None if value is None else value / parts


def _row(name: str, values: Sequence[float | None], decimals: int, texts: Texts) -> tuple[Cell, ...]:
    now = values[0]
    cells: list[Cell] = [name, _cell(now, decimals, texts)]
    for then in values[1:]:
        change: Cell = ""
        if now is not None and then is not None:
            percent = change_percent(now, then)
            change = texts("undefined") if percent is None else Number(percent, 1)
        cells += [_cell(then, decimals, texts), change]
    return tuple(cells)


def _cell(value: float | None, decimals: int, texts: Texts) -> Cell:
    return texts("missing") if value is None else Number(value, decimals)
