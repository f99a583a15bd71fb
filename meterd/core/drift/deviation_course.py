"""The course of a deviation as people see it: residuals of days, and how far they have added up since it began.

Not what the watch decides by (`cusum`, `identification`): a picture of it in kWh. Energies in mWh, None = missing.
"""

from collections.abc import Sequence
from statistics import median

LEAST_DAYS = 7  # before the begin, that their median is taken as usual; with fewer it is zero


def usual_residual(day_ms: Sequence[int], residual: Sequence[int | None], began_ms: int) -> int:
    """The median residual of a day before the deviation began; 0 where fewer than LEAST_DAYS are known.

    >>> usual_residual(range(8), [5] * 8, 7)
    5
    """
    before = [r for day, r in zip(day_ms, residual, strict=True) if r is not None and day < began_ms]
    return round(median(before)) if len(before) >= LEAST_DAYS else 0


def cumulated_deviation(day_ms: Sequence[int], residual: Sequence[int | None], began_ms: int) -> list[int | None]:
    """What the residuals have added up to beyond the usual one, at the end of each day.

    Level before the begin, a slope after it. A day without a balance is missing, and adds nothing.

    >>> cumulated_deviation(range(10), [1] * 8 + [4, 4], 8)
    [0, 0, 0, 0, 0, 0, 0, 0, 3, 6]
    """
    usual = usual_residual(day_ms, residual, began_ms)
    total, results = 0, []
    for value in residual:
        total += 0 if value is None else value - usual
        results.append(None if value is None else total)
    return results
