"""The weekday of local days. A holiday of the plan counts as a Sunday, wherever weekdays count."""

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Holidays = frozenset[int]  # local days, counted from 1970-01-01

SATURDAY, SUNDAY = 5, 6
EPOCH_WEEKDAY = 3  # 1 January 1970 was a Thursday
NO_HOLIDAYS: Holidays = frozenset()


def weekdays(days: Ints, holidays: Holidays = NO_HOLIDAYS) -> Ints:
    """0 = Monday to 6 = Sunday of local days, counted from 1970-01-01.

    >>> weekdays(np.array([0, 1, 2]), frozenset({1})).tolist()
    [3, 6, 5]
    """
    plain = (days + EPOCH_WEEKDAY) % 7
    return np.asarray(np.where(np.isin(days, list(holidays)), SUNDAY, plain)) if holidays else np.asarray(plain)
