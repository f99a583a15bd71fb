"""Charts as they are drawn on the page: paths, words at the axes in the reader's language, in a broad and a narrow form.

Every picture is SVG made here, so it is there without a script, prints, and is the same in every browser.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil
from zoneinfo import ZoneInfo

from meterd.adapters.texts import wording
from meterd.core.model.periods import DAY_MS, local
from meterd.core.reports.axis import Grain, TimeTick
from meterd.core.reports.chart import Area, Band, Chart, Form, Frame, Place, Size, Stroke, Track, chart

BROAD = Size(960, 330)
NARROW = Size(346, 270, left=46, right=18)
DIGIT, MINUS, POINT = 0.64, 0.84, 0.32  # widths of what numbers are written with, in heights of their letters
LETTER = {BROAD.width: 14, NARROW.width: 12}  # height of the words at the axes: at most, on a wall
BESIDE = 8  # of a value, between the edge of the picture and its plane
GAP = 1.6  # of the usual step: above it a step is left out; days are up to 25 hours long
OTHER_TONE = 8
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class Picture:
    """A chart with its words; places are units of its own plane. `low` and `high` are the ends of its axis of values."""

    size: Size
    unit: str
    y_words: tuple[tuple[float, str], ...]
    x_words: tuple[tuple[float, str], ...]
    areas: tuple[tuple[str, str], ...]  # path and classes
    strokes: tuple[tuple[str, str], ...]
    missing: tuple[tuple[float, float], ...]
    marks: tuple[tuple[float, float, str, bool], ...]  # inside an area or not
    zero: float
    low: float
    high: float
    event: tuple[float, str] | None = None  # a moment that is marked, with its words


@dataclass(frozen=True, slots=True)
class Both:
    """The same picture for a desk and for a phone."""

    broad: Picture
    narrow: Picture


@dataclass(frozen=True, slots=True)
class Reader:
    """For whom words are written: language and zone of the times."""

    language: str
    zone: ZoneInfo


def unit_of(largest: float, *, power: bool) -> tuple[float, str]:
    """Divisor and name of the unit in which values up to this are shown; they come in W, or in Wh.

    >>> unit_of(87_000, power=True)
    (1000.0, 'kW')
    """
    for factor, prefix in ((1e9, "G"), (1e6, "M"), (1e3, "k")):
        if largest >= factor * (10 if factor > 1e3 else 1):
            return factor, prefix + ("W" if power else "Wh")
    return 1.0, "W" if power else "Wh"


def both(
    form: Form, tracks: Sequence[Track], edges: Sequence[int], *, unit: str, reader: Reader,
    bands: Sequence[Band] = (), until_ms: int | None = None, event: tuple[int, str] | None = None,
) -> Both | None:  # fmt: skip
    """A chart of steps in both sizes; None where nothing is known."""
    if len(edges) < 2 or not any(v is not None for track in tracks for v in track.values):
        return None
    made = []
    for size in (BROAD, NARROW):
        drawn = chart(form, tracks, edges, size=size, zone=reader.zone, bands=bands, until_ms=until_ms)
        wide = roomy(drawn.frame, reader.language)
        if wide != size:
            drawn = chart(form, tracks, edges, size=wide, zone=reader.zone, bands=bands, until_ms=until_ms)
        made.append(_timed(drawn, unit, reader, event))
    return Both(*made)


def roomy(frame: Frame, language: str) -> Size:
    """The size of a plane with as much room on its left as the longest value of its axis takes: a minus must be read."""
    texts = [wording.number(language, tick, frame.axis.digits) for tick in frame.axis.ticks]
    width = max((_width(word) for word in texts), default=0.0) * LETTER[frame.size.width]
    return replace(frame.size, left=max(frame.size.left, ceil(width) + BESIDE))


def _width(number: str) -> float:
    return sum(DIGIT if sign.isdigit() else MINUS if sign == wording.MINUS else POINT for sign in number)


def _timed(drawn: Chart, unit: str, reader: Reader, event: tuple[int, str] | None) -> Picture:
    texts = tuple((x, tick_words(tick, reader)) for x, tick in drawn.x_ticks)
    marks = tuple((m.x, m.y, LETTERS[m.track], m.inside) for m in drawn.marks)
    result = picture(
        drawn.frame, unit, texts, reader.language, strokes=drawn.strokes, areas=drawn.areas, missing=drawn.missing,
        marks=marks,
    )  # fmt: skip
    return result if event is None else replace(result, event=(drawn.frame.x(event[0]), event[1]))


def picture(
    frame: Frame, unit: str, x_words: tuple[tuple[float, str], ...], language: str, *, strokes: Sequence[Stroke],
    areas: Sequence[Area] = (), missing: Sequence[tuple[float, float]] = (),
    marks: tuple[tuple[float, float, str, bool], ...] = (),
) -> Picture:  # fmt: skip
    """A plane with what is drawn in it, and words at its axes."""
    axis = frame.axis
    return Picture(
        size=frame.size,
        unit=unit,
        y_words=tuple((frame.y(tick), wording.number(language, tick, axis.digits)) for tick in axis.ticks),
        x_words=x_words,
        areas=tuple((f"M{_path(a.places)}Z", f"area {a.style} tone-{a.tone}") for a in areas),
        strokes=tuple((f"M{_path(s.places)}", f"stroke {s.style} tone-{s.tone}") for s in strokes),
        missing=tuple((x, round(after - x, 1)) for x, after in missing),
        marks=marks,
        zero=frame.y(0.0),
        low=axis.low,
        high=axis.high,
    )


def _path(places: Sequence[Place]) -> str:
    texts = {value: f"{value:g}" for value in {value for place in places for value in place}}  # a step has each twice
    return "L".join([f"{texts[x]},{texts[y]}" for x, y in places])


def tick_words(tick: TimeTick, reader: Reader) -> str:
    """A moment of an axis: a clock time, a date, a month or a year."""
    moment = local(tick.at_ms, reader.zone)
    match tick.grain:
        case Grain.CLOCK:
            return f"{moment:%H:%M}"
        case Grain.DAY:
            return wording.short_day(reader.language, moment)
        case Grain.MONTH:
            return wording.short_month(reader.language, moment)
        case _:
            return f"{moment.year:04d}"


@dataclass(frozen=True, slots=True)
class StepsLegend:
    """A line or a band of a chart of steps."""

    letter: str
    tone: int
    words: str
    band: bool = False


@dataclass(frozen=True, slots=True)
class StepsPicture:
    """A chart of steps in both sizes with its legend."""

    pictures: Both
    legend: tuple[StepsLegend, ...]


Line = tuple[str, Sequence[float | None], float]  # words, values, and what these are multiplied with


def steps_picture(
    starts_ms: Sequence[int], unit: str, lines: Sequence[Line], *, band: Line | None, reader: Reader,
    event: tuple[int, str] | None = None,
) -> StepsPicture | None:  # fmt: skip
    """Lines over steps that begin there, with a band around zero; the last step is as long as most. None without a value.

    Where steps are left out between two starts there is a gap.
    """
    if not starts_ms:
        return None
    edges, rows = _edges(starts_ms)
    tracks = [Track(_placed(values, factor, rows), (), tone) for tone, (_, values, factor) in enumerate(lines)]
    bands = []
    if band is not None:
        high = _placed(band[1], band[2], rows)
        bands = [Band([None if v is None else -v for v in high], high, OTHER_TONE)]
    drawn = both(Form.LINES, tracks, edges, unit=unit, reader=reader, bands=bands, event=event)
    several = len(lines) > 1
    legend = [StepsLegend(LETTERS[i] if several else "", i, text) for i, (text, _, _) in enumerate(lines)]
    legend += [StepsLegend("±", OTHER_TONE, band[0], band=True)] if band is not None else []
    return None if drawn is None else StepsPicture(drawn, tuple(legend))


def _edges(starts_ms: Sequence[int]) -> tuple[list[int], list[int | None]]:
    """Edges of all steps, and which of the given ones each is; None for a gap between two of them."""
    lengths = sorted(after - at for at, after in pairwise(starts_ms))
    usual = lengths[len(lengths) // 2] if lengths else DAY_MS
    edges: list[int] = []
    rows: list[int | None] = []
    for row, at in enumerate(starts_ms):
        if edges and at - edges[-1] > usual * GAP:
            edges.append(edges[-1] + usual)
            rows.append(None)
        edges.append(at)
        rows.append(row)
    return [*edges, starts_ms[-1] + usual], rows


def _placed(values: Sequence[float | None], factor: float, rows: Sequence[int | None]) -> list[float | None]:
    """The values of the rows in the unit of the chart."""
    chosen = [None if row is None else values[row] for row in rows]
    return [None if value is None else value * factor for value in chosen]
