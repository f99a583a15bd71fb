"""Fingerprints of many readings at once are those of each by itself, and no change of a reading keeps them."""

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.store.digests import READING, fingerprint
from meterd.adapters.store.reading_digests import fingerprints, reading_hash, summed_history, summed_readings
from meterd.core.model.periods import DAY_MS

numbers = st.integers(-(2**63), 2**63 - 1)
values = st.one_of(numbers, st.floats(allow_nan=False))
DAY = 20_000


def by_hand(row: tuple[int, ...]) -> int:
    """The formula in whole numbers without an end."""
    mixed = 0x9E3779B97F4A7C15
    for column in row:
        mixed = (mixed ^ (column % 2**64)) * 0xD6E8FEB86659FD93 % 2**64
        mixed ^= mixed >> 32
    return (mixed * 0xC2B2AE3D27D4EB4F % 2**64) >> 24


@given(st.lists(numbers, min_size=6, max_size=6))
def test_the_formula_by_hand(row: list[int]) -> None:
    assert fingerprints([np.array([column], dtype=np.int64) for column in row]).tolist() == [by_hand(tuple(row))]


@given(
    st.lists(st.tuples(numbers, st.integers(1, 3), st.integers(-(2**50), 2**50), values, numbers, numbers), max_size=9)
)
def test_sums_are_those_of_each_row_by_itself(rows: list[tuple[object, ...]]) -> None:
    sums = summed_readings(rows, 0)
    assert sum(count for count, _ in sums.values()) == len(rows)
    assert sum(total for _, total in sums.values()) == sum(reading_hash(0, *row) for row in rows)


def test_one_bit_of_any_column_is_another_fingerprint() -> None:
    generator = random.Random(7)
    row = (123_456, 17, DAY * DAY_MS + 5, 1_234_567, DAY * DAY_MS + 9, 1)
    seen = {reading_hash(0, *row)}
    for column in range(6):
        for bit in range(63):
            changed = [value ^ (1 << bit) if j == column else value for j, value in enumerate(row)]
            seen.add(reading_hash(0, *changed))
    assert len(seen) == 1 + 6 * 63
    pairs = {reading_hash(0, *(generator.randrange(2**40) for _ in range(6))) for _ in range(20_000)}
    assert len(pairs) == 20_000


def test_values_that_two_readings_have_exchanged_are_another_sum() -> None:
    item = [(1, 1, DAY * DAY_MS, 5, 0, 1), (2, 1, DAY * DAY_MS + 1, 6, 0, 1)]
    other = [(1, 1, DAY * DAY_MS, 6, 0, 1), (2, 1, DAY * DAY_MS + 1, 5, 0, 1)]
    assert summed_readings(item, 0) != summed_readings(other, 0)


@pytest.mark.parametrize("value", [1.0, 1.5, "1", b"1", None])
def test_what_looks_like_a_whole_number_or_is_none_is_another_value(value: object) -> None:
    assert reading_hash(0, 1, 1, 1, value, 1, 1) != reading_hash(0, 1, 1, 1, 1, 1, 1)


def test_a_history_is_digested_as_its_rows_would_be_in_any_order_of_time() -> None:
    generator = np.random.default_rng(3)
    times = generator.permutation(np.arange(500, dtype=np.int64)) * (DAY_MS // 100) + DAY * DAY_MS
    shown = generator.integers(0, 2**40, 500)
    rows = [(40 + i, 7, int(t), int(v), 99, 1) for i, (t, v) in enumerate(zip(times, shown, strict=True))]
    sums = summed_history(40, 7, times, values=shown, received_ms=99, marks=1)
    assert sums == summed_readings(rows, 0)
    assert [(key, count) for key, (count, _) in sums.items()] == [((READING, 7, DAY + d), 100) for d in range(5)]


def test_readings_that_version_7_has_digested_keep_their_fingerprint() -> None:
    rows = [(seq, 1, DAY * DAY_MS, seq, 0, 1) for seq in range(1, 5)]
    ((count, total),) = summed_readings(rows, 2).values()
    assert count == 4
    assert total == fingerprint(rows[0]) + fingerprint(rows[1]) + reading_hash(2, *rows[2]) + reading_hash(2, *rows[3])
    assert reading_hash(2, *rows[1]) == fingerprint(rows[1])
    assert summed_readings([], 2) == {}
