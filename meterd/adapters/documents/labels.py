"""Labels for meters and terminals: A4, two by seven, each with a QR code that carries the topic of its point."""

import io
from collections.abc import Sequence
from dataclasses import dataclass
from math import floor

from reportlab.graphics import renderPDF
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.shapes import Drawing
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth

from meterd import __version__
from meterd.adapters.documents.acceptance import PlanRevision
from meterd.adapters.documents.fonts import BOLD, PLAIN, letters, printable
from meterd.adapters.documents.plan_cells import fitted_now, topic
from meterd.adapters.documents.structure import Element, TaggedCanvas
from meterd.adapters.documents.tagged_flowables import Spaces
from meterd.adapters.documents.texts import Texts
from meterd.core.model.plan import Point, PointState

ACROSS, DOWN = 2, 7
WIDE, HIGH = 90 * mm, 38 * mm
LEFT, TOP = (A4[0] - ACROSS * WIDE) / 2, (A4[1] - DOWN * HIGH) / 2
QR = 30 * mm
EDGE = 4 * mm
_TEXT_WIDE = WIDE - QR - 3 * EDGE
_LINE = 10
INK, CUT = HexColor(0x000000), HexColor(0xB5BCC4)


@dataclass(frozen=True, slots=True)
class Label:
    """What one label says. `code` is what its QR code carries."""

    name: str
    lines: tuple[str, ...]
    code: str


def labels_of(revision: PlanRevision, points: Sequence[Point], lang: str) -> tuple[Label, ...]:
    """One label for each point that is not retired."""
    texts = Texts(lang)
    labels = []
    for point in points:
        if point.state is PointState.RETIRED:
            continue
        instrument = fitted_now(revision.site, point.name)
        serial = f"{texts('serial')} {instrument.serial}" if instrument is not None and instrument.serial else ""
        lines = (point.title, point.place, point.designation, serial)
        labels.append(Label(point.name, tuple(line for line in lines if line), topic(revision.site, point)))
    return tuple(labels)


def label_pdf(revision: PlanRevision, labels: Sequence[Label], lang: str) -> bytes:
    """The sheets."""
    letters()
    texts, out = Texts(lang), io.BytesIO()
    root = Element("Document")
    canvas = TaggedCanvas(out, root=root, pagesize=A4, invariant=1, lang=lang)
    canvas.setTitle(printable(texts("labels-title", site=revision.site.title or revision.site.name)))
    canvas.setCreator(f"meterd {__version__}")
    canvas.setViewerPreference("DisplayDocTitle", "true")
    for i, label in enumerate(labels):
        place = i % (ACROSS * DOWN)
        if i and not place:
            canvas.showPage()
        across, down = place % ACROSS, place // ACROSS
        corner = LEFT + across * WIDE, A4[1] - TOP - (down + 1) * HIGH
        part = root.add("Sect")
        _label(canvas, label, corner, part)
        _code(canvas, label.code, corner, part.add("Figure", alt=printable(texts("alt-code", topic=label.code))))
        if not place:
            foot = texts("foot", site=revision.site.name, plan=revision.revision[:12], program=revision.program)
            with canvas.marked():
                canvas.setFont(PLAIN, 6)
                canvas.drawString(LEFT, TOP / 2, printable(foot))
    canvas.save()
    return out.getvalue()


def _label(canvas: TaggedCanvas, label: Label, corner: tuple[float, float], part: Element) -> None:
    x, y = corner
    with canvas.marked():
        canvas.setStrokeColor(CUT)
        canvas.setLineWidth(0.3)
        canvas.rect(x, y, WIDE, HIGH)
        canvas.setFillColor(INK)
    at = y + HIGH - EDGE - 9
    size = _fitting(label.name, BOLD, _TEXT_WIDE, largest=13)
    with canvas.marked(part.add("P")):
        for line in wrapped(label.name, BOLD, size, width=_TEXT_WIDE)[:2]:
            canvas.setFont(BOLD, size)
            canvas.drawString(x + EDGE, at, line)
            at -= size + 3
    for text in map(printable, label.lines):
        lines, spaces = wrapped(text, PLAIN, 7.5, width=_TEXT_WIDE)[:2], Spaces(text)
        lines = lines[: max(0, floor((at - y - EDGE + 2) / _LINE) + 1)]
        if not lines:
            return
        with canvas.marked(part.add("P")):
            canvas.setFont(PLAIN, 7.5)
            for line in lines:
                canvas.drawString(x + EDGE, at, line + spaces.after(line))
                at -= _LINE


def _fitting(text: str, font: str, width: float, *, largest: float) -> float:
    """The size at which a text fits into a width, not below 8: then it is wrapped."""
    needed = stringWidth(text, font, largest)
    return max(8.0, min(largest, largest * width / needed)) if needed else largest


def wrapped(text: str, font: str, size: float, *, width: float) -> list[str]:
    """The text in lines of a width; a word that is longer is cut where it has to be."""
    lines, line = [], ""
    for word in text.split():
        wanted = f"{line} {word}".strip()
        if stringWidth(wanted, font, size) <= width:
            line = wanted
            continue
        if line:
            lines.append(line)
        line = word
        while stringWidth(line, font, size) > width:
            keep = next(n for n in range(len(line) - 1, 0, -1) if stringWidth(line[:n], font, size) <= width)
            lines.append(line[:keep])
            line = line[keep:]
    return [*lines, line] if line else lines


def _code(canvas: TaggedCanvas, text: str, corner: tuple[float, float], figure: Element) -> None:
    """A QR code (ISO/IEC 18004) with medium error correction: 15 % of it may be dirty."""
    x, y = corner[0] + WIDE - QR - EDGE, corner[1] + (HIGH - QR) / 2
    figure.box = (x, y, x + QR, y + QR)
    widget = QrCodeWidget(text, barLevel="M", barWidth=QR, barHeight=QR, barBorder=4)
    drawing = Drawing(QR, QR)
    drawing.add(widget)
    with canvas.marked(figure):
        renderPDF.draw(drawing, canvas, x, y)
