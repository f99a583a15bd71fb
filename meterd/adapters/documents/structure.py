"""The structure of a PDF for screen readers: which text is a heading, a cell of a table, a chart described in words.

Source: ISO 32000-1:2008, 14.6 marked content, 14.7 logical structure, 14.8 tagged PDF (clauses from memory). reportlab 5.1
writes none of it, so this canvas does: whatever is drawn stands between marks that name its element, or is an artifact.
`tests/adapters/documents/test_structure.py` reads the tree with another library and fails without this file.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Literal

from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFObject, PDFString
from reportlab.pdfgen.canvas import Canvas

Kind = Literal["Document", "Sect", "H1", "H2", "H3", "P", "Table", "TR", "TH", "TD", "Figure"]
Box = tuple[float, float, float, float]
_VERSION = (1, 7)


@dataclass(frozen=True, slots=True)
class Mark:
    """A marked piece of a page: the page, and the number of the piece on it (MCID)."""

    page: int
    number: int


@dataclass(slots=True, eq=False)
class Element:
    """An element with its parts in reading order. `alt` describes a figure, `scope` says what a TH heads."""

    kind: Kind
    alt: str = ""
    scope: Literal["", "Column", "Row"] = ""
    box: Box | None = None
    parts: list["Element | Mark"] = field(default_factory=list)

    def add(self, kind: Kind, *, alt: str = "", scope: Literal["", "Column", "Row"] = "") -> "Element":
        """A new element behind those that are there."""
        result = Element(kind, alt, scope)
        self.parts.append(result)
        return result


class TaggedCanvas(Canvas):  # type: ignore[misc]
    """A canvas that marks what is drawn, and writes the tree of `root` when it is saved."""

    def __init__(self, *arguments: Any, root: Element, **named: Any) -> None:
        super().__init__(*arguments, pdfVersion=_VERSION, **named)
        self._root = root
        self._owners: list[list[Element]] = []  # by page the element of each mark

    def open_mark(self, element: Element | None = None) -> None:
        """All that follows belongs to the element; without one it is an artifact: rules, head and foot of a page."""
        if element is None:
            self._code.append("/Artifact BMC")
            return
        page = self.getPageNumber() - 1
        while len(self._owners) <= page:
            self._owners.append([])
        number = len(self._owners[page])
        self._owners[page].append(element)
        element.parts.append(Mark(page, number))
        self._code.append(f"/{element.kind} <</MCID {number}>> BDC")

    def close_mark(self) -> None:
        """The end of what was opened last."""
        self._code.append("EMC")

    @contextmanager
    def marked(self, element: Element | None = None) -> Iterator[None]:
        """All that is drawn inside belongs to the element, or is an artifact."""
        self.open_mark(element)
        yield
        self.close_mark()

    def save(self) -> None:
        """Write the tree behind the last page, then the file."""
        if self._code:
            self.showPage()
        _Tree(self._doc, self._owners).write(self._root)
        super().save()


class _Tree:
    """Elements as objects of a file that is about to be written."""

    def __init__(self, document: Any, owners: list[list[Element]]) -> None:
        self._document, self._owners = document, owners
        self._pages = [document.Reference(page) for page in document.Pages.pages]
        self._references: dict[int, Any] = {}

    def write(self, root: Element) -> None:
        """Tree, the way back from each mark to its element, and the sign that the file is tagged."""
        document, top = self._document, PDFDictionary({"Type": PDFName("StructTreeRoot")})
        top["K"] = self._element(root, document.Reference(top))
        back: list[Any] = []
        for number, owners in enumerate(self._owners):
            page = document.Pages.pages[number]
            page.StructParents, page.Tabs = number, PDFName("S")
            page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
            back += [number, document.Reference(PDFArray([self._references[id(owner)] for owner in owners]))]
        top["ParentTree"] = document.Reference(PDFDictionary({"Nums": PDFArray(back)}))
        top["ParentTreeNextKey"] = len(self._owners)
        document.Catalog.StructTreeRoot = top
        document.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})

    def _element(self, element: Element, parent: PDFObject) -> PDFObject:
        made = PDFDictionary({"S": PDFName(element.kind), "P": parent})
        reference = self._references[id(element)] = self._document.Reference(made)
        if element.alt:
            made["Alt"] = PDFString(element.alt)
        if element.scope:
            made["A"] = PDFDictionary({"O": PDFName("Table"), "Scope": PDFName(element.scope)})
        if element.box:
            made["A"] = PDFDictionary({"O": PDFName("Layout"), "BBox": PDFArray(element.box)})
        first = next((part.page for part in element.parts if isinstance(part, Mark)), None)
        if first is not None:
            made["Pg"] = self._pages[first]
        parts = [self._part(part, first, reference) for part in element.parts]
        if parts:
            made["K"] = parts[0] if len(parts) == 1 else PDFArray(parts)
        return reference

    def _part(self, part: Element | Mark, page: int | None, parent: PDFObject) -> Any:
        """An element, or a mark: its number, with its page where that is not the page of its element."""
        if isinstance(part, Element):
            return self._element(part, parent)
        if part.page == page:
            return part.number
        return PDFDictionary({"Type": PDFName("MCR"), "Pg": self._pages[part.page], "MCID": part.number})
