"""Any parent is exactly its parts; a missing part makes it missing; the peak is the first of equals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.energy.rollup import Columns, maximum_demand, mean_power_w, roll_up, runs
from meterd.core.registers.register_line import Flag

ROWS = st.tuples(st.integers(-(10**12), 10**12), st.booleans(), st.integers(0, 7))


def columns(rows: list[tuple[int, bool, int]]) -> Columns:
    """One register; a missing figure has neither energy nor flags, as everywhere."""
    energy = np.array([[e if p else 0] for e, p, _ in rows], dtype=np.int64)
    flags = np.array([[f if p else 0] for _, p, f in rows], dtype=np.uint8)
    return Columns(energy, np.array([[p] for _, p, _ in rows]), flags)


@given(st.lists(st.tuples(st.lists(ROWS, min_size=1, max_size=8), st.integers(0, 2)), min_size=1, max_size=6))
def test_sums_are_those_of_plain_arithmetic(parents: list[tuple[list[tuple[int, bool, int]], int]]) -> None:
    """Sum, presence and flags of each parent, worked out part by part; `expected` may ask for more than there is."""
    parts = [row for own, _ in parents for row in own]
    first = np.cumsum([0, *(len(own) for own, _ in parents)])[:-1]
    expected = np.array([len(own) + extra for own, extra in parents])
    rolled = roll_up(columns(parts), first, expected)
    for i, (own, extra) in enumerate(parents):
        whole = extra == 0 and all(p for _, p, _ in own)
        assert bool(rolled.present[i, 0]) is whole
        assert rolled.energy[i, 0] == (sum(e for e, _, _ in own) if whole else 0)
        bound = any(f & Flag.BOUND for _, _, f in own)
        flags = (own[0][2] & Flag.START) | (own[-1][2] & Flag.END) | Flag.BOUND * bound
        assert rolled.flags[i, 0] == (flags if whole else 0)


@given(st.lists(ROWS, min_size=12, max_size=12))
def test_a_sum_does_not_depend_on_how_it_was_cut(rows: list[tuple[int, bool, int]]) -> None:
    """Twelve quarter hours to three hours to one sum is the same as all at once."""
    parts = columns(rows)
    hours = roll_up(parts, np.array([0, 4, 8]), np.array([4, 4, 4]))
    twice = roll_up(hours, np.array([0]), np.array([3]))
    once = roll_up(parts, np.array([0]), np.array([12]))
    for name in ("energy", "present", "flags"):
        assert getattr(twice, name).tolist() == getattr(once, name).tolist()


def test_an_estimated_boundary_inside_does_not_make_the_sum_estimated() -> None:
    """Rule 2 of the numbers: the energy over a gap is known, so a day around a gap is good."""
    flags = [0, Flag.END, Flag.START | Flag.END, Flag.START]
    rolled = roll_up(columns([(5, True, f) for f in flags]), np.array([0]), np.array([4]))
    assert (rolled.energy.tolist(), rolled.flags.tolist()) == ([[20]], [[0]])


@pytest.mark.parametrize(
    ("energy", "present", "expected"),
    [
        ([250_000, 500_000, 500_000], [1, 1, 1], (1, 2000.0)),  # the first of equals
        ([900_000, 500_000], [0, 1], (1, 2000.0)),  # a missing interval is no peak
        ([-500_000, -250_000], [1, 1], (1, -1000.0)),
        ([0], [1], (0, 0.0)),
        ([5], [0], None),
        ([], [], None),
    ],
)
def test_maximum_demand(energy: list[int], present: list[int], expected: tuple[int, float] | None) -> None:
    results = maximum_demand(np.array(energy, dtype=np.int64), np.array(present, dtype=bool), 900_000)
    assert results == expected


def test_mean_power_of_an_hour_and_of_a_quarter() -> None:
    """1 kWh in an hour is 1 kW, in a quarter hour 4 kW."""
    assert (mean_power_w(1_000_000, 3_600_000), mean_power_w(1_000_000, 900_000)) == (1000.0, 4000.0)


def test_runs_of_starts_are_cut_at_large_holes_and_lose_none() -> None:
    starts = np.array([0, 900, 1800, 9000, 9900, 100_000], dtype=np.int64)
    assert runs(starts, 7200) == [(0, 1800), (9000, 9900), (100_000, 100_000)]
    assert runs(starts, 7201) == [(0, 9900), (100_000, 100_000)]
    assert runs(starts, 2**62) == [(0, 100_000)]
    assert runs(starts[:0], 1) == []
