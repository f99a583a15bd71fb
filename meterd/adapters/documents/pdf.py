"""A `Document` as PDF: A4, embedded letters, title, language and bookmarks, tables whose heading comes back on each page.

The pages are laid out twice, because the first time nobody knows how many there will be. The dates in the file are those
of reportlab's invariant mode: the same document gives the same bytes. Whatever is drawn belongs to an element of the
structure (`structure.py`), in the order of the blocks, for those who listen to a screen reader.
"""

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    PageTemplate,
    Spacer,
    TableStyle,
)
from reportlab.platypus import Table as Grid

from meterd import __version__
from meterd.adapters.documents.alternative_text import alternative_text
from meterd.adapters.documents.bar_chart import BarChart
from meterd.adapters.documents.column_widths import fitted, longest_word, whole_width
from meterd.adapters.documents.fonts import BOLD, ITALIC, PLAIN, letters, printable
from meterd.adapters.documents.formats import shown
from meterd.adapters.documents.hours_map import HoursChart
from meterd.adapters.documents.keeping import PagedTable, Piece, space_needed
from meterd.adapters.documents.model import (
    Bars,
    Block,
    Cell,
    Column,
    Course,
    Document,
    Facts,
    Heading,
    HoursMap,
    Moment,
    Number,
    Sign,
    Table,
    Text,
)
from meterd.adapters.documents.structure import Element, Kind, TaggedCanvas
from meterd.adapters.documents.tagged_flowables import Described, TaggedParagraph, mark_rules, paragraph
from meterd.adapters.documents.time_chart import TimeChart

MARGIN = 16 * mm
NO_PADDING = dict.fromkeys(("leftPadding", "bottomPadding", "rightPadding", "topPadding"), 0)
INK, SOFT, RULE, BAND = HexColor(0x1C2430), HexColor(0x55606E), HexColor(0x9AA3AE), HexColor(0xEEF1F4)
TALL = 1.5 * mm  # above and below the text of a row that is written into by hand
SIDES = 5.5  # of a cell, left and right of its text
GAP = 5.0  # more than that between numbers that lean right and a text behind them
HEIGHT_OF_MARGINS = 36 * mm


def _page_size(document: Document) -> tuple[float, float]:
    wide, high = landscape(A4) if document.side == "long" else A4
    return float(wide), float(high)


def pdf(document: Document) -> bytes:
    """The bytes of the PDF."""
    letters()
    first = _build(document, pages=0)
    return _build(document, pages=first.pages).data


@dataclass(frozen=True, slots=True)
class _Built:
    """One pass over the pages."""

    data: bytes
    pages: int


def _build(document: Document, *, pages: int) -> _Built:
    out = io.BytesIO()
    template = _Template(out, document, pages)
    root = Element("Document")
    template.build(list(_flow(document, root)), canvasmaker=partial(TaggedCanvas, root=root))
    return _Built(out.getvalue(), template.page)


