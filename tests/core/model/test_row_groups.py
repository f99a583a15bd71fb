"""Groups of rows give what numpy gives group after group, whatever their sizes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.model.row_groups import FEWEST, LARGEST, reduced

SIZES = st.one_of(
    st.lists(st.integers(1, LARGEST + 2), min_size=1, max_size=FEWEST + 4),
    st.tuples(st.integers(1, 9), st.integers(1, LARGEST + 2), st.integers(FEWEST - 2, 60), st.integers(1, 9)).map(
        lambda item: [item[0], *[item[1]] * item[2], item[3]]
    ),
)


@settings(max_examples=150, deadline=None)
@given(sizes=SIZES, columns=st.integers(0, 3), seed=st.integers(0, 99), order=st.sampled_from("CF"))
def test_any_groups_are_those_of_numpy(sizes: list[int], columns: int, seed: int, order: str) -> None:
    """Sums, truth, flags and the largest of random rows; also rows before the first group are left out."""
    draw = np.random.default_rng(seed)
    first = np.cumsum([0, *sizes[:-1]])
    whole = np.asarray(draw.integers(-(2**60), 2**60, size=(sum(sizes), columns)), order=order)
    for ufunc, values in (
        (np.add, whole),
        (np.maximum, whole.astype(np.float64)),
        (np.logical_and, whole > -(2**59)),
        (np.bitwise_or, (whole % 31).astype(np.uint8)),
    ):
        expected = ufunc.reduceat(values, first, axis=0)
        result = reduced(ufunc, values, first)
        assert result.dtype == expected.dtype
        np.testing.assert_array_equal(result, expected)


@pytest.mark.parametrize("size", [1, 4, LARGEST])
def test_groups_of_one_size_are_added_without_numpy_going_through_them(size: int) -> None:
    """An hour of one register by hand: 1 + 2 + 3 + 4, and a last hour that is not whole."""
    values = np.arange(1, 40 * size + 2, dtype=np.int64)[:, None]
    first = np.arange(0, len(values), size)
    result = reduced(np.add, values, first)[:, 0]
    assert result[0] == size * (size + 1) // 2
    assert result[-1] == len(values)
    assert result.sum() == values.sum()
