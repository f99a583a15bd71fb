"""The weekday of local days against the calendar of Python, and holidays as Sundays."""

from datetime import date

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.weekdays import SUNDAY, weekdays

EPOCH = date(1970, 1, 1)


@given(st.dates(date(1980, 1, 1), date(2099, 12, 31)), st.frozensets(st.integers(3650, 40_000), max_size=5))
def test_weekdays_are_those_of_the_calendar_but_for_holidays(day: date, others: frozenset[int]) -> None:
    at = (day - EPOCH).days
    plain = weekdays(np.array([at]), others - {at})
    assert plain.tolist() == [day.weekday()]
    assert weekdays(np.array([at]), others | {at}).tolist() == [SUNDAY]
