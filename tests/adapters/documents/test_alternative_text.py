"""What charts say in words: name, unit, range, highest and lowest value with their times, and gaps."""

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.documents.alternative_text import alternative_text
from meterd.adapters.documents.model import Bars, Course, HoursMap, Series
from meterd.core.energy.load_profile import HoursByDays

HOUR = 3_600_000
DAYS = (0, 24 * HOUR, 48 * HOUR)
NONE = np.zeros((24, 2), dtype=np.bool_)


def hours(present: np.ndarray, missing: np.ndarray) -> HoursMap:
    """Two days in UTC, each hour with a kilowatt more than the hour before."""
    watt = np.arange(48.0).reshape(2, 24).T * 1000
    return HoursMap("Hours", HoursByDays((0, 24 * HOUR), watt, present, missing), "missing", "Day")


TABLE = [
    (
        Course("Feeders", "kWh", "stacked", DAYS, (Series("a", (1.0, 2.5)),), "missing", "From"),
        "Stacked areas: Feeders in kWh, 1970-01-01 to 1970-01-02. "
        "a: highest 2.5 (1970-01-02), lowest 1.0 (1970-01-01).",
    ),
    (
        Course("Load", "kW", "lines", (0, HOUR, 2 * HOUR), (Series("a", (None, -2.5)),), "missing", "From"),
        "Lines: Load in kW, 1970-01-01 00:00 to 1970-01-01 01:00. "
        "a: highest \N{MINUS SIGN}2.5 (1970-01-01 01:00), lowest \N{MINUS SIGN}2.5 (1970-01-01 01:00). "
        "a: values missing: 1.",
    ),
    (
        Bars("Days", "kWh", ("1", "2"), (Series("a", (None, None)),), "missing", "Day"),
        "Bars: Days in kWh, 1 to 2. a: values missing: 2.",
    ),
    (
        hours(~NONE, NONE),
        "Map of the hours of each day: Hours in kW, 1970-01-01 to 1970-01-02. "
        "Mean power: highest 47.0 (1970-01-02 23:00), lowest 0.0 (1970-01-01 00:00).",
    ),
]


@pytest.mark.parametrize(("block", "text"), TABLE, ids=range(len(TABLE)))
def test_chart_in_words(block: Bars | Course | HoursMap, text: str) -> None:
    """In English, in UTC."""
    assert alternative_text(block, "en", ZoneInfo("UTC")) == text


def test_hours_without_value_are_counted_and_never_the_lowest() -> None:
    """The first hour is missing."""
    missing = NONE.copy()
    missing[0, 0] = True
    text = alternative_text(hours(~missing, missing), "de", ZoneInfo("UTC"))
    assert text.endswith("niedrigster Wert 1,0 (01.01.1970 01:00). Mittlere Leistung: fehlende Werte: 1.")
