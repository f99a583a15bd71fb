"""What people see of the page of energies besides its values: the picture, its legend, the words of the range."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.texts import wording
from meterd.adapters.web.common import month_name
from meterd.adapters.web.number_column import NumberColumn, number_column
from meterd.adapters.web.pages.cost_words import cost_words
from meterd.adapters.web.pages.energy_cells import cells_of
from meterd.adapters.web.pages.energy_flow_pictures import bars_picture, flow_picture, flow_rows
from meterd.adapters.web.pages.energy_query import EnergyQuery
from meterd.adapters.web.pages.energy_values import EnergyView, Hours, Option, SeriesLine
from meterd.adapters.web.pictures import (
    BROAD,
    LETTERS,
    NARROW,
    Both,
    Reader,
    both,
    picture,
    roomy,
    tick_words,
    unit_of,
)
from meterd.core.energy.load_profile import HoursByDays
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds, local
from meterd.core.model.plan import Site
from meterd.core.reports.axis import time_ticks
from meterd.core.reports.chart import Form, Size, Track
from meterd.core.reports.duration_chart import duration_chart, duration_marks
from meterd.core.reports.heat_map import CLASSES, MISSING, HeatMap, heat_map

HEAT = Size(960, 400, left=58, right=12, top=8, bottom=24)
TALL = Size(0, 0, left=58, right=6, top=6, bottom=24)  # margins of the map on a phone
TALLEST, LEAST_HIGH, MOST_HIGH = 20, 60, 620  # units for each day, and for all of them together
MOST_AT_PEAK = 3  # energies that are named as the largest at the peak
MOST_BESIDE = 40  # points that are offered beside a single one; all of them stand in the list to choose from
OTHERS = 8  # the tone of what is drawn as one sum
POWER_STEPS = ("interval", "hour")


@dataclass(frozen=True, slots=True)
class LegendEntry:
    """A letter, a tone and a name."""

    letter: str
    tone: int
    words: str


@dataclass(frozen=True, slots=True)
class HeatPicture:
    """The map of hours by days: a path for each class with its words."""

    size: Size
    classes: tuple[tuple[str, str, str], ...]  # class of the style, path, words
    x_words: tuple[tuple[float, str], ...]
    y_words: tuple[tuple[float, str], ...]


def energy_pictures(view: EnergyView, site: Site, language: str) -> Mapping[str, object]:
    """Everything that the template needs besides the values."""
    reader = Reader(language, ZoneInfo(site.zone))
    power = view.step in POWER_STEPS
    named = [(line, name_of(line.key, line.title, language)) for line in view.drawn]
    columns = _columns(view, language)
    chart = _chart(view, reader, power=power) if view.query.picture in ("stacked", "lines", "bars") else None
    return {
        "name": lambda line: name_of(line.key, line.title, language),
        "chart": chart,
        "curve": _curve(view, reader) if view.curves else None,
        "heat": _heat(view.hours, reader) if view.hours is not None else None,
        "tall": _tall_heat(view.hours, reader) if view.hours is not None else None,
        "others": _others(view) if len(view.query.of) == 1 else [],
        "copies": {f"point:{point}" for copied in site.copied for point in copied.points},
        "local_month": lambda ms: month_name(ms, reader.zone),
        "costs": None if view.cost is None else cost_words(view.cost, language),
        "flow": flow_picture(view, site, language) if view.flows else None,
        "bars": bars_picture(view, site, language) if view.flows else None,
        "legend": [_entry(i, line, text) for i, (line, text) in enumerate(named)],
        "curve_legend": [
            LegendEntry(LETTERS[i], i, name_of(curve.key, curve.title, language)) for i, curve in enumerate(view.curves)
        ],
        "power": power,
        "shown": form_of(view),
        "range_words": range_words(view.from_ms, view.until_ms, view.period, reader),
        "before_words": "" if view.before_from_ms is None else _before_words(view, reader),
        "fields": _fields(view, reader.zone),
        "wider": _wider(view, view.query),
        "columns": columns,
        "cells_of": lambda root: cells_of(view, columns["step"], language, root),
        "at_peak_factor": _at_peak_factor(view),
        "peak_by": _peak_by(view, language),
        "flow_rows": flow_rows(view, site, language),
        "data": _data(view, [text for _, text in named], power=power, chart=chart),
    }


def form_of(view: EnergyView) -> str:
    """The picture that is drawn: what contains each other cannot be stacked."""
    asked = view.query.picture
    return "lines" if asked == "stacked" and view.overlapping else asked


def _others(view: EnergyView) -> list[Option]:
    """The points that can be shown beside a single one, by one click each."""
    options = [option for group in view.groups if group.name == "points" for option in group.options]
    if not any(option.chosen for option in options):
        return []
    return [option for option in options if not option.chosen][:MOST_BESIDE]


def name_of(key: str, title: str, language: str) -> str:
    """What people call an item."""
    kind, _, name = key.partition(":")
    if kind == "site":
        return wording.say(language, f"energy.site_{name}")
    if kind == "others":
        return wording.say(language, "energy.others", n=title)
    if kind == "total":
        return wording.say(language, "energy.total")
    if kind == "pattern":
        return wording.say(language, "energy.pattern", name=title or name)
    return title or name


def _entry(number: int, line: SeriesLine, text: str) -> LegendEntry:
    return LegendEntry(LETTERS[number], OTHERS if line.kind == "others" else number, text)


# -- lines, areas, bars ------------------------------------------------------------------------------------------------


def _scaled(view: EnergyView, *, power: bool) -> list[float]:
    """What an energy in mWh is multiplied with in each step: to W, or to Wh."""
    edges = view.edges
    return [HOUR_MS / (edges[i + 1] - edges[i]) / 1000 if power else 1 / 1000 for i in range(len(edges) - 1)]


def _chart(view: EnergyView, reader: Reader, *, power: bool) -> Both | None:
    factors = _scaled(view, power=power)
    form = Form(form_of(view))
    values = [[_times(v, f) for v, f in zip(line.values, factors, strict=True)] for line in view.drawn]
    before = [_times(v, f) for v, f in zip(view.before, factors, strict=True)] if _compared(view) else []
    divisor, unit = unit_of(_largest(form, values, before), power=power)
    tracks = [
        Track([_times(v, 1 / divisor) for v in row], _marked(line, len(row)), OTHERS if line.kind == "others" else i)
        for i, (line, row) in enumerate(zip(view.drawn, values, strict=True))
    ]
    if any(v is not None for v in before):
        tracks.append(Track([_times(v, 1 / divisor) for v in before], (), OTHERS, "before"))
    return both(form, tracks, view.edges, unit=unit, reader=reader, until_ms=view.known_until_ms)


def _compared(view: EnergyView) -> bool:
    """Whether the sum of the span before is drawn: not beside single lines, of which it is none."""
    return bool(view.before) and (form_of(view) == "stacked" or len(view.drawn) == 1)


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _marked(line: SeriesLine, count: int) -> list[bool]:
    rows = {*line.estimated, *line.partial}
    return [i in rows for i in range(count)]


def _largest(form: Form, rows: Sequence[Sequence[float | None]], before: Sequence[float | None]) -> float:
    sums = [sum(abs(v or 0.0) for v in step) for step in zip(*rows, strict=True)] if form is Form.STACKED else []
    singles = [abs(v) for row in (*rows, before) for v in row if v is not None]
    return max([*sums, *singles], default=0.0)


def _curve(view: EnergyView, reader: Reader) -> Both | None:
    divisor, unit = unit_of(max((abs(v) for c in view.curves for _, v in c.places), default=0.0), power=True)
    curves = [[(part, watt / divisor) for part, watt in curve.places] for curve in view.curves]
    if not any(curves):
        return None
    pictures = []
    for size in (BROAD, NARROW):
        frame, strokes = duration_chart(curves, roomy(duration_chart(curves, size)[0], reader.language))
        texts = tuple((frame.x(i / 4), f"{25 * i} %") for i in range(5))
        marks = tuple((m.x, m.y, LETTERS[m.track], m.inside) for m in duration_marks(curves, frame))
        pictures.append(picture(frame, unit, texts, reader.language, strokes=strokes, marks=marks))
    return Both(*pictures)


# -- hours by days -----------------------------------------------------------------------------------------------------


def _by_days(hours: Hours) -> HoursByDays:
    watt = np.array([[0 if w is None else w for w in row] for row in hours.watt], dtype=np.float64)
    present = np.array([[w is not None for w in row] for row in hours.watt], dtype=np.bool_)
    gone = np.array([[bool(x) for x in row] for row in hours.gone], dtype=np.bool_)
    return HoursByDays(tuple(hours.days_ms), watt, present, gone)


def _tall_heat(hours: Hours, reader: Reader) -> HeatPicture | None:
    """The map for a phone: hours to the right, days below each other. It is the broad one, turned by swapping its axes."""
    days = len(hours.days_ms)
    high = round(min(MOST_HIGH, max(LEAST_HIGH, TALLEST * days)))
    size = Size(
        NARROW.width, high + TALL.top + TALL.bottom, left=TALL.left, right=TALL.right, top=TALL.top, bottom=TALL.bottom
    )
    turned = Size(size.height, size.width, left=size.top, right=size.bottom, top=size.left, bottom=size.right)
    drawn = heat_map(_by_days(hours), turned)
    if drawn is None:
        return None
    cells = {kind: [(y, x, h, w) for x, y, w, h in some] for kind, some in drawn.cells.items()}
    ticks = time_ticks(hours.days_ms[0], hours.days_ms[-1], reader.zone, max(2, high // 40))
    place = {at: i for i, at in enumerate(hours.days_ms)}
    return HeatPicture(
        size,
        tuple(_classes(replace(drawn, cells=cells), reader.language)),
        tuple((drawn.y(hour), f"{hour:02d}:00") for hour in range(0, 24, 6)),
        tuple((drawn.x(place[t.at_ms], days), tick_words(t, reader)) for t in ticks if t.at_ms in place),
    )


def _heat(hours: Hours, reader: Reader) -> HeatPicture | None:
    drawn = heat_map(_by_days(hours), HEAT)
    if drawn is None:
        return None
    days = len(hours.days_ms)
    ticks = time_ticks(hours.days_ms[0], hours.days_ms[-1], reader.zone, 11)
    place = {at: i for i, at in enumerate(hours.days_ms)}
    return HeatPicture(
        HEAT,
        tuple(_classes(drawn, reader.language)),
        tuple((drawn.x(place[t.at_ms], days), tick_words(t, reader)) for t in ticks if t.at_ms in place),
        tuple((drawn.y(hour), f"{hour:02d}:00") for hour in range(0, 24, 3)),
    )


def _classes(drawn: HeatMap, language: str) -> list[tuple[str, str, str]]:
    ends = (*drawn.limits, drawn.top)
    column = number_column(ends, language, power=True)  # one unit for all of them
    results = []
    for kind in range(CLASSES):
        cells = drawn.cells.get(kind, [])
        text = f"{column.words(ends[kind])} – {column.words(ends[kind + 1])} {column.unit}"
        results.append((f"heat-{kind}", _cells(cells), text))
    if MISSING in drawn.cells:
        results.append(("heat-missing", _cells(drawn.cells[MISSING]), wording.say(language, "word.missing")))
    return results


def _cells(cells: Sequence[tuple[float, float, float, float]]) -> str:
    return "".join(f"M{x:g},{y:g}h{w:g}v{h:g}h-{w:g}z" for x, y, w, h in cells)


# -- words and fields --------------------------------------------------------------------------------------------------


def _columns(view: EnergyView, language: str) -> Mapping[str, NumberColumn]:
    energies = [v for line in view.ranking for v in (line.energy_mwh, line.before_mwh)]
    peaks = [line.peak_w for line in view.ranking]
    steps = [v for line in view.drawn for v in line.values]
    return {
        "energy": number_column(energies, language),
        "peak": number_column(peaks, language, power=True),
        "step": number_column(steps, language),
    }


def _at_peak_factor(view: EnergyView) -> float:
    """From the energy of the step of the peak in mWh to its mean power in W."""
    if view.total is None or view.total.peak_ms is None:
        return 0.0
    row = view.edges.index(view.total.peak_ms)
    return HOUR_MS / (view.edges[row + 1] - view.edges[row]) / 1000


def _peak_by(view: EnergyView, language: str) -> str:
    """The largest energies at the peak of the sum, with their powers; empty where only one is shown."""
    own = [(line.at_peak_mwh or 0, line) for line in view.ranking]
    largest = sorted((pair for pair in own if pair[0] > 0), key=lambda pair: (-pair[0], pair[1].key))[:MOST_AT_PEAK]
    factor = _at_peak_factor(view)
    column = number_column([energy * factor for energy, _ in largest], language, power=True)
    named = [
        f"{name_of(line.key, line.title, language)} {wording.unbroken(f'{column.words(energy * factor)} {column.unit}')}"
        for energy, line in largest
    ]
    return "; ".join(named) if len(own) > 1 else ""


def range_words(low: int, high: int, period: str, reader: Reader) -> str:
    """A range as people say it: a day, a month, a year, or from one day to another."""
    language, zone = reader.language, reader.zone
    if period == Period.DAY:
        return wording.day(language, low, zone)
    if period == Period.MONTH:
        return wording.month(language, low, zone)
    if period == Period.YEAR:
        return f"{local(low, zone):%Y}"
    if all(bounds(Period.DAY, at, zone, HOUR_MS)[0] == at for at in (low, high)):
        first, last = wording.day(language, low, zone), wording.day(language, high - 1, zone)
        return first if first == last else f"{first} – {last}"
    return f"{wording.moment(language, low, zone)} – {wording.moment(language, high, zone)}"


def _before_words(view: EnergyView, reader: Reader) -> str:
    assert view.before_from_ms is not None, "asked before"
    assert view.before_until_ms is not None, "both or neither"
    return range_words(view.before_from_ms, view.before_until_ms, "", reader)


def _fields(view: EnergyView, zone: ZoneInfo) -> tuple[str, str, str]:
    """Kind and contents of the two fields of a span: days where it is made of days, the last one included; else moments."""
    low, high = local(view.from_ms, zone), local(view.until_ms, zone)
    whole = all(bounds(Period.DAY, at, zone, HOUR_MS)[0] == at for at in (view.from_ms, view.until_ms))
    if whole:
        return "date", f"{low:%Y-%m-%d}", f"{high - timedelta(hours=1):%Y-%m-%d}"
    return "datetime-local", f"{low:%Y-%m-%dT%H:%M}", f"{high:%Y-%m-%dT%H:%M}"


def _wider(view: EnergyView, query: EnergyQuery) -> str:
    """The address of a range of twice the length around this one."""
    half = max((view.until_ms - view.from_ms) // 2, DAY_MS // 24)
    span = {"from": str(view.from_ms - half), "until": str(view.until_ms + half)}
    return query.address(range="span", at="", step="", **span)


_DIVISORS = {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}


def _data(view: EnergyView, names: Sequence[str], *, power: bool, chart: Both | None) -> dict[str, object]:
    """What the script needs to read the picture out, to zoom and to lead from a figure to its reasons."""
    factors = _scaled(view, power=power)
    return {
        "edges": view.edges,
        "until": view.known_until_ms,
        "step": view.step,
        "form": form_of(view),
        "power": power,
        "divisor": 1.0 if chart is None else _DIVISORS[chart.broad.unit.rstrip("Wh")],
        "again": "/energy?" + view.query.address(range="span", at="", step="", **{"from": "", "until": ""}),
        "series": [
            {
                "name": name,
                "why": line.why,
                "soft": sorted({*line.estimated, *line.partial}),
                "partial": line.partial,
                "values": [None if v is None else round(v * f, 1) for v, f in zip(line.values, factors, strict=True)],
            }
            for name, line in zip(names, view.drawn, strict=True)
        ],
    }
