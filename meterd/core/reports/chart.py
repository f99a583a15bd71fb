"""Charts of values over steps of time, as places in a plane: lines, stacked areas, bars. Nothing here knows words or colours.

A value holds for its whole step, so every line is drawn in steps and the last step has its width. Coordinates are units of
about a pixel with the origin at the top left, rounded to a tenth.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import groupby, pairwise
from zoneinfo import ZoneInfo

from meterd.core.reports.axis import Axis, TimeTick, time_ticks, value_axis

Place = tuple[float, float]
TICK_WIDTH, TICK_HEIGHT = 74, 44  # room for a label of each axis
LETTER_HEIGHT = 12
BAR_GAP = 0.15  # of a step, free on both sides of its bars


class Form(StrEnum):
    """How tracks are drawn."""

    LINES = "lines"
    STACKED = "stacked"
    BARS = "bars"


@dataclass(frozen=True, slots=True)
class Track:
    """Values of one line in the unit of the chart, None = missing, and which of them are estimated."""

    values: Sequence[float | None]
    estimated: Sequence[bool] = ()
    tone: int = 0
    style: str = "solid"  # or "before" for what it is compared with, "limit"

    def is_estimated(self, i: int) -> bool:
        """Whether a value is estimated."""
        return bool(self.estimated) and bool(self.estimated[i])


@dataclass(frozen=True, slots=True)
class Band:
    """An area between two values of each step."""

    low: Sequence[float | None]
    high: Sequence[float | None]
    tone: int = 0


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through places. Style: `solid`, `estimated`, `before` or `limit`."""

    places: tuple[Place, ...]
    tone: int
    style: str


