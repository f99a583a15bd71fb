"""A period that begins before the history or is not over: what of it is known."""

import numpy as np
import pytest

from meterd.core.energy.partial_period import PartialPeriod, first_known, partial_period_of, pv_in
from meterd.core.model.periods import Period
from meterd.core.model.results import PvRow


@pytest.mark.parametrize(
    ("period", "history", "results"),
    [
        ((0, 100), (0, 100), None),
        ((0, 100), (-50, 150), None),
        ((0, 100), None, None),
        ((0, 100), (100, 200), None),
        ((0, 100), (-9, 0), None),
        ((0, 100), (40, 200), PartialPeriod(40, 100, begins=True, so_far=False)),
        ((0, 100), (-9, 60), PartialPeriod(0, 60, begins=False, so_far=True)),
        ((0, 100), (40, 60), PartialPeriod(40, 60, begins=True, so_far=True)),
    ],
)
def test_what_lies_in_the_history(
    period: tuple[int, int], history: tuple[int, int] | None, results: PartialPeriod | None
) -> None:
    assert partial_period_of(period, history) == results


def test_rows_before_the_first_known_are_left_out() -> None:
    assert first_known(np.array([False, False, True, False])) == 2
    assert first_known(np.array([False, False])) == 2
    assert first_known(np.array([], dtype=np.bool_)) == 0


def pv(start: int, production: int | None) -> PvRow:
    rest = (None,) * 4 if production is None else (0, 0, production, production)
    return PvRow(Period.INTERVAL, start, start + 10, production, *rest, estimated=False)


def test_pv_counts_since_it_is_known_and_is_missing_with_a_hole() -> None:
    part = PartialPeriod(0, 40, begins=True, so_far=True)
    row = pv_in([pv(0, None), pv(10, 5), pv(20, 6), pv(30, 7)], Period.MONTH, part, 10)
    assert row is not None
    assert (row.start_ms, row.end_ms, row.production) == (10, 40, 18)
    holed = pv_in([pv(0, 4), pv(20, 6), pv(30, 7)], Period.MONTH, part, 10)
    assert holed is not None
    assert holed.production is None
    assert pv_in([pv(0, None)], Period.MONTH, part, 10) is None
    later = pv_in([pv(10, 5), pv(20, 6), pv(30, 7)], Period.MONTH, PartialPeriod(0, 40, begins=False, so_far=True), 10)
    assert later is not None
    assert later.production is None, "a gap at the beginning of a period is no beginning of the history"
