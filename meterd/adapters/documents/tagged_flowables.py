"""Paragraphs, tables and charts that mark what they draw with its element of the structure."""

from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Flowable, Paragraph

from meterd.adapters.documents.fonts import printable
from meterd.adapters.documents.structure import Element


class Spaces:
    """Which lines of a text end between two words: there a space belongs, or a screen reader joins the words."""

    def __init__(self, text: str) -> None:
        self._rest = " ".join(text.split())

    def after(self, line: str) -> str:
        """What stands behind the next line of the text: a space or nothing.

        >>> spaces = Spaces("a long-word here")
        >>> [spaces.after(line) for line in ("a", "long-", "word here")]
        [' ', '', '']
        """
        self._rest = self._rest.strip().removeprefix(line.strip())
        return " " if self._rest.startswith(" ") else ""


class TaggedParagraph(Paragraph):  # type: ignore[misc]
    """A paragraph whose pieces on several pages are one element. Drawn again, as the head of a table, it is an artifact."""

    element: Element | None = None
    spaces: Spaces

    def split(self, width: float, height: float) -> list[Paragraph]:
        """The pieces; each belongs to the same element."""
        pieces: list[Paragraph] = super().split(width, height)
        for piece in pieces:
            piece.element, piece.spaces = self.element, self.spaces
        return pieces

    def draw(self) -> None:
        """The text with a space after each line that ends between words; an empty paragraph has no mark."""
        lines = self.blPara.lines
        if not any(text for _, text in lines):
            return
        if self.element is not None:
            for i, (extra, texts) in enumerate(lines):
                lines[i] = (extra, [*texts[:-1], texts[-1] + self.spaces.after(" ".join(texts))])
        with self.canv.marked(self.element):
            super().draw()
        self.element = None


def paragraph(element: Element, text: str, style: ParagraphStyle) -> TaggedParagraph:
    """A paragraph of plain text."""
    plain = printable(text)
    result = TaggedParagraph(escape(plain), style)
    if len(result.frags) > 1:  # an "&" makes three of one, which the lines would be made of
        result.frags[0].text = plain
        del result.frags[1:]
    result.element, result.spaces = element, Spaces(plain)
    return result


class Described(Flowable):  # type: ignore[misc]
    """A chart as one figure: what it says in words, and where it is."""

    def __init__(self, chart: Flowable, element: Element) -> None:
        super().__init__()
        self._chart, self._element = chart, element

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """The size of the chart."""
        self.width, self.height = self._chart.wrap(width, height)
        return self.width, self.height

    def draw(self) -> None:
        """The chart, marked."""
        x, y = self.canv.absolutePosition(0, 0)
        self._element.box = (x, y, x + self.width, y + self.height)
        with self.canv.marked(self._element):
            self._chart.drawOn(self.canv, 0, 0)


def mark_rules(table: Any, event: str, *_: Any) -> None:
    """Called by a table while it is drawn: its backgrounds and rules are artifacts."""
    if event in {"startBG", "startLines"}:
        table.canv.open_mark()
    elif event in {"endBG", "endLines"}:
        table.canv.close_mark()
