"""The history knows which local days are days of rest, also where the clocks change."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.core.forecast.history import History, clock_offsets, history_of
from meterd.core.model.periods import from_ms, to_ms

QUARTER_MS = 900_000


@pytest.mark.parametrize("zone", ["Europe/Berlin", "Asia/Kathmandu", "Australia/Lord_Howe", "America/St_Johns"])
def test_restdays_are_those_of_the_local_calendar(zone: str) -> None:
    """Over half a year with its change of the clocks, each quarter hour asked on its own."""
    start, count = to_ms(datetime(2026, 1, 1, tzinfo=UTC)), 180 * 96
    nothing = np.zeros(count - 192)
    got = History(start, QUARTER_MS, nothing, nothing, clock_offsets(start, QUARTER_MS, count, ZoneInfo(zone))).restdays
    places = range(0, count, 7)
    expected = [from_ms(start + n * QUARTER_MS).astimezone(ZoneInfo(zone)).weekday() >= 5 for n in places]
    assert got[list(places)].tolist() == expected


def test_a_history_is_cut_without_losing_the_days_ahead() -> None:
    """What was known then, and the calendar, which is known always."""
    values = np.arange(300, dtype=float)
    whole = history_of(0, QUARTER_MS, values, values, zone=ZoneInfo("UTC"))
    then = whole.until(200)
    assert (len(then.load), len(then.restdays)) == (200, 200 + 192)
    assert then.end_ms == 200 * QUARTER_MS
    assert whole.days(np.array([1.0, np.nan] * 96)) == 1.0


def test_a_holiday_is_a_day_of_rest() -> None:
    """Thursday 1 January 1970 and a Friday that the plan names; in local days."""
    values = np.zeros(96)
    whole = history_of(0, QUARTER_MS, values, values, zone=ZoneInfo("Europe/Berlin"), holidays=frozenset({1}))
    assert np.flatnonzero(np.diff(whole.restdays.astype(int))).tolist() == [
        91,
    ]  # from 23:00 UTC on; Saturday follows
    assert whole.until(50).holidays == {1}