class _Template(BaseDocTemplate):  # type: ignore[misc]
    """Pages with a head, a foot and bookmarks."""

    def __init__(self, out: io.BytesIO, document: Document, pages: int) -> None:
        title = printable(document.title)
        super().__init__(
            out, pagesize=_page_size(document), title=title, subject=printable(document.subject), author="meterd",
            creator=f"meterd {__version__}", lang=document.lang, invariant=1, displayDocTitle=True, pageCompression=1,
        )  # fmt: skip
        self._document, self._pages = document, pages
        self._wide, self._high = _page_size(document)
        frame = Frame(MARGIN, 18 * mm, self._wide - 2 * MARGIN, self._high - HEIGHT_OF_MARGINS, id="body", **NO_PADDING)
        self.addPageTemplates(PageTemplate(id="page", frames=[frame], onPage=self._page_marks))
        self._bookmarks = 0

    def _page_marks(self, canvas: TaggedCanvas, _template: object) -> None:
        with canvas.marked():
            self._head_and_foot(canvas)

    def _head_and_foot(self, canvas: Canvas) -> None:
        document, width = self._document, self._wide - 2 * MARGIN
        canvas.saveState()
        canvas.setFillColor(SOFT)
        canvas.setFont(PLAIN, 7)
        if canvas.getPageNumber() > 1:
            canvas.drawString(MARGIN, self._high - 12 * mm, _cut(printable(document.title), PLAIN, size=7, width=width))
        number = document.page.format(page=canvas.getPageNumber(), pages=self._pages)
        canvas.drawRightString(self._wide - MARGIN, 10 * mm, number)
        canvas.drawString(MARGIN, 10 * mm, _cut(printable(document.foot), PLAIN, size=7, width=width - 30 * mm))
        canvas.restoreState()

    def afterFlowable(self, flowable: Flowable) -> None:
        """A bookmark for each heading that has come onto its page."""
        level = getattr(flowable, "bookmark_level", None)
        if level is None:
            return
        self._bookmarks += 1
        key = f"h{self._bookmarks}"
        self.canv.bookmarkPage(key)
        self.canv.addOutlineEntry(flowable.bookmark_text, key, level - 1, closed=False)