@dataclass(frozen=True, slots=True)
class Area:
    """A closed area. Style: `solid`, `estimated` or `band`."""

    places: tuple[Place, ...]
    tone: int
    style: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A place at which a track bears its letter: beside the end of a line, or `inside` an area. `track` is its number."""

    x: float
    y: float
    track: int
    inside: bool = False


@dataclass(frozen=True, slots=True)
class Size:
    """Outer measures and margins: `left` holds the values, `bottom` the moments."""

    width: int
    height: int
    left: int = 58
    right: int = 26
    top: int = 24
    bottom: int = 24


@dataclass(frozen=True, slots=True)
class Frame:
    """The plane: from values to coordinates."""

    size: Size
    x_low: float
    x_high: float
    axis: Axis

    def x(self, value: float) -> float:
        """Where a moment lies."""
        width = self.size.width - self.size.left - self.size.right
        return round(self.size.left + width * (value - self.x_low) / (self.x_high - self.x_low), 1)

    def y(self, value: float) -> float:
        """Where a value lies."""
        height = self.size.height - self.size.top - self.size.bottom
        return round(self.size.top + height * (self.axis.high - value) / (self.axis.high - self.axis.low), 1)

    def ys(self, values: Sequence[float | None]) -> list[float]:
        """Where many values lie, nothing as zero: the same as y() of each, a chart of a year has ten thousand."""
        top, high, span = self.size.top, self.axis.high, self.axis.high - self.axis.low
        height = self.size.height - top - self.size.bottom
        return [round(top + height * (high - (value or 0.0)) / span, 1) for value in values]


@dataclass(frozen=True, slots=True)
class Chart:
    """Everything to draw. `missing` are spans in x in which a value is missing."""

    frame: Frame
    x_ticks: tuple[tuple[float, TimeTick], ...]
    areas: tuple[Area, ...]
    strokes: tuple[Stroke, ...]
    missing: tuple[tuple[float, float], ...]
    marks: tuple[Mark, ...]


def chart(
    form: Form,
    tracks: Sequence[Track],
    edges: Sequence[int],
    *,
    size: Size,
    zone: ZoneInfo,
    bands: Sequence[Band] = (),
    until_ms: int | None = None,
) -> Chart:
    """A chart of steps with these edges in ms UTC. What begins at `until_ms` or later is not missing but to come."""
    own = [track for track in tracks if track.style == "solid"]
    low, high = _extent(form, tracks, bands)
    axis = value_axis(low, high, max(2, (size.height - size.top - size.bottom) // TICK_HEIGHT))
    frame = Frame(size, edges[0], edges[-1], axis)
    xs = [frame.x(edge) for edge in edges]
    areas: list[Area] = [area for band in bands for area in _band(band, xs, frame)]
    strokes: list[Stroke] = []
    if form is Form.STACKED:
        areas += _stacked(own, xs, frame)
    elif form is Form.BARS:
        areas += _bars(own, xs, frame)
    else:
        strokes += [stroke for track in own for stroke in _line(track, xs, frame)]
    strokes += [s for track in tracks if track.style != "solid" for s in _line(track, xs, frame)]
    due = len(edges) - 1 if until_ms is None else sum(edge < until_ms for edge in edges[:-1])
    most = max(2, (size.width - size.left - size.right) // TICK_WIDTH)
    ticks = [(frame.x(t.at_ms), t) for t in time_ticks(edges[0], edges[-1], zone, most, _shortest(edges))]
    return Chart(
        frame=frame,
        x_ticks=tuple(ticks),
        areas=tuple(areas),
        strokes=tuple(strokes),
        missing=tuple(_missing(own, xs, due)),
        marks=tuple(_marks(form, own, xs, frame=frame)),
    )


def _shortest(edges: Sequence[int]) -> int:
    return min(after - at for at, after in pairwise(edges))


def _extent(form: Form, tracks: Sequence[Track], bands: Sequence[Band]) -> tuple[float, float]:
    """The lowest and the highest value to be drawn."""
    values = [v for track in tracks if form is not Form.STACKED or track.style != "solid" for v in track.values]
    values += [v for band in bands for v in (*band.low, *band.high)]
    if form is Form.STACKED:
        own = [track.values for track in tracks if track.style == "solid"]
        values += [sum(v for v in row if v is not None and v > 0) for row in zip(*own, strict=True)]
        values += [sum(v for v in row if v is not None and v < 0) for row in zip(*own, strict=True)]
    known = [v for v in values if v is not None]
    return (min(known), max(known)) if known else (0.0, 1.0)


def _runs(known: Sequence[object]) -> Iterator[tuple[object, int, int]]:
    """Runs of equal keys that are not None: key, first row and row behind the last."""
    at = 0
    for key, group in groupby(known):
        count = len(list(group))
        if key is not None:
            yield key, at, at + count
        at += count


def _line(track: Track, xs: Sequence[float], frame: Frame) -> Iterator[Stroke]:
    """One stroke for each run of known values of one quality; it begins where the one before ended."""
    keys = [None if v is None else track.is_estimated(i) for i, v in enumerate(track.values)]
    for estimated, first, after in _runs(keys):
        places: list[Place] = []
        before = track.values[first - 1] if first else None
        if before is not None:
            places.append((xs[first], frame.y(before)))
        places += _steps(xs[first : after + 1], frame.ys(track.values[first:after]))
        style = track.style if track.style != "solid" else "estimated" if estimated else "solid"
        yield Stroke(tuple(places), track.tone, style)


def _band(band: Band, xs: Sequence[float], frame: Frame) -> Iterator[Area]:
    keys = [None if low is None or high is None else True for low, high in zip(band.low, band.high, strict=True)]
    for _, first, after in _runs(keys):
        yield _between(band.low, band.high, rows=(first, after), xs=xs, frame=frame, look=(band.tone, "band"))


def _between(
    low: Sequence[float | None],
    high: Sequence[float | None],
    *,
    rows: tuple[int, int],
    xs: Sequence[float],
    frame: Frame,
    look: tuple[int, str],
) -> Area:
    """The area between two stepped edges."""
    first, after = rows
    there = _steps(xs[first : after + 1], frame.ys(high[first:after]))
    back = _steps(xs[first : after + 1], frame.ys(low[first:after]))
    return Area((*there, *reversed(back)), *look)


def _steps(xs: Sequence[float], ys: Sequence[float]) -> list[Place]:
    """Both ends of each step; there is one edge more than steps."""
    return [place for (at, after), y in zip(pairwise(xs), ys, strict=True) for place in ((at, y), (after, y))]


def _stacked(tracks: Sequence[Track], xs: Sequence[float], frame: Frame) -> Iterator[Area]:
    """Areas one on the other: what is positive above the line of zero, what is negative below it."""
    count = len(xs) - 1
    up, down = [0.0] * count, [0.0] * count
    for track in tracks:
        low: list[float | None] = []
        high: list[float | None] = []
        for i, value in enumerate(track.values):
            base = up if (value or 0.0) >= 0 else down
            low.append(base[i])
            base[i] += value or 0.0
            high.append(base[i])
        keys = [None if v is None else (v >= 0, track.is_estimated(i)) for i, v in enumerate(track.values)]
        for key, first, after in _runs(keys):
            assert isinstance(key, tuple), "made above"
            look = (track.tone, "estimated" if key[1] else "solid")
            yield _between(low, high, rows=(first, after), xs=xs, frame=frame, look=look)


def _bars(tracks: Sequence[Track], xs: Sequence[float], frame: Frame) -> Iterator[Area]:
    """Bars beside each other in each step."""
    zero = frame.y(0.0)
    for j, track in enumerate(tracks):
        for i, value in enumerate(track.values):
            if value is None:
                continue
            step = xs[i + 1] - xs[i]
            width = step * (1 - 2 * BAR_GAP) / len(tracks)
            left, top = round(xs[i] + step * BAR_GAP + j * width, 1), frame.y(value)
            right = round(left + width, 1)
            style = "estimated" if track.is_estimated(i) else "solid"
            yield Area(((left, zero), (left, top), (right, top), (right, zero)), track.tone, style)


def _missing(tracks: Sequence[Track], xs: Sequence[float], due: int) -> Iterator[tuple[float, float]]:
    """Spans in which a value of any track is missing."""
    keys = [True if any(t.values[i] is None for t in tracks) else None for i in range(due)]
    for _, first, after in _runs(keys):
        yield xs[first], xs[after]


def _marks(form: Form, tracks: Sequence[Track], xs: Sequence[float], *, frame: Frame) -> Iterator[Mark]:
    """Where tracks bear their letters; a single one needs none, and bars stand in their order."""
    if form is Form.BARS or len(tracks) < 2:
        return
    yield from _marks_inside(tracks, xs, frame) if form is Form.STACKED else _marks_behind(tracks, xs, frame)


def _marks_inside(tracks: Sequence[Track], xs: Sequence[float], frame: Frame) -> Iterator[Mark]:
    """In the thickest place of each area, if there is room for a letter."""
    up = [0.0] * (len(xs) - 1)
    for number, track in enumerate(tracks):
        spans = [(base, base + max(v or 0.0, 0.0)) for base, v in zip(up, track.values, strict=True)]
        up = [high for _, high in spans]
        row = max(range(len(spans)), key=lambda i: spans[i][1] - spans[i][0])
        low, high = frame.y(spans[row][0]), frame.y(spans[row][1])
        if low - high >= LETTER_HEIGHT:
            yield Mark(round((xs[row] + xs[row + 1]) / 2, 1), round((low + high) / 2 + 4, 1), number, inside=True)


def _marks_behind(tracks: Sequence[Track], xs: Sequence[float], frame: Frame) -> Iterator[Mark]:
    """Behind the last known value of each line, moved apart where they would cover each other."""
    last = max((i for t in tracks for i, v in enumerate(t.values) if v is not None), default=-1)
    ends = [(frame.y(v), n) for n, t in enumerate(tracks) if last >= 0 and (v := t.values[last]) is not None]
    lowest = float(frame.size.height - frame.size.bottom)
    places: list[tuple[float, int]] = []
    for y, number in sorted(ends, reverse=True):  # from the foot upwards
        lowest = min(y, lowest)
        places.append((lowest, number))
        lowest -= LETTER_HEIGHT
    for y, number in places:
        yield Mark(xs[last + 1] + 4, round(y + 4, 1), number)
