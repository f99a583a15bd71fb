"""Days, nights and hours on local clocks: changes of the clocks, what is missing, what rests on an estimated reading."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, starts, to_ms
from meterd.core.registers.register_line import Flag
from meterd.core.unusual.days import SATURDAY, SUNDAY, WORKDAY, Loads, UseDays, use_days

BERLIN = ZoneInfo("Europe/Berlin")
ONE = Loads(("oven",), np.zeros((1, 1), dtype=np.bool_), np.zeros(1, dtype=np.bool_))
FRIDAY = to_ms(datetime(2026, 3, 26, 23, tzinfo=UTC))  # midnight in Berlin; clocks go forward on Sunday the 29th


def hours_from(start_ms: int, days: int, zone: ZoneInfo = BERLIN) -> tuple[np.ndarray, np.ndarray]:
    """Bounds of local days, and the starts of their hours."""
    bounds = starts(Period.DAY, start_ms, start_ms + (days + 1) * DAY_MS, zone, HOUR_MS)[: days + 1]
    hours = starts(Period.HOUR, bounds[0], bounds[-1], zone, HOUR_MS)
    return np.array(bounds, dtype=np.int64), np.array(hours, dtype=np.int64)


def days_of(kw: float, *, flags: dict[int, int] | None = None, missing: tuple[int, ...] = ()) -> UseDays:
    """Four days of one steady load, with flags and holes by hour."""
    bounds, hours = hours_from(FRIDAY, 4)
    energy = np.full((len(hours), 1), round(kw * 1e6), dtype=np.int64)
    known, marks = np.ones(energy.shape, dtype=np.bool_), np.zeros(energy.shape, dtype=np.uint8)
    for hour in missing:
        known[hour] = False
    for hour, flag in (flags or {}).items():
        marks[hour] = flag
    return use_days(ONE, bounds, (hours, Columns(energy, known, marks)), BERLIN)


def test_a_steady_load_is_the_same_power_on_a_day_of_23_hours() -> None:
    """By day, by night and by hour; the hour that the change of the clocks leaves out has no value."""
    days = days_of(2.0)
    assert days.hours.tolist() == [24, 24, 23, 24]
    assert days.day_w[:, 0].tolist() == days.night_w[:, 0].tolist() == [2000.0] * 4
    assert np.isnan(days.hour_w[2, :, 0]).tolist() == [hour == 2 for hour in range(24)]
    assert days.classes.tolist() == [WORKDAY, SATURDAY, SUNDAY, WORKDAY]


def test_what_is_missing_or_exported_makes_the_day_missing_and_leaves_the_night() -> None:
    """A hole at noon; the night before it is known."""
    days = days_of(2.0, missing=(12,))
    assert np.isnan(days.day_w[:, 0]).tolist() == [True, False, False, False]
    assert not np.isnan(days.night_w).any()
    assert np.isnan(days_of(-1.0).day_w).all()


@pytest.mark.parametrize(
    ("hour", "flag", "day", "night"),
    [
        (24, Flag.START, True, True),
        (28, Flag.END, False, True),
        (47, Flag.END, True, False),
        (30, Flag.START | Flag.END, False, False),
        (30, Flag.BOUND, True, False),
    ],
)
def test_an_energy_between_estimated_readings_is_no_use(hour: int, flag: int, day: bool, night: bool) -> None:
    """An estimated reading at an end of the day or night counts, one inside it does not; a bound is no energy."""
    days = days_of(2.0, flags={hour: int(flag)})
    assert (np.isnan(days.day_w[1, 0]), np.isnan(days.night_w[1, 0])) == (day, night)
    assert not np.isnan(days.day_w[[0, 2, 3]]).any()


def test_a_zone_with_half_hours_has_its_own_nights() -> None:
    """Midnight in Kolkata is 18:30 UTC: a load that runs there from 0 to 5 o'clock is a night load."""
    zone = ZoneInfo("Asia/Kolkata")
    bounds, hours = hours_from(to_ms(datetime(2026, 5, 3, 18, 30, tzinfo=UTC)), 2, zone)
    energy = np.array([[1_000_000 if n % 24 < 5 else 0] for n in range(len(hours))], dtype=np.int64)
    columns = Columns(energy, np.ones(energy.shape, dtype=np.bool_), np.zeros(energy.shape, dtype=np.uint8))
    days = use_days(ONE, bounds, (hours, columns), zone)
    assert days.night_w[:, 0].tolist() == [1000.0, 1000.0]
    assert days.day_w[0, 0] == pytest.approx(1000.0 * 5 / 24)


def test_parts_of_a_load_and_the_load_itself_are_kin() -> None:
    """Neither says what is usual for the other."""
    below = np.zeros((3, 3), dtype=np.bool_)
    below[0, 1] = True
    loads = Loads(("riser", "room", "oven"), below, np.zeros(3, dtype=np.bool_))
    assert loads.kin.tolist() == [[True, True, False], [True, True, False], [False, False, True]]


def test_a_holiday_is_a_sunday_but_ends_no_weekend() -> None:
    """From Thursday 24 December 2026 on; Friday is Christmas Day."""
    bounds, hours = hours_from(to_ms(datetime(2026, 12, 24, tzinfo=BERLIN)), 4, BERLIN)
    known = np.ones((len(hours), 1), dtype=np.bool_)
    columns = Columns(np.ones(known.shape, dtype=np.int64), known, np.zeros(known.shape, dtype=np.uint8))
    christmas = frozenset({(date(2026, 12, 25) - date(1970, 1, 1)).days})
    days = use_days(ONE, bounds, (hours, columns), BERLIN, holidays=christmas)
    assert days.classes.tolist() == [WORKDAY, SUNDAY, SATURDAY, SUNDAY]
    assert [days.ends_a_weekend(t) for t in range(4)] == [False, False, False, True]
