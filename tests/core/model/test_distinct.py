"""Distinct values, held to those of the library."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.distinct import distinct


@given(st.lists(st.integers(-(2**62), 2**62)), st.sampled_from([1, 2]))
def test_the_same_as_the_library(values: list[int], wide: int) -> None:
    """Of any shape; nothing of nothing."""
    array = np.array(values * wide, dtype=np.int64).reshape(-1, wide)
    assert distinct(array).tolist() == np.unique(array).tolist()
    assert distinct(array).dtype == np.int64
