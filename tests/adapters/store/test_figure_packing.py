"""Which figures are packed and when; that a kill, a full disk or a rollback leaves each of them once."""

import random
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store import figure_packing
from meterd.adapters.store.change_feed import Mark, Position
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.digests import REACH
from meterd.adapters.store.figure_packing import FigurePacker
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.recovery import open_sound
from meterd.core.errors import StoreError
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.registers.corrections import FIGURES_FROM
from tests.adapters.store.figures import BEGIN, CHANNELS, HOUR, QUARTER, blocks, figure, filled, rows, stored
from tests.adapters.store.packing import EVER, digests, pack, reading

HERE = Path(__file__).parents[3]
Q1 = CHANNELS[0]
EACH = 2 * (96 + 24)  # figures of a day of `filled`


def test_only_days_before_the_moment_are_packed_and_later_ones_added(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    before = stored(store)
    assert pack(store, BEGIN + 2 * DAY_MS + 5) == 1
    assert (rows(store), blocks(store)) == (2 * EACH, 4)
    assert not store.pack_step(BEGIN + 2 * DAY_MS + 9, 99), "nothing new is before the moment"
    assert store.pack_step(BEGIN + 3 * DAY_MS, 2)
    assert (rows(store), blocks(store)) == (2 * EACH - 96, 4), "about so many, and the same block"
    while store.pack_step(BEGIN + 3 * DAY_MS, 2):
        pass
    assert (rows(store), blocks(store), stored(store)) == (EACH, 4, before)
    assert digests(store)[1] == []
    store.close()


def test_the_newest_interval_with_an_anchor_stays_a_row(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite", 1)
    with store.transaction():
        store.write_figures([figure(Q1, Period.INTERVAL, BEGIN + DAY_MS, None)], now_ms=1, reason="x")
    expected = store.anchor(Q1, BEGIN + 9 * DAY_MS)
    pack(store)
    left = "SELECT start_ms FROM figure WHERE period = 'interval' ORDER BY channel"
    assert store.connection.execute(left).fetchall() == [(BEGIN + DAY_MS - QUARTER,)] * 2
    assert store.anchor(Q1, BEGIN + 9 * DAY_MS) == expected is not None
    store.close()


def test_figures_without_digests_wait(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    store.connection.execute(f"UPDATE {REACH} SET complete = 0 WHERE kind = 'figure'")
    store.digest_writer.forget()
    store.figure_packer.look_again()
    assert not store.figure_packer.has_work(EVER)
    store.connection.execute(f"UPDATE {REACH} SET complete = 1 WHERE kind = 'figure'")
    store.digest_writer.forget()
    assert store.figure_packer.has_work(EVER)
    store.close()


def test_figures_of_which_a_database_has_not_been_seen_to_hold_the_last_change_wait(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    with store.transaction():
        store.outbox.serve("http://mill.test one")
    pack(store)
    assert blocks(store) == 0
    (sent,) = store.connection.execute(f"SELECT MAX(seq) FROM change WHERE start_ms < {BEGIN + DAY_MS}").fetchone()
    with store.transaction():
        store.outbox.keep([Mark(1, 0, Position(0, sent))], [])
    pack(store)
    assert (blocks(store), rows(store)) == (4, 3 * EACH), "the first day, and not the second"
    with store.transaction():
        store.outbox.keep([Mark(1, 0, Position(0, 10**6))], [])
    pack(store)
    assert rows(store) == 2
    with store.transaction():  # another database gets everything
        store.outbox.serve("http://mill.test two")
    assert store.connection.execute("SELECT COUNT(*) FROM change").fetchone() == (4 * EACH,)
    store.close()


def test_a_figure_that_changes_becomes_a_row_and_the_others_stay_packed(tmp_path: Path) -> None:
    """The version before is set aside as ever; who confirms a figure changes nothing; a gap that is filled is a row."""
    store = filled(tmp_path / "s.sqlite")
    pack(store)
    before, start = rows(store), BEGIN + 5 * QUARTER
    same = store.versions(Q1, Period.INTERVAL, start)[0]
    confirmed = figure(Q1, Period.INTERVAL, start, same.energy, 7)
    with store.transaction():
        assert store.write_figures([confirmed], now_ms=9, reason="late readings") == []
        assert (rows(store), blocks(store)) == (before, 4)
        gap = figure(Q1, Period.INTERVAL, BEGIN - QUARTER, 3)
        other = figure(Q1, Period.INTERVAL, start, 77, 7)
        assert store.write_figures([gap, other], now_ms=9, reason="late readings") == [gap, other]
    assert (rows(store), blocks(store)) == (before + 2, 4)
    assert [(v.version, v.energy, v.reason) for v in store.versions(Q1, Period.INTERVAL, start)] == [
        (1, same.energy, "closed"), (2, 77, "late readings")
    ]  # fmt: skip
    assert digests(store)[1] == []
    whole = stored(store)
    pack(store)
    assert (rows(store), blocks(store)) == (before, 5), "the gap is of the stretch before"
    assert (stored(store), digests(store)[1]) == (whole, [])
    store.close()


def test_the_live_case_looks_into_no_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A figure that is newer than the last packed one, also after a new start."""
    path = tmp_path / "s.sqlite"
    store = filled(path)
    pack(store)
    store.close()
    store = SqliteStore.writer(path)
    monkeypatch.setattr(figure_packing, "unpacked", lambda *_: pytest.fail("a block was read"))
    with store.transaction():
        fresh = [figure(channel, Period.INTERVAL, BEGIN + 4 * DAY_MS, 5, 1) for channel in CHANNELS]
        assert store.write_figures(fresh, now_ms=1, reason="x") == fresh
    assert isinstance(store.figure_packer, FigurePacker)
    store.close()


def test_rows_of_somebody_else_stay_rows(tmp_path: Path) -> None:
    """A text in the place of an energy; one that is no text any more ends only the packing of its stretch."""
    store = filled(tmp_path / "s.sqlite")
    where = f"WHERE channel = 1 AND period = 'interval' AND start_ms = {BEGIN}"
    store.connection.execute(f"UPDATE figure SET energy = 'rust' {where}")
    pack(store)
    assert (rows(store), blocks(store)) == (3, 4)
    with closing(sqlite3.connect(tmp_path / "s.sqlite")) as somebody:
        somebody.execute(f"UPDATE figure SET energy = 5, reason = CAST(X'FF' AS TEXT) {where}")
        somebody.commit()
    with store.transaction():
        new = [figure(CHANNELS[1], Period.INTERVAL, BEGIN + 4 * DAY_MS + i * QUARTER, 5, 1) for i in range(5)]
        store.write_figures(new, now_ms=1, reason="x")
    pack(store)
    assert store.connection.execute("SELECT COUNT(*) FROM figure").fetchone() == (3,)
    store.close()


def test_a_block_from_which_its_figures_do_not_come_back_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever makes it wrong, a library or a memory: the rows stay."""
    store = filled(tmp_path / "s.sqlite")
    before, unpacked = stored(store), figure_packing.unpacked

    def wrong(*contents: object) -> object:
        result = unpacked(*contents)
        result.table[1, 3] += 1
        return result

    monkeypatch.setattr(figure_packing, "unpacked", wrong)
    with pytest.raises(StoreError, match="do not come back from their block"):
        pack(store)
    monkeypatch.undo()
    assert (blocks(store), stored(store)) == (0, before)
    pack(store)
    assert (blocks(store), stored(store)) == (4, before)
    store.close()


def test_a_transaction_that_is_not_kept_packs_nothing_and_is_done_again(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    before = stored(store), rows(store)
    store.connection.execute(
        "CREATE TEMP TRIGGER full BEFORE DELETE ON main.figure BEGIN SELECT RAISE(ABORT, 'disk is full'); END"
    )
    for _ in range(2):
        with pytest.raises(sqlite3.IntegrityError, match="disk is full"):
            pack(store)
        assert (stored(store), rows(store), blocks(store)) == (*before, 0)
    store.connection.execute("DROP TRIGGER full")
    pack(store)
    assert (stored(store), blocks(store), digests(store)[1]) == (before[0], 4, [])
    store.close()


def test_killed_again_and_again_while_it_packs_each_figure_is_there_once(tmp_path: Path) -> None:
    """Kill -9 at moments that nobody chose; the digests hold before the next start, and the figures are those of before."""
    path, generator = tmp_path / "s.sqlite", random.Random(5)
    store = SqliteStore.writer(path)
    with store.transaction():
        for stretch in range(16):
            starts = range(BEGIN + stretch * 32 * DAY_MS, BEGIN + stretch * 32 * DAY_MS + 9 * HOUR, HOUR)
            store.write_figures(
                [figure(c, Period.HOUR, s, s // 7) for c in CHANNELS for s in starts], now_ms=1, reason="x"
            )
    before = stored(store)
    store.close()
    command, kills, seen = [sys.executable, "-m", "tests.adapters.store.packer_process", str(path)], 0, set()
    while True:
        child = subprocess.Popen(command, cwd=HERE, stdout=subprocess.PIPE)
        assert child.stdout is not None
        for _ in range(generator.randrange(2, 9)):
            child.stdout.readline()
        child.kill()
        kills += child.wait() != 0
        child.stdout.close()
        with closing(SqliteStore.reader(path)) as reader:
            assert stored(reader) == before
            assert rows(reader) == 9 * (48 - blocks(reader))
            seen.add(blocks(reader))
        with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as db:
            assert verify(db) == []
        if 48 in seen:
            break
    assert kills > 3
    assert len(seen) > 3


def test_a_store_that_was_cut_keeps_the_figures_in_blocks_whose_readings_are_gone(tmp_path: Path) -> None:
    """Nothing else says what they were. What is written twice, as a row and in a block, is there once."""
    path = tmp_path / "s.sqlite"
    store = filled(path, 8)
    with store.transaction():
        store.add_readings([reading(channel, BEGIN + 9 * DAY_MS, 5) for channel in CHANNELS[:2]])
        store.set_fact(FIGURES_FROM, str(BEGIN + 6 * DAY_MS))
    pack(store)
    expected = [row for row in stored(store) if int(str(row[3])) < BEGIN + 6 * DAY_MS]
    store.close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'figure'").fetchone()
    with path.open("r+b") as file:  # no row of a figure can be read
        file.seek((page - 1) * 4096)
        file.write(bytes(4096))
    store, salvage = open_sound(path)
    assert salvage is not None
    assert [row for row in stored(store) if int(str(row[3])) < BEGIN + 6 * DAY_MS] == expected
    assert digests(store)[1] == []
    store.close()
