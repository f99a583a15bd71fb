"""Rows and blocks are read as one: whatever is stored, packed and deleted in whichever order, all answers are those of rows."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.renames import adopt
from meterd.adapters.store.retention import Pruning, prunable
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.results import Channel
from tests.adapters.store.packing import EVER, START, answers, blocks, digests, pack, reading, rows, stored_rows

CHANNELS: tuple[Channel, ...] = (("q01", IMPORT), ("q01", POWER), ("q02", IMPORT), ("q02", EXPORT))
MOMENTS = (START - 5, START + DAY_MS // 3, START + DAY_MS, START + 2 * DAY_MS + 1)
TIMES = st.one_of(
    st.integers(START - DAY_MS, START + 4 * DAY_MS),
    st.sampled_from([START + day * DAY_MS + more for day in range(4) for more in (-1, 0, 1)]),
)
COUNTS = st.one_of(st.integers(0, 5), st.integers(-(2**63), 2**63 - 1))
POWERS = st.one_of(st.integers(-5, 5).map(float), st.floats(allow_nan=False), st.integers(-9, 9).map(lambda n: n / 8))


@st.composite
def batches(draw: st.DrawFn) -> list[Reading]:
    """Readings of any register and day in any order, with repeats."""
    results = []
    for _ in range(draw(st.integers(1, 12))):
        channel = draw(st.sampled_from(CHANNELS))
        value = draw(POWERS if channel[1] == POWER else COUNTS)
        results.append(reading(channel, draw(TIMES), value, draw(st.integers(-9, 10**9))))
    return results + draw(st.lists(st.sampled_from(results), max_size=3))


STEPS = st.lists(
    st.one_of(
        batches(),
        st.tuples(st.just("pack"), TIMES, st.integers(1, 20), st.integers(1, 4)),
        st.tuples(st.just("pack"), st.just(EVER), st.just(10**6), st.just(10**6)),
        st.tuples(st.just("prune"), TIMES),
        st.just(("rename",)),
        st.just(("open",)),
    ),
    min_size=2,
    max_size=10,
)


def done(store: SqliteStore, path: Path, step: Sequence[object], known: list[Reading]) -> tuple[SqliteStore, object]:
    """The store after a step, and what the step returned."""
    if step[0] == "prune":
        what = prunable(store, dict.fromkeys(CHANNELS, int(str(step[1]))))
        pruning = Pruning(store, what)
        while what and pruning.step(3):
            pass
        return store, (what, pruning.gone)
    if step[0] == "rename":
        with store.transaction():
            return store, adopt(store, "q02", "q01")
    if step[0] == "open":
        store.close()
        return SqliteStore.writer(path), None
    with store.transaction():  # what was stored before comes again, too
        return store, store.add_readings([*known[::3], *(item for item in step if isinstance(item, Reading))])


@settings(max_examples=15, deadline=None)
@given(STEPS)
def test_any_readings_packed_and_pruned_in_any_order_are_those_of_a_store_of_rows(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Sequence[object]]
) -> None:
    """Late ones, repeats, names that become one; numbers and digests are the same, and the same readings count as new."""
    twins(tmp_path_factory.mktemp("twins"), steps)


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_the_same_at_length(tmp_path_factory: pytest.TempPathFactory, steps: list[Sequence[object]]) -> None:
    """Many more of them."""
    twins(tmp_path_factory.mktemp("twins"), steps)


def twins(folder: Path, steps: list[Sequence[object]]) -> None:
    """The same steps in a store of rows and in one that packs."""
    paths = folder / "rows.sqlite", folder / "blocks.sqlite"
    plain, packed = (SqliteStore.writer(path) for path in paths)
    known: list[Reading] = []
    for step in steps:
        if step[0] == "pack":
            pack(packed, *(int(str(item)) for item in step[1:]))
        else:
            plain, expected = done(plain, paths[0], step, known)
            packed, result = done(packed, paths[1], step, known)
            assert result == expected
            known += [item for item in step if isinstance(item, Reading)]
        assert stored_rows(packed) == stored_rows(plain)
        assert digests(packed) == digests(plain) == (digests(plain)[0], [])
    assert answers(packed, paths[1], MOMENTS) == answers(plain, paths[0], MOMENTS)
    plain.close()
    packed.close()


def filled(path: Path, days: int = 5) -> SqliteStore:
    """Some days of two registers, a reading each hour."""
    store = SqliteStore.writer(path)
    with store.transaction():
        for hour in range(24 * days):
            at = START + hour * 3_600_000
            store.add_readings(
                [reading(CHANNELS[0], at, hour * 1000), reading(CHANNELS[1], at + 1, hour / 4, 40 + hour)]
            )
    return store


def test_the_newest_of_each_register_and_the_last_of_all_stay_rows(tmp_path: Path) -> None:
    """Without them a number would be given twice, and a silent register would have no present."""
    store = filled(tmp_path / "s.sqlite")
    with store.transaction():
        store.add_readings([reading(CHANNELS[0], START + 5, 77)])  # the last, of a time long past
    last = store.connection.execute("SELECT MAX(seq) FROM reading").fetchone()
    pack(store)
    assert (rows(store), blocks(store)) == (3, 10)
    assert store.connection.execute("SELECT MAX(seq) FROM reading").fetchone() == last
    assert [len(store.newest(channel, 1)) for channel in CHANNELS[:2]] == [1, 1]
    store.close()


def test_a_reader_that_was_opened_before_the_store_had_blocks_sees_them_all(tmp_path: Path) -> None:
    """A page that is open while the daemon of this version takes over a store of the version before."""
    path = tmp_path / "s.sqlite"
    store = filled(path)
    before = stored_rows(store)
    store.close()
    with closing(sqlite3.connect(path)) as db:
        db.executescript("DROP TABLE reading_block; DROP TABLE figure_block; PRAGMA user_version = 10")
    reader = SqliteStore.reader(path)
    assert stored_rows(reader) == before
    questions = answers(reader, path, MOMENTS)
    store = SqliteStore.writer(path)
    pack(store)
    assert blocks(store)
    assert stored_rows(reader) == before
    assert answers(reader, path, MOMENTS) == questions
    reader.close()
    store.close()


def test_a_reader_never_sees_a_reading_twice_or_not_at_all_while_they_are_packed(tmp_path: Path) -> None:
    """Between its two statements the writer packs: both are of one moment."""
    path = tmp_path / "s.sqlite"
    store = filled(path)
    expected = stored_rows(store)
    with store.transaction():
        store.digest_writer.finish()
    reader = SqliteStore.reader(path)
    reader.connection.set_trace_callback(lambda _: store.pack_step(EVER, 1))
    for _ in range(30):
        assert stored_rows(reader) == expected
    assert blocks(store) == 10
    reader.connection.set_trace_callback(None)
    reader.close()
    store.close()


def test_a_damaged_block_is_told_and_the_other_days_are_read(tmp_path: Path) -> None:
    store = filled(tmp_path / "s.sqlite")
    pack(store)
    whole, tuesday = stored_rows(store), range(START + DAY_MS, START + 2 * DAY_MS)
    others = [row for row in whole if row[1] != IMPORT or row[3] not in tuesday]
    where = "WHERE channel = 1 AND start_ms = ?"
    (content,) = store.connection.execute(f"SELECT content FROM reading_block {where}", (START + DAY_MS,)).fetchone()
    harmless = 0
    for place in range(len(content)):
        changed = content[:place] + bytes([content[place] ^ 16]) + content[place + 1 :]
        store.connection.execute(f"UPDATE reading_block SET content = ? {where}", (changed, START + DAY_MS))
        if stored_rows(store) == whole:  # spare bits of the compression
            harmless += 1
            continue
        assert digests(store)[1] == ["reading q01 1.8.0 of 2024-10-05"]
        assert [row for row in stored_rows(store) if row in set(others)] == others
    assert harmless < len(content) / 20
    late = reading(CHANNELS[0], START + DAY_MS + 30, 5)
    with store.transaction():
        assert store.add_readings([late]) == [late]
    pack(store)
    assert store.connection.execute(f"SELECT content FROM reading_block {where}", (START + DAY_MS,)).fetchone() == (
        changed,
    )
    assert store.readings_between(CHANNELS[0], START + DAY_MS, START + 2 * DAY_MS, most=99) == [late]
    store.close()


@pytest.mark.parametrize(
    "change",
    [
        "last_seq = last_seq + 1", "first_seq = first_seq + 1000000", "start_ms = start_ms + 86400000 * 30",
        "first_ms = first_ms + 1", "last_ms = last_ms - 1", "count = count + 1", "channel = 7",
    ],
)  # fmt: skip
def test_what_the_row_of_a_block_says_is_compared_with_what_it_holds(tmp_path: Path, change: str) -> None:
    store = filled(tmp_path / "s.sqlite")
    pack(store)
    store.connection.execute(f"UPDATE reading_block SET {change} WHERE channel = 1 AND start_ms = {START + DAY_MS}")
    assert any("2024-10-05" in text for text in digests(store)[1])
    store.close()
