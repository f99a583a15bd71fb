"""Rows read from the leaf pages of a database file themselves: for tables to which no way leads any more.

A table is a tree of pages, and one damaged page above the leaves hides every row below it. The rows still stand in their
leaves, each with its own types and lengths. Rows of tables are followed to further pages, those of indexes are left out.

Source: "Database File Format", sqlite.org/fileformat2.html, sections 1.6 (pages), 1.7 (overflow) and 2.1 (records).
"""

import struct
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TypeAlias

Values: TypeAlias = tuple[object, ...]
Pages: TypeAlias = Callable[[int], bytes]

TABLE_LEAF, INDEX_LEAF = 0x0D, 0x0A
FILE_HEADER, PAGE_HEADER = 100, 8
USUAL_SIZE = 4096  # what stores are made with; of a file whose header does not say it any more
_INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}  # bytes by type
_CONSTANTS: dict[int, object] = {0: None, 8: 0, 9: 1}
_REAL, _TEXT = 7, 13
MOST_BYTES = 2**26  # of a row that is believed


def page_size(path: Path) -> int:
    """Bytes of a page, as the header says; the usual size where it says something impossible."""
    with path.open("rb") as file:
        size = int.from_bytes(file.read(18)[16:18], "big")
    size = 65_536 if size == 1 else size
    return size if 512 <= size <= 65_536 and size & (size - 1) == 0 else USUAL_SIZE


def rows(path: Path, kind: int, width: int) -> Iterator[Values]:
    """The rows of that many columns in the leaves of tables (`TABLE_LEAF`) or indexes (`INDEX_LEAF`), page by page.

    Of a table whose key is a number, the first column is that number.
    """
    size = page_size(path)
    with path.open("rb") as file:
        begin = FILE_HEADER
        while page := file.read(size):
            if len(page) > begin + PAGE_HEADER and page[begin] == kind:
                yield from _rows_of(page, begin, width, partial(_page, path, size))
            begin = 0


def _page(path: Path, size: int, number: int) -> bytes:
    with path.open("rb") as file:
        file.seek((number - 1) * size)
        return file.read(size)


def _rows_of(page: bytes, begin: int, width: int, further: Pages) -> Iterator[Values]:
    (count,) = struct.unpack_from(">H", page, begin + 3)
    first = begin + PAGE_HEADER
    last = first + 2 * min(count, (len(page) - first) // 2)
    for (at,) in struct.iter_unpack(">H", page[first:last]):
        with suppress(IndexError, struct.error):  # beyond the page
            if row := _row(page, at, width, further if page[begin] == TABLE_LEAF else None):
                yield row


def _row(page: bytes, at: int, width: int, further: Pages | None) -> Values | None:
    """A row of a table, whose further pages can be read, or of an index."""
    length, at = _varint(page, at)
    keyed = further is not None
    key, at = _varint(page, at) if keyed else (None, at)
    if further is not None and MOST_BYTES > length > len(page) - 35:
        page, at = _continued(page, at, length, further), 0
    end = at + length
    header, place = _varint(page, at)
    value = at + header
    types: list[int] = []
    while place < value and len(types) <= width:
        type_, place = _varint(page, place)
        types.append(type_)
    if len(types) != width or end > len(page):
        return None
    results: list[object] = []
    for type_ in types:
        result, value = _value(page, value, type_)
        results.append(result)
    return (key if keyed else results[0], *results[1:]) if value == end else None


def _continued(page: bytes, at: int, length: int, further: Pages) -> bytes:
    """The bytes of a row that is longer than a page holds: what stands here, and what its further pages hold."""
    usable = len(page)
    least = (usable - 12) * 32 // 255 - 23
    here = least + (length - least) % (usable - 4)
    here = least if here > usable - 35 else here
    (number,) = struct.unpack_from(">I", page, at + here)
    parts, rest = [page[at : at + here]], length - here
    while rest > 0 and number:
        following = further(number)
        (number,) = struct.unpack_from(">I", following)
        parts.append(following[4 : 4 + rest])
        rest -= len(parts[-1]) or rest  # an empty page ends the row
    return b"".join(parts)


def _varint(page: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, and the place behind it."""
    result = 0
    for i in range(8):
        byte = page[at + i]
        result = result << 7 | byte & 0x7F
        if byte < 0x80:
            return result, at + i + 1
    return result << 8 | page[at + 8], at + 9


def _value(page: bytes, at: int, type_: int) -> tuple[object, int]:
    if type_ in _CONSTANTS:
        return _CONSTANTS[type_], at
    if type_ in _INTEGERS:
        end = at + _INTEGERS[type_]
        return int.from_bytes(page[at:end], "big", signed=True), end
    if type_ == _REAL:
        return struct.unpack_from(">d", page, at)[0], at + 8
    end = at + max(0, type_ - 12) // 2
    raw = page[at:end]
    return (raw.decode("utf-8", errors="replace") if type_ >= _TEXT and type_ % 2 else raw), end
