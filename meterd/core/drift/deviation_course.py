"""The course of a deviation as people see it: residuals of days, and how far they have added up since it began.

Not what the watch decides by (`cusum`, `identification`): a picture of it in kWh. Energies in mWh, None = missing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import DAY_MS, Period

COURSE_DAYS = 60  # before a change: what is usual is seen in two months
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


@dataclass(frozen=True, slots=True)
class BoardCourse:
    """Daily balances of a board around a change. `cumulated`: what the residuals added up to beyond the `usual` one."""

    board: str
    began_ms: int
    days_ms: list[int]
    residual: list[int | None]
    band: list[int | None]
    cumulated: list[int | None]
    usual: int


def board_course(stored: StoredFigures, board: str, began_ms: int, until_ms: int) -> BoardCourse | None:
    """The balances of a board from two months before a change on; None before there are LEAST_DAYS of them."""
    rows = stored.balances(board, Period.DAY, began_ms - COURSE_DAYS * DAY_MS, until_ms)
    days, residual = [row.start_ms for row in rows], [row.residual for row in rows]
    if sum(value is not None for value in residual) < LEAST_DAYS:
        return None
    return BoardCourse(
        board=board,
        began_ms=began_ms,
        days_ms=days,
        residual=residual,
        band=[row.band for row in rows],
        cumulated=cumulated_deviation(days, residual, began_ms),
        usual=usual_residual(days, residual, began_ms),
    )
