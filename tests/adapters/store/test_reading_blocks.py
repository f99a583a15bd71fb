"""What a block holds comes back to the last bit, and what is no block is refused."""

import random
import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.store.bit_planes import DamagedBlock
from meterd.adapters.store.reading_blocks import (
    BITS,
    THOUSANDTHS,
    WHOLE,
    Row,
    columns_of_rows,
    header_of,
    in_order,
    joined,
    packed,
    same,
    unpacked,
)
from meterd.core.model.periods import DAY_MS

WIDE = st.integers(-(2**63), 2**63 - 1)
VALUES = st.one_of(WIDE, st.floats(allow_nan=False), st.integers(-(10**9), 10**9).map(lambda n: n / 1000))
ROWS = st.lists(st.tuples(WIDE, WIDE, VALUES, WIDE, WIDE), min_size=1, max_size=40)


@given(ROWS)
def test_any_rows_come_back(rows: list[Row]) -> None:
    """Numbers at the ends of 64 bits, floats that are not finite, and -0.0, which is equal to 0.0 and another number."""
    result = unpacked(packed(columns_of_rows(rows)))
    assert repr(result.rows()) == repr(rows)
    assert same(result, columns_of_rows(rows))


@given(ROWS, ROWS)
def test_columns_are_joined_and_sorted_as_rows_are(some: list[Row], others: list[Row]) -> None:
    result = in_order(joined([columns_of_rows(some), columns_of_rows(others)]))
    keys = [(row[1], row[2]) for row in result.rows()]
    assert keys == sorted(keys)
    assert sorted(map(repr, result.rows())) == sorted(map(repr, [*some, *others]))


@pytest.mark.parametrize(
    ("values", "form"),
    [([1, 2, -5], WHOLE), ([1.5, 2.001, -0.125], THOUSANDTHS), ([7, 1.5], THOUSANDTHS), ([1 / 3, 2.0], BITS),
     ([-0.0, 1.5], BITS), ([float("inf")], BITS), ([2**60, 0.5], BITS)],
)  # fmt: skip
def test_values_are_coded_as_they_take_the_least_room_without_loss(values: list[int | float], form: int) -> None:
    rows = [(number, number, value, number, 0) for number, value in enumerate(values)]
    content = packed(columns_of_rows(rows))
    assert content[0] == form
    assert repr(unpacked(content).rows()) == repr(rows)


def test_a_quarter_hour_and_a_minute_take_less_than_eight_bytes_a_reading() -> None:
    """With arrivals between 0 and 5 s after their time, among those of a hundred other registers."""
    generator = np.random.default_rng(7)
    for count, energy in ((96, 2_000_000), (1_440, 130_000)):
        times = 20_000 * DAY_MS + np.arange(count) * (DAY_MS // count)
        values = np.cumsum(generator.normal(energy, energy / 3, count).astype(np.int64))
        seqs = np.arange(count) * 100 + generator.integers(0, 100, count)
        received = times + generator.integers(0, 5_000, count)
        rows = list(zip(*(column.tolist() for column in (seqs, times, values, received)), [1] * count, strict=True))
        assert len(packed(columns_of_rows(rows))) / count < 7


def test_what_is_no_content_is_refused() -> None:
    """Nothing, texts, other lengths, more than any day can have; and each bit changed is refused or changes nothing."""
    rows: list[Row] = [(7 * i, 60_000 * i, 1_000 * i * i, 60_000 * i + i % 7, 1) for i in range(1, 60)]
    content = packed(columns_of_rows(rows))
    data = zlib.decompress(content[1:])
    many = zlib.compress(struct.pack("<I3q", 2**32 - 1, 0, 0, 0) + data[28:])
    wrong = (None, "text", b"", b"\x09" + content[1:], content[:-1], content + b"x", b"\x00" + zlib.compress(b""))
    cut = [bytes([WHOLE]) + zlib.compress(data[:size]) for size in (10, 28, 29, len(data) - 1)]
    for item in (*wrong, *cut, bytes([WHOLE]) + zlib.compress(data + b"x"), b"\x00" + many):
        with pytest.raises(DamagedBlock):
            unpacked(item)
    for place in range(len(content)):
        bit = 1 << random.Random(place).randrange(8)
        try:
            result = unpacked(content[:place] + bytes([content[place] ^ bit]) + content[place + 1 :])
        except DamagedBlock:
            continue
        assert result.rows() == rows


def test_what_a_row_says_of_its_content() -> None:
    rows: list[Row] = [(9, 5 * DAY_MS + 1, 3, 8, 1), (4, 5 * DAY_MS + 2, 3, 8, 1), (6, 6 * DAY_MS - 1, 9, 8, 1)]
    expected = (4, 9, 17, 5 * DAY_MS, 5 * DAY_MS + 1, 6 * DAY_MS - 1, 3)
    assert header_of(17, columns_of_rows(rows)) == expected


def test_a_span_of_columns_is_half_open() -> None:
    columns = columns_of_rows([(i, 10 * i, i, i, 0) for i in range(5)])
    assert [row[1] for row in columns.between(10, 30).rows()] == [10, 20]
    assert columns.between(-(2**63), 2**63 - 1) is columns
