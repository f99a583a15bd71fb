"""Missing and estimated are counted against what should be there."""

from hypothesis import given
from hypothesis import strategies as st

from meterd.core.energy.completeness import Completeness, StoredEnergies, completeness, intervals_due, together

QUARTER = 900_000


def test_what_is_not_kept_is_missing() -> None:
    """Of a day of 96 quarter hours 90 are known, 9 of them estimated with half the energy."""
    item = completeness(StoredEnergies(90, 9, 1000, 500), 96)
    assert (item.missing, item.estimated) == (6, 9)
    assert (item.missing_part, item.estimated_part, item.estimated_energy_part) == (0.0625, 0.09375, 0.5)


def test_without_anything_due_shares_are_undefined() -> None:
    """Not 0 and not 1."""
    item = completeness(StoredEnergies(), 0)
    assert (item.missing_part, item.estimated_part, item.estimated_energy_part) == (None, None, None)


def test_figures_beyond_what_is_due_are_no_negative_gap() -> None:
    """An instrument whose date was entered a day late has more figures than its time."""
    assert completeness(StoredEnergies(97), 96).missing == 0


def test_intervals_are_due_while_an_instrument_is_fitted() -> None:
    """A meter fitted in the middle of an interval is due from the next one on; an exchange leaves no hole."""
    day = (0, 96 * QUARTER)
    assert intervals_due(day, [], QUARTER) == 96
    assert intervals_due(day, [(QUARTER + 1, None)], QUARTER) == 94
    assert intervals_due(day, [(-5, 10 * QUARTER + 7), (10 * QUARTER + 7, None)], QUARTER) == 96
    assert intervals_due(day, [(0, 10 * QUARTER + 7)], QUARTER) == 10
    assert intervals_due(day, [(200 * QUARTER, None)], QUARTER) == 0


parts = st.builds(
    Completeness,
    st.integers(0, 99),
    st.integers(0, 99),
    st.integers(0, 99),
    st.integers(0, 10**9),
    st.integers(0, 10**9),
)


@given(st.lists(parts), st.lists(parts))
def test_parts_add_up_in_any_grouping(some: list[Completeness], others: list[Completeness]) -> None:
    """The site is the sum of its boards."""
    assert together([together(some), together(others)]) == together([*some, *others])
