"""Figures in rows and blocks are read as one: whatever is written, packed and renamed, all answers are those of rows."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.figure_blocks import STRETCH_MS
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.obsolete_periods import withdraw
from meterd.adapters.store.renames import adopt
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.results import FigureRow
from tests.adapters.store.figures import BEGIN, CHANNELS, HOUR, QUARTER, answers, blocks, figure, filled, stored
from tests.adapters.store.packing import EVER, digests, pack

MOMENTS = (BEGIN - HOUR, BEGIN, BEGIN + 5 * QUARTER, BEGIN + STRETCH_MS, BEGIN + 2 * STRETCH_MS)
PLACES = st.one_of(
    st.integers(0, 40), st.integers(STRETCH_MS // QUARTER - 4, STRETCH_MS // QUARTER + 4), st.integers(-9, 9000)
)
ENERGIES = st.one_of(st.none(), st.integers(0, 5), st.integers(-(2**40), 2**40), st.sampled_from([2**50, -(2**55)]))


@st.composite
def figures(draw: st.DrawFn) -> list[FigureRow]:
    """Figures of any register and period, some of them in a row; the same ones again with other values."""
    results = []
    for _ in range(draw(st.integers(1, 4))):
        channel, place = draw(st.sampled_from(CHANNELS)), draw(PLACES)
        period = draw(st.sampled_from([Period.INTERVAL, Period.INTERVAL, Period.HOUR, Period.DAY]))
        step = QUARTER if period is Period.INTERVAL else HOUR
        for number in range(draw(st.integers(1, 9))):
            anchor = draw(st.none() | st.integers(-5, 9))
            results.append(figure(channel, period, BEGIN + (place + number) * step, draw(ENERGIES), anchor))
    return results


STEPS = st.lists(
    st.one_of(
        figures(),
        figures(),
        st.tuples(st.just("pack"), st.integers(BEGIN, BEGIN + 2 * STRETCH_MS), st.integers(1, 20), st.integers(1, 4)),
        st.tuples(st.just("pack"), st.just(EVER), st.just(10**6), st.just(10**6)),
        st.tuples(st.just("withdraw"), st.integers(1, 3)),
        st.just(("rename",)),
        st.just(("open",)),
        st.just(("feed",)),
    ),
    min_size=2,
    max_size=9,
)


def done(store: SqliteStore, path: Path, step: Sequence[object], now_ms: int) -> tuple[SqliteStore, object]:
    """The store after a step, and what the step returned."""
    if step[0] == "open":
        store.close()
        return SqliteStore.writer(path), None
    with store.transaction():
        if step[0] == "rename":
            return store, adopt(store, "q02", "q01")
        if step[0] == "withdraw":  # each second or third hour is none
            every = int(str(step[1])) + 1
            return store, withdraw(store, (BEGIN, BEGIN + STRETCH_MS), lambda _, start: start // HOUR % every > 0)
        if step[0] == "feed":
            store.outbox.serve(f"http://mill.test {now_ms}")
            return store, None
        given = [item for item in step if isinstance(item, FigureRow)]
        return store, store.write_figures(given, now_ms=now_ms, reason=f"late readings {now_ms % 3}")


def twins(folder: Path, steps: list[Sequence[object]]) -> None:
    """Two stores that do the same, one of which packs."""
    paths = folder / "rows.sqlite", folder / "blocks.sqlite"
    plain, packed = (SqliteStore.writer(path) for path in paths)
    for now_ms, step in enumerate(steps):
        if step[0] == "pack":
            pack(packed, *(int(str(item)) for item in step[1:]))
        else:
            plain, expected = done(plain, paths[0], step, now_ms)
            packed, result = done(packed, paths[1], step, now_ms)
            assert result == expected
        assert stored(packed) == stored(plain)
        assert digests(packed) == digests(plain) == (digests(plain)[0], [])
    last = len(steps)
    expected = answers(plain, paths[0], MOMENTS, (0, last // 2, last))
    assert answers(packed, paths[1], MOMENTS, (0, last // 2, last)) == expected
    plain.close()
    packed.close()


@settings(max_examples=8, deadline=None)
@given(STEPS)
def test_figures_packed_and_changed_in_any_order_are_those_of_a_store_of_rows(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Sequence[object]]
) -> None:
    """New versions, repeats, names that become one, hours that are none any more; the digests are the same."""
    twins(tmp_path_factory.mktemp("twins"), steps)


@settings(max_examples=200, deadline=None)
@given(STEPS)
def test_the_same_at_length(tmp_path_factory: pytest.TempPathFactory, steps: list[Sequence[object]]) -> None:
    """Many more of them."""
    twins(tmp_path_factory.mktemp("twins"), steps)


def test_a_reader_that_was_opened_before_the_store_had_blocks_sees_them_all(tmp_path: Path) -> None:
    """A page that is open while the daemon of this version takes over a store of the version before."""
    path = tmp_path / "s.sqlite"
    store = filled(path)
    before = stored(store)
    store.close()
    with closing(sqlite3.connect(path)) as db:
        db.executescript("DROP TABLE figure_block; PRAGMA user_version = 11")
    reader = SqliteStore.reader(path)
    assert stored(reader) == before
    questions = answers(reader, path, MOMENTS, (BEGIN - 1, BEGIN))
    store = SqliteStore.writer(path)
    pack(store)
    assert blocks(store) == 4
    assert stored(reader) == before
    assert answers(reader, path, MOMENTS, (BEGIN - 1, BEGIN)) == questions
    reader.close()
    store.close()


def test_a_reader_never_sees_a_figure_twice_or_not_at_all_while_they_are_packed(tmp_path: Path) -> None:
    """Between its two statements the writer packs: both are of one moment."""
    path = tmp_path / "s.sqlite"
    store = filled(path)
    expected, span = stored(store), (BEGIN, BEGIN + 4 * DAY_MS)
    total = store.known_sum(CHANNELS[1], *span)
    reader = SqliteStore.reader(path)
    reader.connection.set_trace_callback(lambda _: store.pack_step(EVER, 1))
    for _ in range(5):
        assert reader.known_sum(CHANNELS[1], *span) == total
        assert stored(reader) == expected
    assert blocks(store) == 4
    reader.connection.set_trace_callback(None)
    reader.close()
    store.close()


def test_a_damaged_block_is_told_and_the_others_are_read(tmp_path: Path) -> None:
    """Its days are named; what is calculated anew stands as rows, and is not packed beside it."""
    store = filled(tmp_path / "s.sqlite", 3)
    pack(store)
    whole, where = stored(store), "WHERE channel = 1 AND period = 'hour'"
    others = [row for row in whole if row[:3] != (*CHANNELS[0], Period.HOUR)]
    for column in ("energies", "rest"):
        (content,) = store.connection.execute(f"SELECT {column} FROM figure_block {where}").fetchone()
        for place in (0, 5, len(content) // 2, len(content) - 2):
            changed = content[:place] + bytes([content[place] ^ 16]) + content[place + 1 :]
            store.connection.execute(f"UPDATE figure_block SET {column} = ? {where}", (changed,))
            assert stored(store) == others
            assert digests(store)[1] == [f"figure q01 1.8.0 of 2024-10-0{day}" for day in (4, 5, 6)]
        store.connection.execute(f"UPDATE figure_block SET {column} = ? {where}", (content,))
    assert digests(store)[1] == []
    store.connection.execute(f"UPDATE figure_block SET rest = X'00' {where}")
    anew = figure(CHANNELS[0], Period.HOUR, BEGIN, 5)
    with store.transaction():
        assert store.write_figures([anew], now_ms=1, reason="x") == [anew]
    pack(store)
    assert store.connection.execute(f"SELECT rest FROM figure_block {where}").fetchone() == (b"\0",)
    assert [version.energy for version in store.versions(CHANNELS[0], Period.HOUR, BEGIN)] == [5]
    store.close()


@pytest.mark.parametrize(
    "change",
    [
        "channel = 7",
        "period = 'day'",
        "start_ms = start_ms - 1",
        "first_ms = first_ms + 1",
        "last_ms = last_ms - 1",
        "count = 1",
    ],
)
def test_what_the_row_of_a_block_says_is_compared_with_what_it_holds(tmp_path: Path, change: str) -> None:
    store = filled(tmp_path / "s.sqlite", 2)
    pack(store)
    store.connection.execute(f"UPDATE figure_block SET {change} WHERE channel = 1 AND period = 'hour'")
    assert any("2024-10-0" in text for text in digests(store)[1])
    store.close()
