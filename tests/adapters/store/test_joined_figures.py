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
from meterd.core.model.periods import Period
from meterd.core.model.results import FigureRow
from tests.adapters.store.figures import BEGIN, CHANNELS, HOUR, QUARTER, answers, blocks, figure, filled, stored
from tests.adapters.store.packing import EVER, digests, pack

MOMENTS = (BEGIN - HOUR, BEGIN, BEGIN + 5 * QUARTER, BEGIN + STRETCH_MS, BEGIN + 2 * STRETCH_MS)
PLACES = st.one_of(
    st.integers(0, 40), st.integers(STRETCH_MS // QUARTER - 4, STRETCH_MS // QUARTER + 4), st.integers(-9, 9000)
)
ENERGIES = st.one_of(st.none(), st.integers(0, 5), st.integers(-(2**40), 2**40), st.sampled_from([2**50, -(2**62)]))


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


@settings(max_examples=12, deadline=None)
@given(STEPS)
def test_figures_packed_and_changed_in_any_order_are_those_of_a_store_of_rows(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Sequence[object]]
) -> None:
    """New versions, repeats, names that become one, hours that are none any more; the digests are the same."""
    twins(tmp_path_factory.mktemp("twins"), steps)
