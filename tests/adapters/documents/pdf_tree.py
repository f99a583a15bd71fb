"""The structure of a PDF as another library reads it: elements with their texts, from the marks of the pages."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pypdf
from pypdf.generic import ContentStream


@dataclass
class Node:
    """An element: kind, text of its own marks, alternative text, what it heads, and its parts."""

    kind: str
    text: str = ""
    alt: str = ""
    scope: str = ""
    parts: list["Node"] = field(default_factory=list)

    def walk(self) -> Iterator["Node"]:
        """This and all below, in reading order."""
        yield self
        for part in self.parts:
            yield from part.walk()


class TaggedPdf:
    """Marks, artifacts and tree of a file."""

    def __init__(self, reader: pypdf.PdfReader) -> None:
        self.root: Any = reader.trailer["/Root"]
        self.marks: dict[tuple[int, int], str] = {}
        self.artifacts = ""
        self.used: list[tuple[int, int]] = []
        self._pages = {page.indirect_reference.idnum: i for i, page in enumerate(reader.pages)}
        for i, page in enumerate(reader.pages):
            self._read(i, page, reader)
        tree = self.root["/StructTreeRoot"]
        self.parents = {int(number): refs for number, refs in _pairs(tree["/ParentTree"]["/Nums"])}
        self.tree = self._node(tree["/K"])

    def _read(self, number: int, page: Any, reader: pypdf.PdfReader) -> None:
        letters = {name: _letters(font.get_object()) for name, font in page["/Resources"]["/Font"].items()}
        inside: list[int | None] = []
        font = ""
        for operands, operator in ContentStream(page["/Contents"].get_object(), reader).operations:
            if operator == b"Tf":
                font = operands[0]
            elif operator in {b"BMC", b"BDC"}:
                assert not inside, "a mark inside a mark"
                inside.append(int(operands[1]["/MCID"]) if operator == b"BDC" else None)
                if inside[0] is not None:
                    assert (number, inside[0]) not in self.marks
                    self.marks[number, inside[0]] = ""
            elif operator == b"EMC":
                inside.pop()
            elif operator in {b"Tj", b"S", b"f", b"f*", b"B", b"b", b"s", b"n"}:
                text = _decoded(operands[0], letters[font]) if operator == b"Tj" else ""
                assert inside, f"{operator!r} outside of a mark on page {number + 1}: {text}"
                if inside[0] is None:
                    self.artifacts += text
                else:
                    self.marks[number, inside[0]] += text
        assert not inside

    def _node(self, reference: Any, page: int | None = None) -> Node:
        item = reference.get_object()
        attributes = item.get("/A", {})
        node = Node(item["/S"][1:], alt=item.get("/Alt", ""), scope=attributes.get("/Scope", "")[1:])
        if "/Pg" in item:
            page = self._pages[item.raw_get("/Pg").idnum]
        parts = item.get("/K", [])
        for part in parts if isinstance(parts, list) else [item.raw_get("/K")]:
            self._part(node, part, page, reference)
        return node

    def _part(self, node: Node, part: Any, page: int | None, reference: Any) -> None:
        inner = part.get_object()
        if isinstance(inner, int):
            where = (page, int(inner))
        elif "/MCID" in inner:
            where = (self._pages[inner.raw_get("/Pg").idnum], int(inner["/MCID"]))
        else:
            node.parts.append(self._node(part, page))
            return
        assert where[0] is not None
        self.used.append(where)
        node.text += self.marks[where]
        assert self.parents[where[0]][where[1]].get_object() == reference.get_object(), "the way back leads elsewhere"


def _pairs(items: Any) -> Iterator[tuple[Any, Any]]:
    return zip(items[::2], (item.get_object() for item in items[1::2]), strict=True)


def _letters(font: Any) -> dict[int, str]:
    """The letters of the codes of a font, from its table for text extraction."""
    if "/ToUnicode" not in font:
        return {code: chr(code) for code in range(256)}
    table = font["/ToUnicode"].get_data().decode("ascii")
    pairs = re.findall(r"^<(\w\w)> <(\w{4})>$", table, re.MULTILINE)
    return {int(code, 16): bytes.fromhex(letter).decode("utf-16-be") for code, letter in pairs}


def _decoded(text: Any, letters: dict[int, str]) -> str:
    raw = text if isinstance(text, bytes) else text.original_bytes
    return "".join(letters[code] for code in raw)
