"""Periods part time without a gap, follow the rules of the zone, and contain their parts."""

import csv
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.periods import (
    DAY_MS,
    HOUR_MS,
    MADE_OF,
    Period,
    bounds,
    floor,
    from_ms,
    label,
    starts,
    text,
    to_ms,
)

VECTORS = Path(__file__).parents[2] / "vectors"
BERLIN = ZoneInfo("Europe/Berlin")
QUARTER = 900_000


def table(name: str) -> list[dict[str, str]]:
    with (VECTORS / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def ms(stamp: str) -> int:
    return to_ms(datetime.fromisoformat(stamp))


DATED = [row for row in table("dst_days") if row["start_utc"]]


@pytest.mark.parametrize("row", DATED, ids=lambda r: f"{r['zone']} {r['local_date']}")
def test_length_of_a_local_day(row: dict[str, str]) -> None:
    """dst_days.csv (IANA time zone data): start, end and quarter hours of days of clock changes."""
    zone, start, end = ZoneInfo(row["zone"]), ms(row["start_utc"]), ms(row["end_utc"])
    if start == end:  # a date that never was: the days around it follow each other
        days = starts(Period.DAY, start - DAY_MS, start + DAY_MS, zone, QUARTER)
        assert row["local_date"] not in [label(Period.DAY, s, zone) for s in days]
        assert bounds(Period.DAY, start - 1, zone, QUARTER)[1] == bounds(Period.DAY, start, zone, QUARTER)[0] == start
        return
    assert bounds(Period.DAY, (start + end) // 2, zone, QUARTER) == (start, end)
    assert label(Period.DAY, start, zone) == row["local_date"]
    assert from_ms(start).astimezone(zone).strftime("%H:%M") == row["first_local_clock_time"]
    quarters = starts(Period.INTERVAL, start, end, zone, QUARTER)
    assert len(quarters) == int(row["quarter_hours"])
    hours = starts(Period.HOUR, start, end, zone, QUARTER)
    assert len(hours) == -(-int(row["quarter_hours"]) // 4)  # where half an hour is skipped one hour is cut in two


@pytest.mark.parametrize("row", [r for r in table("dst_days") if not r["start_utc"]], ids=lambda r: r["zone"])
def test_zone_with_a_part_of_an_hour_has_its_own_hours(row: dict[str, str]) -> None:
    """dst_days.csv: zones of half and three-quarter hours have 24 hours a day that begin at their own full hour."""
    zone = ZoneInfo(row["zone"])
    year = bounds(Period.YEAR, ms("2026-07-01T00:00Z"), zone, QUARTER)
    days = starts(Period.DAY, *year, zone, QUARTER)
    assert len(days) == 365
    for low, high in pairwise([*days, year[1]]):
        assert (high - low) // QUARTER == int(row["quarter_hours"])
    hours = starts(Period.HOUR, days[0], days[1], zone, QUARTER)
    assert [label(Period.HOUR, h, zone)[11:16] for h in hours] == [f"{h:02d}:00" for h in range(24)]


@pytest.mark.parametrize("row", table("interval_labels_berlin"), ids=lambda r: f"{r['local_date']} {r['index_from_1']}")
def test_quarter_hour_of_a_day_of_92_96_or_100(row: dict[str, str]) -> None:
    """interval_labels_berlin.csv: the n-th quarter hour of a local day, its ends, and its local name with offset."""
    start, end = ms(row["start_utc"]), ms(row["end_utc"])
    assert bounds(Period.INTERVAL, start, BERLIN, QUARTER) == (start, end)
    day = bounds(Period.DAY, start, BERLIN, QUARTER)
    quarters = starts(Period.INTERVAL, *day, BERLIN, QUARTER)
    assert quarters.index(start) + 1 == int(row["index_from_1"])
    assert len(quarters) == int(row["intervals_in_day"])
    assert label(Period.INTERVAL, start, BERLIN) == row["start_label"].replace(":00+", "+")
    assert datetime.fromisoformat(label(Period.INTERVAL, end, BERLIN)) == datetime.fromisoformat(row["end_label"])


def test_other_conventions_name_the_same_intervals() -> None:
    """interval_conventions.csv: end-labelled by index (Australian market file), 46 and 50 trading periods (New Zealand)."""
    sources = {row["source"] for row in table("interval_conventions")}
    assert {"Australian market meter data file", "New Zealand trading periods"} <= sources
    brisbane, auckland = ZoneInfo("Australia/Brisbane"), ZoneInfo("Pacific/Auckland")
    day = bounds(Period.DAY, ms("2026-05-04T12:00:00+10:00"), brisbane, QUARTER)
    ends = [bounds(Period.INTERVAL, s, brisbane, QUARTER)[1] for s in starts(Period.INTERVAL, *day, brisbane, QUARTER)]
    local = [from_ms(end).astimezone(brisbane).strftime("%H:%M") for end in ends]
    assert (len(local), local[0], local[95]) == (96, "00:15", "00:00")
    half = 1_800_000
    for noon, count in (("2026-09-27T00:00Z", 46), ("2026-04-05T00:00Z", 50), ("2026-05-05T00:00Z", 48)):
        day = bounds(Period.DAY, ms(noon), auckland, half)
        assert len(starts(Period.INTERVAL, *day, auckland, half)) == count


def test_half_hour_change_cuts_an_hour_in_two() -> None:
    """Lord Howe turns its clocks by half an hour: 01:30 comes twice, and the hour of the second is half an hour long."""
    zone = ZoneInfo("Australia/Lord_Howe")
    day = bounds(Period.DAY, ms("2026-04-05T00:00Z"), zone, QUARTER)
    hours = starts(Period.HOUR, *day, zone, QUARTER)
    lengths = [(b - a) // 60_000 for a, b in pairwise([*hours, day[1]])]
    assert lengths == [60, 60, 30, *[60] * 22]
    assert [label(Period.HOUR, h, zone)[11:] for h in hours[1:4]] == ["01:00+11:00", "01:30+10:30", "02:00+10:30"]
    spring = bounds(Period.DAY, ms("2026-10-04T00:00Z"), zone, QUARTER)
    hours = starts(Period.HOUR, *spring, zone, QUARTER)
    assert [(b - a) // 60_000 for a, b in pairwise([*hours, spring[1]])] == [60, 60, 30, *[60] * 21]


def test_change_at_midnight_begins_the_day_at_one_or_repeats_the_last_hour() -> None:
    """Cairo turns its clocks at midnight (Egyptian law 24 of 2023): 24 April 2026 begins at 01:00, 29 October has 25 hours."""
    zone = ZoneInfo("Africa/Cairo")
    spring = bounds(Period.DAY, ms("2026-04-24T12:00Z"), zone, QUARTER)
    assert [text(t) for t in spring] == ["2026-04-23T22:00:00Z", "2026-04-24T21:00:00Z"]
    assert label(Period.HOUR, spring[0], zone) == "2026-04-24T01:00+03:00"
    autumn = bounds(Period.DAY, ms("2026-10-29T12:00Z"), zone, QUARTER)
    assert [text(t) for t in autumn] == ["2026-10-28T21:00:00Z", "2026-10-29T22:00:00Z"]
    last = starts(Period.HOUR, *autumn, zone, QUARTER)[-2:]
    assert [label(Period.HOUR, h, zone) for h in last] == ["2026-10-29T23:00+03:00", "2026-10-29T23:00+02:00"]


@pytest.mark.parametrize(
    ("day", "week"),
    [
        ("2026-12-31", "2026-W53"),
        ("2027-01-01", "2026-W53"),
        ("2027-01-04", "2027-W01"),
        ("2021-01-03", "2020-W53"),
        ("2024-12-30", "2025-W01"),
        ("2023-01-01", "2022-W52"),
    ],
)
def test_week_of_the_standard(day: str, week: str) -> None:
    """ISO 8601: weeks begin on Monday, the first is that with the year's first Thursday; 2020 and 2026 have 53."""
    low, high = bounds(Period.WEEK, ms(f"{day}T12:00Z"), BERLIN, QUARTER)
    assert label(Period.WEEK, low, BERLIN) == week
    assert from_ms(low).astimezone(BERLIN).weekday() == 0
    assert len(starts(Period.DAY, low, high, BERLIN, QUARTER)) == 7


@pytest.mark.parametrize(
    ("year", "days", "february"), [(2024, 366, 29), (2026, 365, 28), (2000, 366, 29), (2100, 365, 28)]
)
def test_leap_day(year: int, days: int, february: int) -> None:
    """Gregorian calendar: a year divisible by 100 is a leap year only if divisible by 400."""
    whole = bounds(Period.YEAR, ms(f"{year}-06-01T00:00Z"), BERLIN, QUARTER)
    month = bounds(Period.MONTH, ms(f"{year}-02-10T00:00Z"), BERLIN, QUARTER)
    assert len(starts(Period.DAY, *whole, BERLIN, QUARTER)) == days
    assert len(starts(Period.DAY, *month, BERLIN, QUARTER)) == february
    assert (whole[1] - whole[0]) // HOUR_MS == days * 24  # both clock changes of a year cancel
    assert [label(Period.MONTH, m, BERLIN) for m in starts(Period.MONTH, *whole, BERLIN, QUARTER)] == [
        f"{year}-{m:02d}" for m in range(1, 13)
    ]
    assert label(Period.YEAR, whole[0], BERLIN) == str(year)


ZONES = ["Europe/Berlin", "Europe/Dublin", "UTC", "Atlantic/Azores", "Africa/Casablanca", "Africa/Cairo", "Asia/Kathmandu",
         "Asia/Kolkata", "Australia/Lord_Howe", "Australia/Adelaide", "America/Havana", "America/Santiago",
         "America/New_York", "Pacific/Auckland", "Pacific/Chatham", "Asia/Gaza", "Pacific/Kiritimati"]  # fmt: skip
MOMENTS = st.datetimes(datetime(2012, 1, 1), datetime(2037, 12, 1), timezones=st.just(UTC)).map(to_ms)  # noqa: DTZ001
NEAR_CHANGES = st.tuples(
    st.sampled_from(DATED), st.sampled_from(["start_utc", "end_utc"]), st.integers(-3 * HOUR_MS, 3 * HOUR_MS)
).map(lambda item: ms(item[0][item[1]]) + item[2])


@given(st.sampled_from(ZONES), st.sampled_from(Period), MOMENTS | NEAR_CHANGES)
def test_periods_part_time(zone_name: str, period: Period, moment: int) -> None:
    """Every moment is in one period, its neighbours begin where it ends, and it says the same from everywhere inside."""
    zone = ZoneInfo(zone_name)
    low, high = bounds(period, moment, zone, QUARTER)
    assert low <= moment < high
    assert bounds(period, low, zone, QUARTER) == bounds(period, high - 1, zone, QUARTER) == (low, high)
    assert bounds(period, high, zone, QUARTER)[0] == high
    assert bounds(period, low - 1, zone, QUARTER)[1] == low
    assert starts(period, low, high + 1, zone, QUARTER) == [low, high]
    assert starts(period, low + 1, high, zone, QUARTER) == []


@given(st.sampled_from(ZONES), st.sampled_from(list(MADE_OF)), MOMENTS | NEAR_CHANGES)
def test_parents_contain_their_parts(zone_name: str, period: Period, moment: int) -> None:
    """Parts fill a parent from its first moment to its last, whatever the clocks do inside."""
    zone = ZoneInfo(zone_name)
    low, high = bounds(period, moment, zone, QUARTER)
    parts = starts(MADE_OF[period], low, high, zone, QUARTER)
    assert parts[0] == low
    assert bounds(MADE_OF[period], parts[-1], zone, QUARTER)[1] == high
    for start, following in pairwise(parts):
        assert bounds(MADE_OF[period], start, zone, QUARTER) == (start, following)


@given(st.sampled_from(ZONES), st.dates(date(2012, 1, 1), date(2037, 1, 1)))
def test_every_date_has_its_own_day(zone_name: str, day: date) -> None:
    """The days of two dates meet, and each is named by its date."""
    zone = ZoneInfo(zone_name)
    noon = to_ms(datetime(day.year, day.month, day.day, 12, tzinfo=zone))
    low, high = bounds(Period.DAY, noon, zone, QUARTER)
    assert label(Period.DAY, low, zone) == day.isoformat()
    assert label(Period.DAY, high - 1, zone) == day.isoformat()
    assert label(Period.DAY, high, zone) == (day + timedelta(days=1)).isoformat()


@given(st.integers(-(10**13), 10**13), st.sampled_from([60_000, 300_000, QUARTER, 1_800_000, HOUR_MS]))
def test_floor_is_the_start_of_the_interval(moment: int, step: int) -> None:
    """Also before 1970."""
    assert floor(moment, step) % step == 0
    assert 0 <= moment - floor(moment, step) < step


@given(st.integers(-(10**12), 10**13))
def test_milliseconds_and_moments_are_the_same(moment: int) -> None:
    """A stamp of RFC 3339 read back is the same moment, with and without milliseconds."""
    assert to_ms(from_ms(moment)) == moment
    assert ms(text(moment)) == moment


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="without zone"):
        to_ms(datetime(2026, 3, 29, 1))  # noqa: DTZ001
