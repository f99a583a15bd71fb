"""Numbers and times as people of a language write them."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.documents.formats import moment, number, shown
from meterd.adapters.documents.model import Moment, Number
from meterd.core.model.periods import to_ms

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("value", "decimals", "english", "german"),
    [
        (0.0, 1, "0.0", "0,0"),
        (-0.04, 1, "0.0", "0,0"),
        (-178.396, 1, "−178.4", "−178,4"),
        (1234.5, 3, "1,234.500", "1.234,500"),
        (1e9, 0, "1,000,000,000", "1.000.000.000"),
    ],
)
def test_numbers_have_marks_of_the_language(value: float, decimals: int, english: str, german: str) -> None:
    """What rounds to nothing has no sign."""
    assert (number(value, decimals, "en"), number(value, decimals, "de")) == (english, german)


def test_times_are_local_and_the_hour_that_comes_twice_says_which() -> None:
    """25 October 2026 in Vienna: 02:30 is there twice."""
    first = to_ms(datetime(2026, 10, 25, 0, 30, tzinfo=UTC))
    assert moment(Moment(first), "en", VIENNA) == "2026-10-25 02:30 +0200"
    assert moment(Moment(first + 3_600_000), "de", VIENNA) == "25.10.2026 02:30 +0100"
    assert moment(Moment(first + 7_200_000), "de", VIENNA) == "25.10.2026 03:30"
    assert moment(Moment(first, date_only=True), "en", VIENNA) == "2026-10-25"


def test_cell_as_text() -> None:
    """A unit follows its number; a text is itself."""
    assert shown(Number(3.25, 1, "kWh"), "de", VIENNA) == "3,2 kWh"
    assert shown("fehlt", "de", VIENNA) == "fehlt"
