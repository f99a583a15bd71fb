"""Rows read off the pages themselves are those that the database reads, whatever its values are; nonsense gives none."""

import random
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.leaf_pages import INDEX_LEAF, TABLE_LEAF, USUAL_SIZE, page_size, rows

VALUES = st.one_of(
    st.none(),
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from([0, 1, -1, 127, 128, 2**15, 2**23, 2**31, 2**47, 2**63 - 1]),
    st.floats(allow_nan=False),
    st.text(max_size=60),
    st.binary(max_size=60),
)


def made(path: Path, given_rows: Sequence[tuple[object, ...]], size: int = 4096) -> set[tuple[object, ...]]:
    """A file of one table, and what the database says of it."""
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"PRAGMA page_size = {size}")
        db.execute("CREATE TABLE one (key INTEGER PRIMARY KEY, a, b)")
        db.execute("CREATE INDEX by_a ON one (a, b)")
        db.executemany("INSERT OR IGNORE INTO one VALUES (?, ?, ?)", given_rows)
        return {tuple(row) for row in db.execute("SELECT * FROM one")}


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(-(2**62), 2**62), VALUES, VALUES), max_size=80), st.sampled_from([512, 4096, 65_536])
)
def test_rows_are_those_of_the_database(
    tmp_path_factory: pytest.TempPathFactory, given_rows: list[tuple[object, ...]], size: int
) -> None:
    """Of every type and size of page, once each; a row too long for a page of 512 is left out, never wrong."""
    path = tmp_path_factory.getbasetemp() / "leaf.sqlite"
    expected = {row for row in made(path, given_rows, size) if size > 512 or all(_short(value) for value in row)}
    results = [
        (key - 2**64 if isinstance(key, int) and key >= 2**63 else key, a, b) for key, a, b in rows(path, TABLE_LEAF, 3)
    ]
    assert expected <= set(results)
    assert set(results) <= made(path, given_rows, size)
    assert page_size(path) == size


def _short(value: object) -> bool:
    return not isinstance(value, str | bytes) or len(value) < 40


def test_the_leaves_of_an_index_give_its_columns_and_the_number_of_the_row(tmp_path: Path) -> None:
    """Its inner pages hold rows, too: those are not read."""
    expected = made(tmp_path / "s", [(i, f"name {i}", i) for i in range(20)])
    assert set(rows(tmp_path / "s", INDEX_LEAF, 3)) == {(a, b, key) for key, a, b in expected}


def test_other_tables_and_damaged_pages_give_no_wrong_rows(tmp_path: Path) -> None:
    """Another number of columns is another table; random bytes in the page cost rows and never raise."""
    path, draw = tmp_path / "s", random.Random(5)
    expected = made(path, [(i, i * 3, "x" * 20) for i in range(1, 300)])
    assert list(rows(path, TABLE_LEAF, 4)) == []
    content = path.read_bytes()
    for _ in range(200):
        damaged = bytearray(content)
        for _ in range(30):
            damaged[draw.randrange(20, len(damaged))] = draw.randrange(256)
        path.write_bytes(damaged)
        assert len(set(rows(path, TABLE_LEAF, 3)) & expected) > 100
    path.write_bytes(b"")
    assert list(rows(path, TABLE_LEAF, 3)) == []


@pytest.mark.parametrize("size", [b"\x00\x00", b"\x00\x07", b"\x30\x00"])
def test_a_header_that_says_no_possible_size_gives_the_usual_one(tmp_path: Path, size: bytes) -> None:
    (tmp_path / "s").write_bytes(bytes(16) + size)
    assert page_size(tmp_path / "s") == USUAL_SIZE


def test_a_row_that_continues_on_further_pages_is_read_whole(tmp_path: Path) -> None:
    """Of each length around what one page and its further pages hold; where the chain is cut the row is left out."""
    path, draw = tmp_path / "s", random.Random(7)
    for size in (512, 4096):
        lengths = (size - 40, size - 36, size, 2 * size - 8, 2 * size, 5 * size + 3)
        expected = made(path, [(i, i, draw.randbytes(length)) for i, length in enumerate(lengths, 1)], size)
        assert set(rows(path, TABLE_LEAF, 3)) == expected
        content = path.read_bytes()
        path.write_bytes(content[: -len(content) // size // 2 * size])
        assert set(rows(path, TABLE_LEAF, 3)) < expected
