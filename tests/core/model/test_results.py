"""Rows of stored figures: which points a balance misses, and a consumption that cannot be."""

import pytest

from meterd.core.model.periods import Period
from meterd.core.model.results import PvRow, consumed, points_of


@pytest.mark.parametrize(
    ("missing", "points"),
    [((), ()), (("t1", "q01"), ("t1", "q01")), (("t1 2.8.0", "t1 1.8.0"), ("t1", "t1")), (("room-01 1.8.0",), ("room-01",))],
)  # fmt: skip
def test_the_points_of_what_is_missing(missing: tuple[str, ...], points: tuple[str, ...]) -> None:
    """With the OBIS code behind the name or without it, in their order."""
    assert points_of(missing) == points


@pytest.mark.parametrize(("stored", "shown"), [(None, None), (0, 0), (7, 7), (-1, None)])
def test_a_consumption_below_zero_is_stored_and_not_shown(stored: int | None, shown: int | None) -> None:
    """The exact sum stays in the row; zero is a consumption, and missing stays missing."""
    row = PvRow(Period.DAY, 0, 86_400_000, 10, 20, 30, 5, stored, False)
    assert row.consumption == stored
    assert row.consumed == consumed(stored) == shown
