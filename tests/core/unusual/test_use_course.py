"""The days of a point beside what is usual, on given energies."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import DAY_MS, Period, to_ms
from meterd.core.model.plan import Board, Point, Role, Site
from meterd.core.model.results import BalanceRow, PvRow
from meterd.core.unusual.days import Ints
from meterd.core.unusual.use_course import use_course

SITE = Site("mill", "UTC", boards=(Board("north"),), points=(Point("oven", "north", Role.FEEDER),))
MONDAY = to_ms(datetime(2026, 6, 1, tzinfo=UTC))


@dataclass
class Days:
    """Figures of days of one point, in mWh: 100 on workdays, 20 on Saturdays, 10 on Sundays; 150 from the beginning on."""

    known_from: int = 0

    def columns(self, channels: list[tuple[str, str]], period: Period, starts: Ints) -> Columns:
        """Energies of the days asked for; none after the second week."""
        assert period is Period.DAY
        weekday = (starts // DAY_MS + 3) % 7
        ordinary = np.where(weekday < 5, 100, np.where(weekday == 5, 20, 10))
        energy = np.where(starts >= MONDAY, 150, ordinary)
        known = (starts >= self.known_from) & (starts < MONDAY + 14 * DAY_MS)
        shape = (len(starts), len(channels))
        return Columns(
            np.broadcast_to(np.where(known, energy, 0)[:, None], shape).astype(np.int64),
            np.broadcast_to(known[:, None], shape),
            np.zeros(shape, dtype=np.uint8),
        )

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """None are asked for."""
        raise AssertionError

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """None are asked for."""
        raise AssertionError

    def span(self, period: Period) -> tuple[int, int] | None:
        """Not asked for."""
        raise AssertionError


def test_what_is_usual_stays_that_of_before_it_began() -> None:
    """Six weeks before, two after; days that are not over are left out."""
    course = use_course(Days(), SITE, "oven", MONDAY, MONDAY + 20 * DAY_MS)
    assert course is not None
    assert (course.days_ms[0], course.days_ms[-1]) == (MONDAY - 42 * DAY_MS, MONDAY + 13 * DAY_MS)
    assert course.taken[-7:] == [150] * 7
    assert course.usual[-7:] == [100, 100, 100, 100, 100, 20, 10]
    assert course.usual[:7] == [100, 100, 100, 100, 100, 20, 10]


def test_too_few_days_alike_say_nothing_usual_and_no_energy_no_course() -> None:
    """Two Saturdays are too few; three workdays are enough."""
    course = use_course(Days(MONDAY - 14 * DAY_MS), SITE, "oven", MONDAY, MONDAY + 7 * DAY_MS)
    assert course is not None
    assert course.usual[-7:] == [100, 100, 100, 100, 100, None, None]
    assert use_course(Days(MONDAY + 30 * DAY_MS), SITE, "oven", MONDAY, MONDAY + 7 * DAY_MS) is None
