"""Hours by days on a page: a cell for each hour in one of eight tones, the lightest for the lowest power.

Where everything lies says `core/reports/heat_map.py`, the same as for the page; here it is drawn.
"""

from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from reportlab.lib.colors import HexColor
from reportlab.platypus import Flowable

from meterd.adapters.documents.fonts import PLAIN, printable
from meterd.adapters.documents.formats import number
from meterd.adapters.documents.model import HoursMap
from meterd.adapters.documents.texts import Texts
from meterd.adapters.documents.time_chart import GONE, INK, RULE, SIZE, UNITS_HIGH, UNITS_WIDE, tick_words
from meterd.core.energy.load_profile import HOURS
from meterd.core.reports.axis import time_ticks
from meterd.core.reports.chart import Size
from meterd.core.reports.heat_map import CLASSES, MISSING, HeatMap, heat_map

TONES = tuple(HexColor(t) for t in (0xE8F0F5, 0xC9DFEC, 0xA3C9E0, 0x7AAFD0, 0x5291BB, 0x2F72A0, 0x155480, 0x06304F))
PLANE = Size(UNITS_WIDE, UNITS_HIGH, left=62, right=26, top=4, bottom=24)
LEGEND = 13  # height of the legend in points
MOST_TICKS = 11
W_PER_KW = 1000
WHOLE_KW = 5


class HoursChart(Flowable):  # type: ignore[misc]
    """Draws one `HoursMap`; nothing but its legend where no hour is known."""

    def __init__(self, block: HoursMap, lang: str, zone: ZoneInfo, width: float) -> None:
        super().__init__()
        self._block, self._words, self._zone = block, Texts(lang), zone
        self._map = heat_map(block.hours, PLANE)
        self._scale = width / UNITS_WIDE
        self.width = width
        self.height = UNITS_HIGH * self._scale + LEGEND

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Its size is fixed."""
        return self.width, self.height

    def draw(self) -> None:
        """Legend above, then cells, then the words of both axes."""
        if self._map is None:
            return
        canvas = self.canv
        canvas.saveState()
        canvas.setFont(PLAIN, SIZE)
        self._legend(canvas, self._map)
        for kind, cells in sorted(self._map.cells.items()):
            path = canvas.beginPath()
            for x, y, wide, high in cells:
                path.rect(x * self._scale, self._y(y + high), wide * self._scale, high * self._scale)
            canvas.setFillColor(GONE if kind == MISSING else TONES[kind])
            canvas.drawPath(path, stroke=0, fill=1)
        self._axes(canvas, self._map)
        canvas.restoreState()

    def _y(self, unit: float) -> float:
        return (UNITS_HIGH - unit) * self._scale

    def _axes(self, canvas: Any, drawn: HeatMap) -> None:
        canvas.setFillColor(INK)
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.3)
        for hour in range(0, HOURS, 3):
            texts = f"{hour:02d}:00"
            canvas.drawRightString((PLANE.left - 6) * self._scale, self._y(drawn.y(hour)) - SIZE + 1, texts)
        days, foot = self._block.hours.day_ms, self._y(drawn.y(HOURS))
        place = {at: i for i, at in enumerate(days)}
        for tick in time_ticks(days[0], days[-1], self._zone, MOST_TICKS):
            if tick.at_ms in place:
                x = drawn.x(place[tick.at_ms], len(days)) * self._scale
                canvas.line(x, foot, x, foot - 2)
                canvas.drawString(x, foot - 9, tick_words(tick, self._zone, self._words))

    def _legend(self, canvas: Any, drawn: HeatMap) -> None:
        """The unit, then a square and its range for each tone, and the word for a gap."""
        y, left = self.height - SIZE - 1, PLANE.left * self._scale
        canvas.setFillColor(INK)
        canvas.drawString(0, y, "kW")
        canvas.setStrokeColor(RULE)
        canvas.setLineWidth(0.3)
        entries = list(self._entries(drawn))
        for i, (tone, texts) in enumerate(entries):
            x = left + (self.width - left) * i / len(entries)
            canvas.setFillColor(tone)
            canvas.rect(x, y - 1.5, 9, 8, stroke=1, fill=1)
            canvas.setFillColor(INK)
            canvas.drawString(x + 12, y, printable(texts))

    def _entries(self, drawn: HeatMap) -> Iterator[tuple[Any, str]]:
        ends, lang = (*drawn.limits, drawn.top), self._words.lang
        places = (
            1 if ends[1] - ends[0] < WHOLE_KW * W_PER_KW else 0
        )  # of steps of whole kilowatts none: the words stand close
        for kind in range(CLASSES):
            low, high = (number(ends[kind + side] / W_PER_KW, places, lang) for side in (0, 1))
            yield TONES[kind], f"{low} – {high}"
        if MISSING in drawn.cells:
            yield GONE, self._block.missing
