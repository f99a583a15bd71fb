"""Flows of balances are packed and come back as they were; those of earlier versions are packed beside the work."""

import json
import shutil
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store import reconciled_flows
from meterd.adapters.store.as_of import AsOfStore
from meterd.adapters.store.backup import backup
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.dump import BALANCE, ArchiveReader
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reconciled_flows import MOST, UNREADABLE, packed, unpacked
from meterd.adapters.store.recovery import open_sound
from meterd.adapters.store.renames import adopt
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow
from meterd.core.registers.corrections import FIGURES_FROM
from tests.adapters.store.earlier import back_to_version_9
from tests.adapters.store.journal import BEGIN, QUARTER

Flows = tuple[tuple[str, int], ...]
FEW: Flows = (("t1", 4_600), ("q01", 4_600))
ALWAYS = ("main", Period.INTERVAL, 0, 2**62)
ANY = st.integers(0, 70).flatmap(lambda bits: st.integers(-(2**bits), 2**bits))


def balance(number: int, flows: Flows, residual: int = 1_000, board: str = "main") -> BalanceRow:
    """The balance of an interval."""
    start = BEGIN + QUARTER * number
    return BalanceRow(
        board, Period.INTERVAL, start, start + QUARTER, 5, 4, residual, 2, "inside", False, reconciled=flows
    )


def write(store: SqliteStore, *rows: BalanceRow, now_ms: int = 1, reason: str = "closed") -> None:
    """Keep balances."""
    with store.transaction():
        store.write_balances(rows, now_ms=now_ms, reason=reason)


def compared(path: Path) -> list[str]:
    """What another process finds changed."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as db:
        return verify(db)


def forms(path: Path, table: str = "balance") -> list[str]:
    """How the flows of each balance are stored."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return [row[0] for row in db.execute(f"SELECT typeof(reconciled) FROM {table} ORDER BY board, start_ms")]


def packed_whole(path: Path) -> None:
    """Open a store and let it do all that waits."""
    with closing(SqliteStore.writer(path)) as store:
        while store.digest_step():
            pass


def exported(path: Path) -> list[tuple[object, ...]]:
    """The balances of all boards as an export has them."""
    with closing(ArchiveReader(path)) as reader:
        return [row for board in reader.boards() for row in reader.balances(board, *ALWAYS[1:])]


# -- there and back ----------------------------------------------------------------------------------------------------


@given(st.lists(st.lists(st.tuples(st.text(max_size=5), ANY), max_size=6).map(tuple), max_size=5))
@settings(max_examples=60, deadline=None)
def test_flows_of_any_points_size_and_sign_come_back(
    tmp_path_factory: pytest.TempPathFactory, lists: list[Flows]
) -> None:
    """As values and, in an export, as the text that earlier versions stored."""
    path = tmp_path_factory.mktemp("flows") / "s.sqlite"
    store = SqliteStore.writer(path)
    write(store, *(balance(i, flows) for i, flows in enumerate(lists)))
    assert [row.reconciled for row in store.balances(*ALWAYS)] == lists
    store.close()
    texts = [row[BALANCE.index("reconciled")] for row in exported(path)]
    assert texts == [json.dumps(flows, separators=(",", ":")) for flows in lists]
    small = [all(-MOST < mwh < MOST for _, mwh in flows) and flows != () for flows in lists]
    assert forms(path) == ["blob" if fits else "text" for fits in small]
    assert compared(path) == []