def _cut(text: str, font: str, *, size: float, width: float) -> str:
    """The text, shortened to a width with dots."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    if stringWidth(text, font, size) <= width:
        return text
    while text and stringWidth(text + "…", font, size) > width:
        text = text[:-1]
    return text + "…"


def _style(name: str, **changes: Any) -> ParagraphStyle:
    values: dict[str, Any] = {"fontName": PLAIN, "fontSize": 7.5, "leading": 10, "textColor": INK, "splitLongWords": 1}
    return ParagraphStyle(name, **(values | changes))


_STYLES = {
    "title": _style("title", fontName=BOLD, fontSize=16, leading=20, spaceAfter=3 * mm),
    "h1": _style("h1", fontName=BOLD, fontSize=11.5, leading=15, spaceBefore=5 * mm, spaceAfter=2 * mm),
    "h2": _style("h2", fontName=BOLD, fontSize=9, leading=12, spaceBefore=3 * mm, spaceAfter=1.5 * mm),
    "plain": _style("plain", fontSize=8.5, leading=12, spaceAfter=2 * mm),
    "note": _style("note", fontName=ITALIC, leading=10, textColor=SOFT, spaceAfter=2 * mm, spaceBefore=1 * mm),
    "caution": _style("caution", fontSize=8, leading=11),
    "cell": _style("cell"),
    "sum": _style("sum", fontName=BOLD),
    "head": _style("head", fontName=BOLD, fontSize=7, leading=9),
}
SMALLEST_TITLE = 0.75  # of its usual size
_HEADINGS: dict[int, tuple[str, Kind]] = {1: ("h1", "H2"), 2: ("h2", "H3")}  # by level; the title is H1


def _paragraph(element: Element, text: str, style: str, side: str = "left") -> TaggedParagraph:
    result = _STYLES[style]
    if side == "right":
        result = ParagraphStyle(f"{style}-right", parent=result, alignment=TA_RIGHT)
    return paragraph(element, text, result)


@dataclass(frozen=True, slots=True)
class _Look:
    """What all blocks need: language, zone, the width between the margins, and the structure that they add to."""

    lang: str
    zone: ZoneInfo
    width: float
    root: Element


def _flow(document: Document, root: Element) -> Iterator[Flowable]:
    wide, high = _page_size(document)
    yield _title(document.title, root.add("H1"), wide - 2 * MARGIN)
    look = _Look(document.lang, ZoneInfo(document.zone), wide - 2 * MARGIN, root)
    pieces = [Piece(block, tuple(_block(block, look))) for block in document.blocks]
    needs = space_needed(pieces, look.width, high - HEIGHT_OF_MARGINS)
    for piece, need in zip(pieces, needs, strict=True):
        if need:
            yield CondPageBreak(need)
        yield from piece.flowables


def _block(block: Block, look: _Look) -> Iterator[Flowable]:
    if isinstance(block, Heading):
        style, kind = _HEADINGS[block.level]
        yield _heading(block, style, look.root.add(kind))
    elif isinstance(block, Text) and block.kind == "caution":
        yield _frame(block.text, look)
        yield Spacer(1, 2 * mm)
    elif isinstance(block, Text):
        yield _paragraph(look.root.add("P"), block.text, block.kind)
    elif isinstance(block, Facts):
        yield _facts(block, look)
        yield Spacer(1, 3 * mm)
    elif isinstance(block, Table):
        yield _table(block, look)
        yield Spacer(1, 3 * mm)
    elif isinstance(block, Bars | Course | HoursMap):
        alt = printable(alternative_text(block, look.lang, look.zone))
        yield Described(_chart(block, look), look.root.add("Figure", alt=alt))
        yield Spacer(1, 3 * mm)
    else:
        yield _sign(block, look)


def _chart(block: Bars | Course | HoursMap, look: _Look) -> BarChart | TimeChart | HoursChart:
    if isinstance(block, Bars):
        return BarChart(block, look.lang, look.width)
    if isinstance(block, Course):
        return TimeChart(block, look.lang, look.zone, look.width)
    return HoursChart(block, look.lang, look.zone, look.width)


def _heading(block: Heading, style: str, element: Element) -> TaggedParagraph:
    return _bookmarked(block, _paragraph(element, block.text, style))


def _bookmarked(block: Heading, made: TaggedParagraph) -> TaggedParagraph:
    made.bookmark_level, made.bookmark_text = block.level, printable(block.text)
    return made


def _title(text: str, element: Element, width: float) -> TaggedParagraph:
    """The title on one line, in smaller letters where it needs them: no word of it alone on a second line."""
    usual = _STYLES["title"]
    part = width / max(width, whole_width(printable(text), usual.fontName, usual.fontSize))
    size = usual.fontSize * max(part, SMALLEST_TITLE) * (0.99 if part < 1 else 1)
    return _bookmarked(Heading(text), paragraph(element, text, ParagraphStyle("title", parent=usual, fontSize=size)))


def _frame(text: str, look: _Look) -> Grid:
    looks = [
        ("BOX", (0, 0), (-1, -1), 0.8, INK),
        ("LEFTPADDING", (0, 0), (-1, -1), 8),
        ("RIGHTPADDING", (0, 0), (-1, -1), 8),
    ]
    rows = [[_paragraph(look.root.add("P"), text, "caution")]]
    return Grid(rows, colWidths=[look.width], style=TableStyle(looks), renderCB=mark_rules)


def _facts(block: Facts, look: _Look) -> Grid:
    element = look.root.add("Table")
    rows = [_fact(word, shown(value, look.lang, look.zone), element.add("TR")) for word, value in block.pairs]
    looks = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, RULE),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    widths = [62 * mm, look.width - 62 * mm]
    return Grid(rows, colWidths=widths, style=TableStyle(looks), hAlign="LEFT", renderCB=mark_rules)


def _fact(word: str, value: str, row: Element) -> list[TaggedParagraph]:
    return [_paragraph(row.add("TH", scope="Row"), word, "cell"), _paragraph(row.add("TD"), value, "sum")]


def _table(block: Table, look: _Look) -> PagedTable:
    """A table over any number of pages. Its columns are stretched to the width of the page, and no word is broken."""
    scale = look.width / (sum(column.width_mm for column in block.columns) * mm)
    wanted = [column.width_mm * mm * scale for column in block.columns]
    texts = [_widths_of(block, j, look) for j in range(len(block.columns))]
    widths = fitted(wanted, [least for least, _ in texts], [whole for _, whole in texts])
    element = look.root.add("Table")
    first = element.add("TR")
    rows = [[_paragraph(first.add("TH", scope="Column"), c.heading, "head", c.side) for c in block.columns]]
    first_sum = len(block.rows) - block.sums
    for i, cells in enumerate(block.rows):
        row, style = element.add("TR"), "sum" if i >= first_sum else "cell"
        pairs = zip(cells, block.columns, strict=True)
        rows.append([_cell(cell, column, style, row.add("TD"), look) for cell, column in pairs])
    style_of = _looks(block)
    return PagedTable(rows, colWidths=widths, repeatRows=1, style=style_of, hAlign="LEFT", renderCB=mark_rules)


def _widths_of(block: Table, j: int, look: _Look) -> tuple[float, float]:
    """What the longest word of a column needs, a number or a time being one, and what its longest cell needs."""
    column, head, first_sum = block.columns[j], _STYLES["head"], len(block.rows) - block.sums
    texts = [longest_word(printable(column.heading), head.fontName, head.fontSize)]
    lines = list(texts)
    for i, cells in enumerate(block.rows):
        style, text = _STYLES["sum" if i >= first_sum else "cell"], printable(shown(cells[j], look.lang, look.zone))
        lines.append(whole_width(text, style.fontName, style.fontSize))
        item = isinstance(cells[j], Number) or (isinstance(cells[j], Moment) and not column.two_lines)
        texts.append(lines[-1] if item else longest_word(text, style.fontName, style.fontSize))
    sides = SIDES + (GAP if _is_behind_numbers(block, j) else 0)
    return max(texts) + sides, max(lines) + sides


def _is_behind_numbers(block: Table, j: int) -> bool:
    return [column.side for column in block.columns[max(0, j - 1) : j + 1]] == ["right", "left"]


def _cell(cell: Cell, column: Column, style: str, element: Element, look: _Look) -> TaggedParagraph:
    made = _paragraph(element, shown(cell, look.lang, look.zone), style, column.side)
    if isinstance(cell, Number) or column.side == "right":
        made.style = ParagraphStyle(f"{style}-number", parent=made.style, splitLongWords=0)
    return made


def _looks(block: Table) -> TableStyle:
    looks: list[Sequence[Any]] = [
        ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
        ("VALIGN", (0, 1), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, 0), 1, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.25, RULE),
        ("LEFTPADDING", (0, 0), (-1, -1), SIDES - 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 1.8),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.4),
    ]
    behind = [j for j in range(len(block.columns)) if _is_behind_numbers(block, j)]
    looks += [("LEFTPADDING", (j, 0), (j, -1), SIDES - 2 + GAP) for j in behind]
    if block.sums:
        looks.append(("LINEABOVE", (0, -block.sums), (-1, -block.sums), 0.8, INK))
        looks.append(("BACKGROUND", (0, -block.sums), (-1, -1), BAND))
    if block.tall:
        looks.append(("INNERGRID", (0, 1), (-1, -1), 0.25, RULE))
        looks.append(("VALIGN", (0, 1), (-1, -1), "MIDDLE"))
        looks.append(("TOPPADDING", (0, 1), (-1, -1), TALL))
        looks.append(("BOTTOMPADDING", (0, 1), (-1, -1), TALL))
    return TableStyle(looks)


def _sign(block: Sign, look: _Look) -> Grid:
    """A row to sign in for each role."""
    element = look.root.add("Table")
    rows = [_sign_row(role, block.words, element.add("TR")) for role in block.roles]
    widths = [look.width * part for part in (0.25, 0.3, 0.15, 0.3)]
    looks = [
        ("NOSPLIT", (0, 0), (-1, -1)),
        ("LINEBELOW", (1, 0), (-1, -1), 0.6, INK),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
    ]
    heights = [12 * mm] * len(rows)
    return Grid(rows, colWidths=widths, rowHeights=heights, style=TableStyle(looks), renderCB=mark_rules)


def _sign_row(role: str, texts: Sequence[str], row: Element) -> list[TaggedParagraph]:
    head = _paragraph(row.add("TH", scope="Row"), role, "sum")
    return [head, *(_paragraph(row.add("TD"), word, "note") for word in texts)]
