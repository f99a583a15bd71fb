"""Which readings are packed and when; that a kill, a full disk or a rollback leaves each of them once."""

import random
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store import block_packing
from meterd.adapters.store.block_packing import BlockPacker
from meterd.adapters.store.change_feed import Mark, Position
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.retention import prunable, prune
from meterd.core.errors import StoreError
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import IMPORT, POWER
from tests.adapters.store.packing import EVER, START, blocks, digests, pack, reading, rows, stored_rows

HERE = Path(__file__).parents[3]
Q1, Q2, WATT = ("q01", IMPORT), ("q02", IMPORT), ("q01", POWER)


def filled(path: Path, days: int = 4, each: int = 24) -> SqliteStore:
    """So many readings a day of three registers, one after the other."""
    store = SqliteStore.writer(path)
    with store.transaction():
        for number in range(days * each):
            at = START + number * (DAY_MS // each)
            store.add_readings(
                [reading(Q1, at, number * 1000), reading(Q2, at, number * 17), reading(WATT, at, number / 3)]
            )
    return store


def test_only_days_before_the_moment_are_packed_and_each_of_them_whole(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    before = stored_rows(store)
    assert pack(store, START + 2 * DAY_MS + 5) == 1
    assert (rows(store), blocks(store)) == (3 * 2 * 24, 6)
    assert not store.pack_step(START + 2 * DAY_MS + 9, 99), "nothing new is before the moment"
    assert store.pack_step(START + 3 * DAY_MS, 30)
    assert (rows(store), blocks(store)) == (3 * 2 * 24 - 48, 8), "about so many, of whole days"
    assert stored_rows(store) == before
    store.close()


def test_readings_without_a_digest_wait(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    assert store.digest_writer.last_reading() == 0
    while store.pack_step(EVER, 99):
        pass
    assert blocks(store) == 0
    assert pack(store)
    assert blocks(store) == 12
    store.close()


def test_readings_that_a_database_has_not_been_seen_to_hold_wait(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    with store.transaction():
        store.outbox.serve("http://mill.test one")
    pack(store)
    assert blocks(store) == 0
    with store.transaction():
        store.outbox.keep([Mark(1, 0, Position(3 * 24 + 5, 0))], [])
    pack(store)
    assert blocks(store) == 3, "the first day of each, and not the second, of which five readings are proven"
    store.close()


def test_a_late_reading_is_a_row_beside_its_block_until_the_next_packing(tmp_path: Path) -> None:
    """A repeat of what is in the block is none, by both ways in; it is counted as a repeat of a row is."""
    store = filled(tmp_path / "s.sqlite")
    pack(store)
    packed_rows, number = rows(store), blocks(store)
    late, repeat = reading(Q1, START + 5, 9), reading(Q1, START, 0, delay_ms=9_999)
    with store.transaction():
        assert store.add_readings([repeat, late, late, repeat]) == [late]
        assert store.add_readings([repeat] * 20) == []
        store.add_history(Q2, np.array([START, START + 7, START + 7]), np.array([0, 5, 5]), 1)
    assert (rows(store), blocks(store)) == (packed_rows + 2, number)
    assert [r.at_ms for r in store.readings_between(Q1, START, START + 6, most=9)] == [START, START + 5]
    assert digests(store)[1] == []
    before = stored_rows(store)
    pack(store)
    assert (rows(store), blocks(store)) == (packed_rows + 1, number), "the very last one stays a row"
    assert (stored_rows(store), digests(store)[1]) == (before, [])
    store.close()


def test_the_live_case_looks_into_no_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading that is newer than the last packed day of its register, also after a new start."""
    path = tmp_path / "s.sqlite"
    store = filled(path)
    pack(store)
    store.close()
    store = SqliteStore.writer(path)
    monkeypatch.setattr(BlockPacker, "_block", lambda *_: pytest.fail("a block was looked up"))
    with store.transaction():
        assert len(store.add_readings([reading(Q1, START + 4 * DAY_MS, 1), reading(("new", IMPORT), 5, 1)])) == 2
    store.close()


def test_rows_of_somebody_else_stay_rows(tmp_path: Path) -> None:
    """A text in the place of a value, and a time that is none, are no numbers of 64 bits and in no block."""
    store = filled(tmp_path / "s.sqlite")
    pack(store, START)
    store.connection.execute("UPDATE reading SET value = 'rust' WHERE seq = 1")
    store.connection.execute(f"UPDATE reading SET at_ms = {2**60} WHERE seq = 4")
    before = store.connection.execute("SELECT * FROM reading WHERE seq IN (1, 4) ORDER BY seq").fetchall()
    pack(store)
    assert blocks(store) == 12
    assert store.connection.execute("SELECT * FROM reading WHERE seq IN (1, 4) ORDER BY seq").fetchall() == before
    store.close()


def test_a_block_from_which_its_readings_do_not_come_back_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever makes it wrong, a library or a memory: the rows stay."""
    store = filled(tmp_path / "s.sqlite")
    before = stored_rows(store)
    unpacked = block_packing.unpacked

    def wrong(content: object) -> object:
        result = unpacked(content)
        result.value[3] += 1
        return result

    monkeypatch.setattr(block_packing, "unpacked", wrong)
    with pytest.raises(StoreError, match="do not come back from their block"):
        pack(store)
    monkeypatch.undo()
    assert (blocks(store), stored_rows(store)) == (0, before)
    pack(store)
    assert (blocks(store), stored_rows(store)) == (12, before)
    store.close()


def test_a_transaction_that_is_not_kept_packs_nothing_and_is_done_again(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    before = stored_rows(store), rows(store)
    assert pack(store, START) == 0
    store.connection.execute(
        "CREATE TEMP TRIGGER full BEFORE DELETE ON main.reading BEGIN SELECT RAISE(ABORT, 'disk is full'); END"
    )
    for _ in range(2):
        with pytest.raises(sqlite3.IntegrityError, match="disk is full"):
            pack(store)
        assert (stored_rows(store), rows(store), blocks(store)) == (*before, 0)
    store.connection.execute("DROP TRIGGER full")
    pack(store)
    assert (stored_rows(store), blocks(store), digests(store)[1]) == (before[0], 12, [])
    store.close()


def test_pruning_takes_whole_blocks_and_the_beginning_of_one(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    pack(store)
    cut = START + DAY_MS + 6 * 3_600_000
    expected = [row for row in stored_rows(store) if row[1] == POWER or int(str(row[3])) >= cut]
    what = prunable(store, dict.fromkeys((Q1, Q2), cut))
    assert [item.rows for item in what.values()] == [30, 30]
    assert prune(store, what) == 60
    assert (stored_rows(store), digests(store)[1], blocks(store)) == (expected, [], 10)
    store.close()


def test_free_pages_are_used_again(tmp_path: Path) -> None:
    """Packed rows leave pages; what comes later takes them, and the file does not grow."""
    path = tmp_path / "s.sqlite"
    store = filled(path, days=8, each=500)
    pack(store)
    store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = path.stat().st_size
    with store.transaction():
        store.add_readings([reading(Q1, START + 9 * DAY_MS + i, i) for i in range(8_000)])
    store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert path.stat().st_size == size
    store.close()


def test_killed_again_and_again_while_it_packs_each_reading_is_there_once(tmp_path: Path) -> None:
    """Kill -9 at moments that nobody chose; the digests hold before the next start, and the readings are those of before."""
    path, generator = tmp_path / "s.sqlite", random.Random(5)
    store = filled(path, days=60)
    before = stored_rows(store)
    store.close()
    command, kills, seen = [sys.executable, "-m", "tests.adapters.store.packer_process", str(path)], 0, set()
    while True:
        child = subprocess.Popen(command, cwd=HERE, stdout=subprocess.PIPE)
        assert child.stdout is not None
        for _ in range(generator.randrange(2, 9)):
            child.stdout.readline()
        time.sleep(generator.uniform(0, 0.01))
        child.kill()
        ended = child.wait() == 0
        child.stdout.close()
        kills += not ended
        with closing(SqliteStore.reader(path)) as reader:
            assert stored_rows(reader) == before
            assert digests_of(path) == []
            (packed,) = reader.connection.execute("SELECT COUNT(*) FROM reading_block").fetchone()
        seen.add(packed)
        if packed == 180:
            break
    assert kills > 5
    assert len(seen) > 5


def digests_of(path: Path) -> list[str]:
    """What does not agree with its digest, for another connection."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as db:
        return verify(db)
