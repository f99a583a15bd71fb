"""The rules of a zone as values: the published changes of Vienna, and where two states of the rules differ."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from meterd.core.checks.zone_rules import FIRST_MS, LAST_MS, changes, differing, from_text, to_text
from meterd.core.model.periods import to_ms

HOUR = 3_600_000


def utc(*parts: int) -> int:
    return to_ms(datetime(*parts, tzinfo=UTC))  # type: ignore[misc]


def test_the_changes_of_vienna_are_those_of_directive_2000_84() -> None:
    """Last Sundays of March and October at 01:00 UTC (source: directive 2000/84/EC, articles 2 and 3)."""
    results = dict(changes(ZoneInfo("Europe/Vienna")))
    assert results[utc(2026, 3, 29, 1)] == 2 * HOUR
    assert results[utc(2026, 10, 25, 1)] == HOUR
    assert [at for at in results if utc(2026, 1, 1) <= at < utc(2027, 1, 1)] == [
        utc(2026, 3, 29, 1),
        utc(2026, 10, 25, 1),
    ]


@pytest.mark.parametrize("zone", ["Europe/Vienna", "Asia/Kolkata", "Australia/Lord_Howe", "UTC", "Africa/Casablanca"])
def test_rules_are_read_back_from_their_text(zone: str) -> None:
    """Whole, half and quarter hours."""
    rules = changes(ZoneInfo(zone))
    assert from_text(to_text(rules)) == rules
    assert differing(rules, rules) == []


def test_zones_that_differ_in_summer_only_differ_in_summer() -> None:
    """Algiers has stayed on UTC+1 since 1981: against Vienna the summers differ."""
    spans = differing(changes(ZoneInfo("Europe/Vienna")), changes(ZoneInfo("Africa/Algiers")))
    assert (utc(2026, 3, 29, 1), utc(2026, 10, 25, 1)) in spans
    assert all(low % HOUR == 0 and low < high for low, high in spans)


def test_what_is_damaged_differs_everywhere() -> None:
    """Rules that are not known are no rules."""
    assert differing((), changes(ZoneInfo("UTC"))) == [(FIRST_MS, LAST_MS)]
    with pytest.raises(ValueError, match="unpack"):
        from_text("rust")