def by_hand(content: bytes, count: int) -> list[int]:
    """Flows as the README of the store says how they stand, bit by bit."""
    bits = "".join(f"{byte:08b}" for byte in content[1:])
    signed, k = divmod(content[0], 128)
    zeros = [len(part) for part in bits.split("1")[:count]]
    place, flows = sum(zeros) + count, []
    for length in (more + k for more in zeros):
        x = int("1" + bits[place : place + length], 2) - 2**k
        place += length
        flows.append(x if not signed else -(x + 1) // 2 if x % 2 else x // 2)
    return flows


@given(st.integers(1, 300), st.integers(1, 5), st.integers(0, 50), st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_what_is_packed_together_is_what_is_packed_alone(points: int, rows: int, bits: int, seed: int) -> None:
    """And hardly longer than the least: the bits behind the first, and what says how many they are."""
    flows = np.random.default_rng(seed).integers(-(2**bits) if seed % 2 else 0, 2**bits + 1, (rows, points))
    together = packed(flows)
    assert together == [packed(row[None])[0] for row in flows]
    assert unpacked(together, points).tolist() == flows.tolist()
    assert [by_hand(content, points) for content in together] == flows.tolist()
    assert max(map(len, together)) <= 2 + points * (bits + 4) / 8


@given(st.binary(max_size=40), st.integers(1, 20))
@settings(max_examples=300, deadline=None)
def test_bytes_that_are_no_flows_are_refused_or_are_whole_numbers(content: bytes, count: int) -> None:
    with suppress(StoreError):
        assert unpacked([content], count).shape == (1, count)


def test_flows_that_were_cut_and_points_that_are_gone_are_an_error_in_words(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    write(store, balance(0, FEW))
    store.close()
    for change, text in (
        ("UPDATE balance SET reconciled = substr(reconciled, 1, 6)", UNREADABLE),
        ("DELETE FROM flow_points", "the points of list .* of a balance are not in the store; restore a backup"),
    ):
        with closing(sqlite3.connect(path)) as db, db:
            db.execute(change)
        with closing(SqliteStore.reader(path)) as reader, pytest.raises(StoreError, match=text):
            reader.balances(*ALWAYS)
    assert compared(path) == ["flow_points", "balance main of 2026-03-28"]


def test_two_stores_hold_the_same_bytes_whichever_balance_came_first(tmp_path: Path) -> None:
    """The number of a list of points is made of their names."""
    rows = [balance(0, FEW), balance(1, (("t1", 5), ("q01", -5))), balance(2, (("t1", 7), ("q02", 7)))]
    contents = []
    for name, order in (("a", rows), ("b", rows[::-1])):
        store = SqliteStore.writer(tmp_path / name)
        for row in order:
            write(store, row)
        contents.append(store.connection.execute("SELECT * FROM balance ORDER BY start_ms").fetchall())
        contents.append(store.connection.execute("SELECT * FROM flow_points").fetchall())
        store.close()
    assert contents[:2] == contents[2:]
    assert len(contents[1]) == 2


def test_a_list_whose_number_another_one_has_stays_a_text(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    write(store, balance(0, FEW))
    (number,) = store.connection.execute("SELECT id FROM flow_points").fetchone()
    store.connection.execute("DELETE FROM flow_points")
    store.connection.execute("INSERT INTO flow_points VALUES (?, ?)", (number, '["t1","q02"]'))
    store.close()
    store = SqliteStore.writer(path)
    write(store, balance(1, FEW), balance(2, (("t1", 5), ("q02", 5))))
    assert [row.reconciled for row in store.balances("main", Period.INTERVAL, BEGIN + 1, 2**62)] == [
        FEW, (("t1", 5), ("q02", 5))
    ]  # fmt: skip
    store.close()
    assert forms(path) == ["blob", "text", "blob"]


def test_points_that_were_not_kept_are_kept_with_the_next_balance(tmp_path: Path) -> None:
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    with pytest.raises(OverflowError):
        write(store, balance(0, FEW, residual=2**70))
    assert store.connection.execute("SELECT COUNT(*) FROM flow_points").fetchone() == (0,)
    write(store, balance(0, FEW))
    assert [row.reconciled for row in store.balances(*ALWAYS)] == [FEW]
    store.close()


# -- a store of an earlier version -------------------------------------------------------------------------------------


def old_store(path: Path) -> list[BalanceRow]:
    """A store of version 9 with two boards and replaced balances; the balances that stand."""
    store = SqliteStore.writer(path)
    rows = [
        balance(i, (("t1", 10**6 + i), (f"q{i // 20:02d}", 10**6 - i)), board=board)
        for board in ("main", "north") for i in range(-30, 30)
    ]  # fmt: skip
    write(store, *rows, balance(40, ()))
    changed = [balance(i, (("t1", 7 * i), ("q09", 2**60)), 900) for i in range(0, 30, 3)]
    write(store, *changed, now_ms=2, reason="late reading")
    store.close()
    assert back_to_version_9(path) == 120
    assert set(forms(path)) == set(forms(path, "balance_old")) == {"text"}
    assert compared(path) == []
    fresh = {(row.board, row.start_ms): row for row in [*rows, balance(40, ()), *changed]}
    return [fresh[key] for key in sorted(fresh)]


def standing(store: SqliteStore) -> list[BalanceRow]:
    """The balances of both boards."""
    return [row for board in ("main", "north") for row in store.balances(board, *ALWAYS[1:])]


def killed(store: SqliteStore) -> None:
    """The process ended; nothing was closed in order."""
    store.digest_writer.finish = lambda: None  # type: ignore[method-assign]
    store.close()


def test_a_store_of_version_9_answers_the_same_before_while_and_after_its_flows_are_packed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed in the middle it goes on where it was; every digest holds at every moment; what comes meanwhile is packed."""
    monkeypatch.setattr(reconciled_flows, "PIECE_ROWS", 7)
    path, copy = tmp_path / "s.sqlite", tmp_path / "copy.sqlite"
    rows = old_store(path)
    texts = exported(path)
    with closing(SqliteStore.reader(path)) as reader:
        assert standing(reader) == rows
    store, pieces = SqliteStore.writer(path), 0
    reader = SqliteStore.reader(path)
    while store.digest_step():
        pieces += 1
        assert pieces < 100
        assert standing(reader) == standing(store) == rows
        assert exported(path) == texts
        assert compared(path) == []
        if pieces == 8:
            assert {"text", "blob"} == set(forms(path))
            backup(path, copy)
            killed(store)
            store = SqliteStore.writer(path)
        if pieces == 12:  # some of these are texts yet: the same is no version, another one is
            write(store, *rows, now_ms=3, reason="recalculated")
            rows[-1] = balance(29, FEW, board="north")
            write(store, rows[-1], now_ms=3, reason="recalculated")
            texts = exported(path)
    assert pieces > 20
    store.close()
    reader.close()
    assert forms(path).count("text") == 10 + 1  # flows that are too large, and none at all
    assert set(forms(path, "balance_old")) == {"blob"}
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT * FROM unpacked").fetchall() == []
        assert db.execute("SELECT COUNT(*) FROM balance_old").fetchone() == (11,)
        assert db.execute("SELECT COUNT(*) FROM digest WHERE link IS NULL").fetchone() == (0,)
    assert exported(copy) != texts
    store = SqliteStore.writer(copy)  # a backup of that moment goes on from there
    while store.digest_step():
        pass
    assert standing(store)[:-1] == rows[:-1]
    store.close()
    assert forms(copy).count("text") == 11


def test_the_past_of_balances_of_both_forms_is_asked(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    old_store(path)

    def past() -> list[list[BalanceRow]]:
        results = []
        for moment in (0, 1, 2):
            with closing(AsOfStore.at(path, moment)) as store:
                results.append(standing(store))
        return results

    before = past()
    assert [len(rows) for rows in before] == [0, 121, 121]
    assert before[1] != before[2]
    packed_whole(path)
    assert past() == before


def test_what_was_changed_in_a_store_of_version_9_is_still_told_and_what_cannot_be_read_stays(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    old_store(path)
    start = BEGIN + QUARTER * 29
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE balance SET residual = 5 WHERE board = 'main' AND start_ms = ?", (start,))
        db.execute("UPDATE balance SET reconciled = '[[1,2]]' WHERE board = 'north' AND start_ms = ?", (BEGIN,))
        db.execute("UPDATE balance SET reconciled = '{' WHERE board = 'north' AND start_ms = ?", (BEGIN + QUARTER,))
    packed_whole(path)
    with closing(sqlite3.connect(path)) as db:
        where = "SELECT reconciled FROM balance WHERE board = 'north' AND start_ms IN (?, ?)"
        stored = db.execute(where, (BEGIN, BEGIN + QUARTER)).fetchall()
    assert stored == [("[[1,2]]",), ("{",)]
    assert compared(path) == ["balance main of 2026-03-29", "balance north of 2026-03-28"]


def test_a_row_whose_text_is_none_any_more_ends_the_packing_of_its_table_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flipped byte in a store of version 9: the rows before it are packed, those from it on stay, it is told."""
    monkeypatch.setattr(reconciled_flows, "PIECE_ROWS", 7)
    path = tmp_path / "s.sqlite"
    old_store(path)
    with closing(sqlite3.connect(path)) as db, db:
        where = "board = 'north' AND start_ms = ?"
        db.execute(f"UPDATE balance SET reconciled = CAST(x'5bff5d' AS TEXT) WHERE {where}", (BEGIN + QUARTER,))
    packed_whole(path)
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT * FROM unpacked").fetchall() == []
        ask = "SELECT DISTINCT typeof(reconciled) FROM balance WHERE board = 'north' AND start_ms "
        assert db.execute(f"{ask} > ?", (BEGIN + QUARTER,)).fetchall() == [("text",)]
        assert db.execute(f"{ask} < ?", (BEGIN - 10 * QUARTER,)).fetchall() == [("blob",)]
    assert set(forms(path, "balance_old")) == {"blob"}
    assert [text[:18] for text in compared(path)] == ["it cannot be read:"]


def test_points_of_a_list_keep_the_names_they_had(tmp_path: Path) -> None:
    """As the text of earlier versions did: the list says which points were balanced then."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    write(store, balance(0, FEW))
    with store.transaction():
        adopt(store, "q01", "oven")
    write(store, balance(1, (("t1", 5), ("oven", 5))))
    assert [row.reconciled for row in store.balances(*ALWAYS)] == [FEW, (("t1", 5), ("oven", 5))]
    store.close()


@pytest.mark.parametrize("version", [9, 10])
def test_final_balances_of_a_damaged_store_keep_their_flows(version: int, tmp_path: Path) -> None:
    """Those whose list of points cannot be read are balances without flows."""
    path = tmp_path / "s.sqlite"
    rows = old_store(path)
    if version == 10:
        packed_whole(path)
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("INSERT INTO fact VALUES (?, ?)", (FIGURES_FROM, str(2**62)))
    lost = shutil.copy(path, tmp_path / "lost.sqlite")
    if version == 10:
        with closing(sqlite3.connect(lost)) as db, db:
            db.execute("DELETE FROM flow_points WHERE points LIKE '%q00%'")
    for file in (path, lost):
        with file.open("r+b") as raw:
            raw.write(bytes(4096))
        store, salvage = open_sound(file)
        assert salvage is not None
        for row, was in zip(standing(store), rows, strict=True):
            gone = file == lost and version == 10 and "q00" in dict(was.reconciled)
            assert row.reconciled == (() if gone else was.reconciled)
        store.close()
        assert ("text" in forms(file, "balance_old")) == (file == lost and version == 10)
        assert compared(file) == []
