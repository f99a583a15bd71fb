"""Courses on a page: lines or stacked areas over the local calendar, each with a letter, so that no colour is needed.

Where everything lies says `core/reports/chart.py`, the same as for the page; here it is drawn.
"""

from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from reportlab.lib.colors import Color, HexColor
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import Flowable

from meterd.adapters.documents.fonts import BOLD, PLAIN, printable
from meterd.adapters.documents.formats import number
from meterd.adapters.documents.model import Course
from meterd.adapters.documents.texts import Texts
from meterd.core.model.periods import local
from meterd.core.reports.axis import Grain, TimeTick
from meterd.core.reports.chart import Chart, Form, Place, Size, Track, chart

UNITS_WIDE, UNITS_HIGH = 760, 240  # of the plane in which the chart is laid out
TONES = tuple(
    HexColor(tone)
    for tone in (0x0B5C8F, 0xB35900, 0x3F3F46, 0x1A7F66, 0x8549A0, 0xB83A55, 0x7A6800, 0x4B86C4, 0x8B9199)
)
INK, RULE, CARD = HexColor(0x1C2430), HexColor(0xC4CAD1), HexColor(0xFFFFFF)
GONE = Color(0.6, 0.6, 0.6, alpha=0.3)
LETTERS = "ABCDEFGHI"
SIZE = 6.5
ROW = 11  # height of a line of the legend in points


class TimeChart(Flowable):  # type: ignore[misc]
    """Draws one `Course`."""

    def __init__(self, course: Course, lang: str, zone: ZoneInfo, width: float) -> None:
        super().__init__()
        self._course, self._words, self._zone = course, Texts(lang), zone
        self._scale = width / UNITS_WIDE
        self._rows = _legend_rows(course, width)
        self.width = width
        self.height = UNITS_HIGH * self._scale + ROW * len(self._rows)

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Its size is fixed."""
        return self.width, self.height

    def draw(self) -> None:
        """Legend above, then axes, areas, lines, letters."""
        course, canvas = self._course, self.canv
        tracks = [Track(s.values, (), i % len(TONES)) for i, s in enumerate(course.series)]
        size = Size(UNITS_WIDE, UNITS_HIGH, left=62, right=26, top=10, bottom=24)
        drawn = chart(Form(course.form), tracks, course.edges, size=size, zone=self._zone)
        canvas.saveState()
        self._legend(canvas)
        canvas.setFont(PLAIN, SIZE)
        self._axes(canvas, drawn)
        for low, high in drawn.missing:
            canvas.setFillColor(GONE)
            bottom, top = self._y(UNITS_HIGH - size.bottom), self._y(size.top)
            canvas.rect(low * self._scale, bottom, (high - low) * self._scale, top - bottom, stroke=0, fill=1)
        self._shapes(canvas, drawn)
        canvas.restoreState()

    def _y(self, unit: float) -> float:
        return (UNITS_HIGH - unit) * self._scale

    def _axes(self, canvas: Any, drawn: Chart) -> None:
        frame = drawn.frame
        right = (frame.size.width - frame.size.right) * self._scale
        canvas.setLineWidth(0.3)
        canvas.setFillColor(INK)
        for tick in frame.axis.ticks:
            y = self._y(frame.y(tick))
            canvas.setStrokeColor(RULE if tick else INK)
            canvas.line(frame.size.left * self._scale, y, right, y)
            texts = number(tick, frame.axis.digits, self._words.lang)
            canvas.drawRightString((frame.size.left - 6) * self._scale, y - 2, texts)
        canvas.setStrokeColor(INK)
        foot = self._y(frame.size.height - frame.size.bottom)
        for x, at in drawn.x_ticks:
            canvas.line(x * self._scale, foot, x * self._scale, foot - 2)
            if x * self._scale < right - 8:
                canvas.drawString(x * self._scale, foot - 9, tick_words(at, self._zone, self._words))

    def _shapes(self, canvas: Any, drawn: Chart) -> None:
        for area in drawn.areas:
            canvas.setFillColor(TONES[area.tone])
            canvas.setStrokeColor(CARD)
            canvas.drawPath(self._path(canvas, area.places, closed=True), stroke=1, fill=1)
        canvas.setLineWidth(0.7)
        for stroke in drawn.strokes:
            canvas.setStrokeColor(TONES[stroke.tone])
            canvas.drawPath(self._path(canvas, stroke.places, closed=False), stroke=1, fill=0)
        canvas.setFont(BOLD, SIZE)
        for mark in drawn.marks:
            canvas.setFillColor(CARD if mark.inside else TONES[mark.track % len(TONES)])
            place = canvas.drawCentredString if mark.inside else canvas.drawString
            place(mark.x * self._scale, self._y(mark.y), LETTERS[mark.track])

    def _path(self, canvas: Any, places: Sequence[Place], *, closed: bool) -> Any:
        path = canvas.beginPath()
        path.moveTo(places[0][0] * self._scale, self._y(places[0][1]))
        for x, y in places[1:]:
            path.lineTo(x * self._scale, self._y(y))
        if closed:
            path.close()
        return path

    def _legend(self, canvas: Any) -> None:
        """The unit, then a square with a letter and the name of each line."""
        y = self.height - SIZE - 1
        canvas.setFont(PLAIN, SIZE)
        canvas.setFillColor(INK)
        canvas.drawString(0, y, self._course.unit)
        for row in self._rows:
            for x, i, texts in row:
                canvas.setFillColor(TONES[i % len(TONES)])
                canvas.rect(x, y - 1.5, 9, 8, stroke=0, fill=1)
                canvas.setFillColor(CARD)
                canvas.setFont(BOLD, SIZE)
                canvas.drawCentredString(x + 4.5, y, LETTERS[i])
                canvas.setFillColor(INK)
                canvas.setFont(PLAIN, SIZE)
                canvas.drawString(x + 12, y, texts)
            y -= ROW


def tick_words(tick: TimeTick, zone: ZoneInfo, texts: Texts) -> str:
    """A moment of an axis: a date, a month, a year or a time of the day."""
    at = local(tick.at_ms, zone)
    month = printable(texts.month(at.month)[:3])
    if tick.grain is Grain.DAY:
        return f"{at.day}. {month}" if texts.lang == "de" else f"{at.day} {month}"
    return month if tick.grain is Grain.MONTH else f"{at:%H:%M}" if tick.grain is Grain.CLOCK else str(at.year)


def _legend_rows(course: Course, width: float) -> list[list[tuple[float, int, str]]]:
    """Place, number and words of the entries, as many in a row as there is room for."""
    left = 62 * width / UNITS_WIDE
    rows: list[list[tuple[float, int, str]]] = [[]]
    x = left
    for i, series in enumerate(course.series):
        texts = printable(series.name)
        wide = 20 + float(stringWidth(texts, PLAIN, SIZE))
        if rows[-1] and x + wide > width:
            rows.append([])
            x = left
        rows[-1].append((x, i, texts))
        x += wide
    return rows
