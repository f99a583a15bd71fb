"""Fingerprints of rows by day: the same by every way, whatever the order, and the same day for Python and the database."""

import sqlite3
from contextlib import closing
from random import Random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.store.digests import KINDS, Covered, day_of, fingerprint, summed, summed_by_day
from meterd.adapters.store.reading_digests import summed_texts
from meterd.core.model.periods import DAY_MS

BALANCE = Covered("balance", "board", "start_ms")
COLUMNS = ["board", "start_ms", "residual"]
moments = st.integers(-400 * DAY_MS, 400 * DAY_MS)
rows = st.lists(st.tuples(st.sampled_from(["main", "annex"]), moments, st.integers(-5, 5)), max_size=30)


@given(moments)
def test_python_and_the_database_cut_days_at_the_same_moments(at_ms: int) -> None:
    """Also before 1970, where one of them rounds down by itself: a trigger and a bulk insert must meet in one digest."""
    with closing(sqlite3.connect(":memory:")) as db:
        assert day_of(at_ms) == db.execute(f"SELECT ? / {DAY_MS}", (at_ms,)).fetchone()[0]
    assert day_of(None) == day_of("yesterday") == 0


@given(rows, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_count_and_a_lost_or_doubled_row_does(
    some: list[tuple[object, ...]], random: Random
) -> None:
    turned = list(some)
    random.shuffle(turned)
    whole = summed(BALANCE, COLUMNS, some)
    assert summed(BALANCE, COLUMNS, turned) == whole
    if some:
        assert summed(BALANCE, COLUMNS, some[1:]) != whole
        assert summed(BALANCE, COLUMNS, [*some, some[0]]) != whole
        assert summed(BALANCE, COLUMNS, [("other", *some[0][1:]), *some[1:]]) != whole


@given(st.lists(moments, max_size=40))
def test_the_fast_sum_of_one_series_is_the_slow_one(starts: list[int]) -> None:
    series = [("main", at_ms, 7) for at_ms in starts]
    slow = {day: total for (_, _, day), total in summed(BALANCE, COLUMNS, series).items()}
    assert summed_by_day(series, 1) == slow
    assert summed_texts(np.array(starts, dtype=np.int64), [repr(row) for row in series]) == slow


def test_tables_without_a_time_stand_under_day_0_and_those_without_series_under_none() -> None:
    facts = summed(KINDS["fact"], ["name", "value"], [("closed_to_ms", "1"), ("instruments", "{}")])
    assert set(facts) == {("fact", "closed_to_ms", 0), ("fact", "instruments", 0)}
    corrections = summed(KINDS["correction"], ["id"], [(1,), (2,)])
    assert corrections == {("correction", "", 0): (2, fingerprint((1,)) + fingerprint((2,)))}
