"""Whole numbers divided without loss: Keshav's max-min example, floors, and the largest remainder."""

import csv
import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.fair_division import largest_remainder, max_min, max_min_from, percents

VECTORS = Path(__file__).parents[2] / "vectors"
ROUNDING = (VECTORS / "pv_rounding_vectors.csv").read_text(encoding="utf-8").splitlines()


def test_keshav_example_is_exact() -> None:
    """Demands 2, 2.6, 4, 5 of 10 give 2, 2.6, 2.7, 2.7 (Keshav 1997; checks.md, PV)."""
    assert max_min(10_000, np.array([2000, 2600, 4000, 5000])).tolist() == [2000, 2600, 2700, 2700]


@given(st.integers(0, 10**6), st.lists(st.integers(0, 10**5), min_size=1, max_size=40))
def test_max_min_is_fair_and_exact(total: int, demand: list[int]) -> None:
    """Nobody gets more than asked, all is shared, and who gets less than asked gets as much as anybody (to a watt)."""
    asked = np.array(demand, dtype=np.int64)
    shares = max_min(total, asked)
    assert int(shares.sum()) == min(total, sum(demand))
    assert (shares <= asked).all()
    short = shares < asked
    if short.any():
        assert int(shares[short].min()) >= int(shares.max()) - 1


@given(
    st.integers(0, 10**6), st.lists(st.tuples(st.integers(0, 10**4), st.integers(0, 10**4)), min_size=1, max_size=40)
)
def test_floors_are_kept(spare: int, rows: list[tuple[int, int]]) -> None:
    """With floors everyone has at least the floor, all is shared, and only floors stand above the level."""
    floor = np.array([low for low, _ in rows], dtype=np.int64)
    demand = floor + np.array([more for _, more in rows], dtype=np.int64)
    total = int(floor.sum()) + spare
    shares = max_min_from(total, floor, demand)
    assert int(shares.sum()) == min(total, int(demand.sum()))
    assert ((shares >= floor) & (shares <= demand)).all()
    raised, short = shares > floor, shares < demand
    if raised.any() and short.any():
        assert int(shares[raised].max()) <= int(shares[short].min()) + 1


def test_nothing_to_share_gives_nothing() -> None:
    """Without a total or without demands all shares are zero."""
    assert max_min(0, np.array([5])).tolist() == [0]
    assert max_min(-3, np.array([5])).tolist() == [0]
    assert max_min(5, np.array([], dtype=np.int64)).tolist() == []


@pytest.mark.parametrize("row", list(csv.DictReader(ROUNDING)), ids=lambda r: r["exact"])
def test_rounding_vectors(row: dict[str, str]) -> None:
    """Largest remainder, ties by name: pv_rounding_vectors.csv (computed there)."""
    total, weights = int(row["total_Wh"]), json.loads(row["weights"])
    exact = [Fraction(total * w, sum(weights)) for w in weights]
    names = [f"user{i}" for i in range(len(weights))]
    assert largest_remainder(total, exact, names) == json.loads(row["whole_Wh"])
    assert [round(float(e), 4) for e in exact] == json.loads(row["exact"])


def test_ties_go_by_name_not_by_place() -> None:
    """The same parts in another order give everybody the same number."""
    third = Fraction(100, 3)
    assert largest_remainder(100, [third] * 3, ["c", "a", "b"]) == [33, 34, 33]


@given(st.lists(st.integers(0, 10**12), min_size=1, max_size=60).filter(any))
def test_percentages_add_up_to_a_hundred_as_they_are_shown(energies: list[int]) -> None:
    """And none is a step or more from its exact value: by itself, three thirds would make 99.9."""
    whole = sum(energies)
    exact = [energy / whole for energy in energies]
    shown = percents(exact)
    known = [value for value in shown if value is not None]
    assert sum(Fraction(f"{value:.1f}") for value in known) == 100
    assert all(abs(value - 100 * part) < 0.1 + 1e-9 for value, part in zip(known, exact, strict=True))


def test_percentages_beside_a_missing_one_keep_their_sum() -> None:
    """It is not made up for by the others; a negative part is one, too."""
    assert percents([1 / 6, 1 / 6, None, 1 / 6]) == [16.7, 16.7, None, 16.6]
    assert percents([1.0625, -0.0625]) == [106.3, -6.3]
    assert percents([None]) == [None]
    assert percents([]) == []
