"""Bars over time on a page: one group per day or month, a pattern of grey and outline so that no colour is needed."""

from math import floor, log10
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.platypus import Flowable

from meterd.adapters.documents.fonts import PLAIN, printable
from meterd.adapters.documents.formats import number
from meterd.adapters.documents.model import Bars

HEIGHT = 46 * mm
LEFT, BELOW, ABOVE = 16 * mm, 8 * mm, 7 * mm
FILLS = (
    HexColor(0x2F4B6E),
    HexColor(0xF2B84B),
    HexColor(0xFFFFFF),
)  # dark, light, outlined: distinguished also in grey
INK, RULE = HexColor(0x1C2430), HexColor(0xC4CAD1)
SIZE = 6.5


def scale(largest: float) -> float:
    """A round step, four to eight of which reach the largest value.

    >>> scale(4321.0), scale(0.0)
    (1000.0, 1.0)
    """
    if largest <= 0:
        return 1.0
    step: float = 10.0 ** floor(log10(largest))
    for part in (0.2, 0.5, 1.0):
        if largest / (step * part) <= 8:
            return step * part
    return step * 2


class BarChart(Flowable):  # type: ignore[misc]
    """Draws one `Bars`."""

    def __init__(self, bars: Bars, lang: str, width: float) -> None:
        super().__init__()
        self._bars, self._lang = bars, lang
        self.width, self.height = width, HEIGHT

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Its size is fixed."""
        return self.width, self.height

    def draw(self) -> None:
        """Axis, bars, legend."""
        values = [v for series in self._bars.series for v in series.values if v is not None]
        step = scale(max(values, default=0.0))
        top = step * max(1, -(-max(values, default=0.0) // step))
        canvas = self.canv
        canvas.saveState()
        canvas.setFont(PLAIN, SIZE)
        canvas.setLineWidth(0.3)
        self._axis(canvas, step, top)
        self._groups(canvas, top)
        self._legend(canvas)
        canvas.restoreState()

    def _y(self, value: float, top: float) -> float:
        return float(BELOW + (HEIGHT - BELOW - ABOVE) * value / top)

    def _axis(self, canvas: Any, step: float, top: float) -> None:
        level = 0.0
        decimals = 0 if step >= 1 else 1
        while level <= top + step / 2:
            y = self._y(level, top)
            canvas.setStrokeColor(RULE if level else INK)
            canvas.line(LEFT, y, self.width, y)
            canvas.setFillColor(INK)
            canvas.drawRightString(LEFT - 2 * mm, y - 2, number(level, decimals, self._lang))
            level += step
        canvas.drawString(0, HEIGHT - 2 * mm, self._bars.unit)

    def _groups(self, canvas: Any, top: float) -> None:
        bars = self._bars
        wide = (self.width - LEFT) / max(1, len(bars.labels))
        thin = wide * 0.8 / max(1, len(bars.series))
        canvas.setStrokeColor(INK)
        for i, label in enumerate(bars.labels):
            left = LEFT + wide * (i + 0.1)
            for j, series in enumerate(bars.series):
                value = series.values[i]
                canvas.setFillColor(FILLS[j])
                if value is None:
                    canvas.setFillColor(INK)
                    canvas.drawCentredString(left + thin * (j + 0.5), BELOW + 1.5, "?")
                elif value > 0:
                    canvas.rect(left + thin * j, BELOW, thin, self._y(value, top) - BELOW, fill=1)
            canvas.setFillColor(INK)
            canvas.drawCentredString(LEFT + wide * (i + 0.5), BELOW - 3.2 * mm, printable(label))

    def _legend(self, canvas: Any) -> None:
        x = LEFT
        texts = [series.name for series in self._bars.series]
        if any(v is None for series in self._bars.series for v in series.values):
            texts.append(f"? = {self._bars.missing}")
        for j, word in enumerate(texts):
            shown = printable(word)
            if j < len(self._bars.series):
                canvas.setFillColor(FILLS[j])
                canvas.rect(x, HEIGHT - 3.2 * mm, 3 * mm, 2.2 * mm, fill=1)
            canvas.setFillColor(INK)
            canvas.drawString(x + 4 * mm, HEIGHT - 3 * mm, shown)
            x += 8 * mm + stringWidth(shown, PLAIN, SIZE)
