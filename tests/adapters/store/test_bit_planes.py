"""Tables of numbers come back from their planes of bits, and what is none is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.store.bit_planes import DamagedBlock, compressed, inflated, planes_of, table_of

NUMBERS = st.one_of(st.integers(-9, 9), st.integers(-(2**63), 2**63 - 1))
TABLES = st.integers(1, 20).flatmap(
    lambda count: st.lists(st.lists(NUMBERS, min_size=count, max_size=count), min_size=1)
)


@given(TABLES)
def test_any_table_comes_back(rows: list[list[int]]) -> None:
    """Numbers at the ends of 64 bits, and rows of zeros, which have no plane."""
    data = b"before" + planes_of(np.array(rows, dtype=np.int64))
    assert table_of(data, len(b"before"), len(rows), len(rows[0])).tolist() == rows


def test_planes_of_another_number_of_rows_or_columns_are_refused() -> None:
    data = planes_of(np.array([[1, 2, 3], [0, 0, 0]], dtype=np.int64))
    assert data == bytes([3, 0, 0b000, 0b101, 0b110]), "2, 4 and 6, the lowest bits first"
    for begin, rows, count in ((0, 2, 0), (0, 2, 9), (0, 1, 3), (0, 9, 3), (1, 2, 3)):
        with pytest.raises(DamagedBlock):
            table_of(data, begin, rows, count)
    with pytest.raises(DamagedBlock):
        table_of(bytes([65, 0]) + bytes(65), 0, 2, 3)


def test_what_is_compressed_is_read_to_its_last_byte_or_not_at_all() -> None:
    content = compressed(b"q01" * 99)
    assert inflated(memoryview(content)) == b"q01" * 99
    for wrong in (b"", content[:-1], content + b"x", b"q01"):
        with pytest.raises(DamagedBlock):
            inflated(memoryview(wrong))
