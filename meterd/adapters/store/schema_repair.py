"""The pages of a file that describe its tables, written anew: the program knows which tables a store of a version has.

Only where each table begins is not known. That stands in the rows of the damaged description, whose text is found wherever
it lies in the file; where it is gone, a table begins where it does in a new store.
"""

import mmap
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from meterd.adapters.store.leaf_pages import FILE_HEADER, page_size
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.adapters.store.schema import described

# what a damaged file answers; its own words about names that are no text any more cannot be read either
UNREADABLE = (sqlite3.DatabaseError, UnicodeDecodeError)
VERSION_AT = slice(60, 64)  # where the header of a file says its version
_TABLE, _INDEX = b"\x05\x0d", b"\x02\x0a"  # what the page at which each begins can be
_ALL = "SELECT type, name, tbl_name, rootpage, sql FROM sqlite_schema"
_PATTERN = rb"(?s)%b(.{1,4}?)CREATE "
Words = tuple[str, str, str, str | None]  # type, name, table, sql


@dataclass(frozen=True, slots=True)
class _Object:
    """A table or index: its words, and where it begins in a new store."""

    words: Words
    page: int

    @property
    def begin(self) -> bytes:
        """What its row in the description begins with."""
        return "".join(map(str, self.words[:3])).encode()

    @property
    def pages(self) -> bytes:
        """The first byte of a page at which it can begin."""
        kind, _, _, sql = self.words
        return _INDEX if kind == "index" or (sql or "").rstrip().endswith("WITHOUT ROWID") else _TABLE


def repair_schema(path: Path) -> None:
    """Write the description of the tables anew if it is not what a store of its version has. For a copy: it is changed."""
    for _ in range(2):  # again when the log brought back a damaged page
        _fold_log(path)
        objects, size = _objects(path), page_size(path)
        with _content(path) as content:
            if _is_sound(path, content, size, objects):
                return
            located = _located(content, size, objects)
        _write(path, located, _version(path))


@contextmanager
def _content(path: Path) -> Iterator[mmap.mmap]:
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        yield content


def _version(path: Path) -> int:
    with path.open("rb") as file:
        number = int.from_bytes(file.read(FILE_HEADER)[VERSION_AT], "big")
    return number if 1 <= number <= SCHEMA_VERSION else SCHEMA_VERSION


def _objects(path: Path) -> list[_Object]:
    return [_Object((kind, name, table, sql), page) for kind, name, table, page, sql in described(_version(path))]


def _fold_log(path: Path) -> None:
    """What the log holds goes into the file, though the description may be unreadable."""
    with suppress(*UNREADABLE), closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _is_sound(path: Path, content: mmap.mmap, size: int, objects: list[_Object]) -> bool:
    """Whether each is described in our words, and begins at a page of its kind."""
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            there = {(kind, name, table, sql): page for kind, name, table, page, sql in connection.execute(_ALL)}
    except UNREADABLE:
        return False
    return all(o.words in there and _fits(content, size, o, there[o.words]) for o in objects)


def _fits(content: mmap.mmap, size: int, item: _Object, page: object) -> bool:
    return isinstance(page, int) and 1 < page <= len(content) // size and content[(page - 1) * size] in item.pages


def _located(content: mmap.mmap, size: int, objects: list[_Object]) -> dict[Words, int]:
    """Where each of them begins: no two at the same page.

    One whose first page is damaged itself is described all the same: its index has to have a table.
    """
    results: dict[Words, int] = {}
    for places, any_page in ((_in_description, False), (_in_new_store, False), (_in_description, True)):
        for item in objects:
            if item.words in results:
                continue
            pages = (page for page in places(content, item) if page not in results.values())
            if page := next((page for page in pages if any_page or _fits(content, size, item, page)), None):
                results[item.words] = page
    tables = {name for kind, name, _, _ in results if kind == "table"}
    # in the order of a new store: an index that stands before its table makes the whole description unreadable
    return {o.words: results[o.words] for o in objects if o.words in results and o.words[2] in tables}


def _in_description(content: mmap.mmap, item: _Object) -> list[int]:
    """The pages that rows of the description name, wherever they lie."""
    begin = re.escape(item.begin)
    if item.words[3] is not None:
        return [int.from_bytes(match[1], "big") for match in re.finditer(_PATTERN % begin, content)]
    # the index of a UNIQUE has no text behind its page; before its words stand its types, and the last but one is of the page
    ends = [(match.end(), content[match.start() - 2]) for match in re.finditer(begin, content)]
    return [int.from_bytes(content[end : end + size], "big") for end, size in ends]


def _in_new_store(_: mmap.mmap, item: _Object) -> list[int]:
    return [item.page]


def _write(path: Path, located: dict[Words, int], version: int) -> None:
    """A first page without tables, and then their rows by the database itself, which takes new pages for them."""
    size = page_size(path)
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as blank:
        blank.execute(f"PRAGMA page_size = {size}")
        blank.execute(f"PRAGMA user_version = {version}")
        first = bytearray(blank.serialize()[:size])
    log = path.with_name(path.name + "-wal")
    first[18:20] = b"\x02\x02" if log.exists() and log.stat().st_size else b"\x01\x01"  # with a log or without
    pages = -(-path.stat().st_size // size)
    first[28:32] = pages.to_bytes(4, "big")
    with path.open("r+b") as file:
        file.write(first)
        file.truncate(pages * size)
    with suppress(*UNREADABLE), closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        for (kind, name, table, sql), page in located.items():
            connection.execute("INSERT INTO sqlite_schema VALUES (?, ?, ?, ?, ?)", (kind, name, table, page, sql))
