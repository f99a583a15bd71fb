"""What can be read of the blocks of a damaged store is taken over, and it is told of which days readings are lost."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.recovery import open_sound
from meterd.adapters.store.salvaged_blocks import in_steps, named
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import IMPORT
from tests.adapters.store.packing import START, blocks, digests, pack, reading, stored_rows
from tests.adapters.store.test_block_packing import filled

PAGE = 4096
NOISY = ("q03", IMPORT)  # as a meter in the field: its blocks are as long as those are


def packed_store(path: Path, days: int, each: int) -> list[tuple[object, ...]]:
    """A store whose readings are nearly all in blocks, in one file; returns what it holds."""
    store, draw = filled(path, days, 24), random.Random(days)
    with store.transaction():
        for number in range(days * each):
            at = START + number * (DAY_MS // each)
            store.add_readings([reading(NOISY, at, number * 10**6 + draw.randrange(10**6), draw.randrange(5_000))])
    pack(store)
    results = [(*row[:2], *row[3:]) for row in stored_rows(store)]  # numbers are given anew
    store.close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.execute("VACUUM")  # tables one behind the other, no page is free
    return results


def pages_of(path: Path, what: str) -> list[int]:
    """The pages of a table that are of a kind, in their order in the file."""
    with closing(sqlite3.connect(path)) as db:
        ask = f"SELECT pageno FROM dbstat WHERE name = 'reading_block' AND {what} ORDER BY pageno"
        return [int(number) for (number,) in db.execute(ask)]


def saved(path: Path) -> tuple[set[tuple[object, ...]], str]:
    """What a start takes over, and what it says; digests hold and blocks are there again."""
    store, salvage = open_sound(path)
    assert salvage is not None
    results = {(*row[:2], *row[3:]) for row in stored_rows(store)}
    assert len(results) == store.reading_count() == salvage.readings
    assert digests(store)[1] == []
    assert blocks(store) > 5
    store.close()
    return results, str(salvage)


@pytest.mark.parametrize("each", [24, 2_000])
def test_a_store_that_was_cut_gives_what_is_left_of_its_blocks(tmp_path: Path, each: int) -> None:
    """Small blocks, some of which share a page, and large ones that continue on further pages."""
    path = tmp_path / "s.sqlite"
    before = set(packed_store(path, 400 if each == 24 else 12, each))
    pages = pages_of(path, "pagetype <> 'internal'")
    with path.open("r+b") as file:
        file.truncate(pages[len(pages) * 2 // 3] * PAGE)
    there, text = saved(path)
    assert there < before
    assert len(there) > len(before) / 3
    assert f"; {len(before) - len(there)} readings could not be read: q0" in text


def test_a_page_that_leads_to_the_blocks_costs_none(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    before = packed_store(path, 400, 24)
    for page in pages_of(path, "pagetype = 'internal'"):
        with path.open("r+b") as file:
            file.seek((page - 1) * PAGE)
            file.write(bytes(PAGE))
    there, text = saved(path)
    assert there == set(before)
    assert "could not be read" not in text


def test_a_page_of_blocks_costs_their_days_and_these_are_named(tmp_path: Path) -> None:
    path, draw = tmp_path / "s.sqlite", random.Random(3)
    before = set(packed_store(path, 400, 24))
    with path.open("r+b") as file:
        file.seek((draw.choice(pages_of(path, "pagetype = 'leaf'")) - 1) * PAGE)
        file.write(draw.randbytes(PAGE))
    there, text = saved(path)
    lost = {(row[0], row[1], str(row[2])[:5]) for row in before - there}
    assert 0 < len(before - there) < 24 * 60
    assert there < before
    assert lost
    assert f"; {len(before - there)} readings could not be read: " in text


def test_a_salvage_that_is_begun_again_doubles_nothing(tmp_path: Path) -> None:
    """Killed at its end, before it is noted that it is over."""
    path = tmp_path / "s.sqlite"
    before = packed_store(path, 30, 24)
    page = pages_of(path, "pagetype = 'internal'")[:1]
    with path.open("r+b") as file:
        file.seek((page[0] - 1) * PAGE if page else 0)
        file.write(bytes(PAGE))
    store, first = open_sound(path)
    assert first is not None
    store.set_fact("salvaging", f'["{first.aside.name}", "it was killed"]')
    store.close()
    store, again = open_sound(path)
    assert again is not None
    assert [(*row[:2], *row[3:]) for row in stored_rows(store)] == before
    store.close()


def test_rows_behind_a_million_deleted_numbers_are_found_in_steps(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "s")) as db:
        db.execute("CREATE TABLE t (n INTEGER PRIMARY KEY, a)")
        numbers = [3, 501, 502, 40_000_000, 40_000_001, 2**40]
        db.executemany("INSERT INTO t VALUES (?, 'a')", [(n,) for n in numbers])
        assert [n for rows in in_steps(db, "n", "t", "n") for (n,) in rows] == numbers


def test_some_days_are_named_and_the_others_counted() -> None:
    assert named(("a", "b")) == "a, b"
    assert named(tuple("abcdefgh")) == "a, b, c, d, e and 3 more"


def test_counters_keep_their_whole_numbers(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    packed_store(path, 30, 24)
    path.write_bytes(path.read_bytes()[: PAGE * 2] + bytes(PAGE) + path.read_bytes()[PAGE * 3 :])
    saved(path)
    with closing(SqliteStore.reader(path)) as store:
        assert store.history(("q01", IMPORT), 0)[1].tolist()[:3] == [0, 1000, 2000]
