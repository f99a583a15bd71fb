"""Changes of the clocks are found for every zone, and stored figures that do not follow the calendar are reported."""

import csv
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.core.checks.dst import (
    ANNOUNCED,
    ANNOUNCED_MS,
    WRONG,
    AffectedPeriods,
    Calendar,
    Checked,
    Series,
    affected_periods,
    clock_change_findings,
    faults_of,
    hour_words,
    last_change,
    next_change,
)
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds, label, starts, to_ms

QUARTER = 900_000
VIENNA = ZoneInfo("Europe/Vienna")
VECTORS = Path(__file__).parents[2] / "vectors" / "dst_days.csv"


def ms(stamp: str) -> int:
    """A moment in ms UTC."""
    return to_ms(datetime.fromisoformat(stamp))


def days_of_changes() -> list[dict[str, str]]:
    """Rows of dst_days.csv that have a beginning."""
    with VECTORS.open(newline="", encoding="utf-8") as lines:
        return [row for row in csv.DictReader(lines) if row["start_utc"]]


def coming(zone: ZoneInfo, after: str) -> AffectedPeriods:
    """What closes around the first change after a moment."""
    change = next_change(zone, ms(after))
    assert change is not None
    return affected_periods(change, zone, QUARTER)


@pytest.mark.parametrize("row", days_of_changes(), ids=lambda r: f"{r['zone']} {r['local_date']}")
def test_day_of_a_change_is_found_with_its_quarter_hours(row: dict[str, str]) -> None:
    """dst_days.csv (IANA time zone data): the change before each of these days has it among its days, from both sides."""
    zone, start, end = ZoneInfo(row["zone"]), ms(row["start_utc"]), ms(row["end_utc"])
    ahead, behind = next_change(zone, start - HOUR_MS), last_change(zone, max(end, start + 1))
    assert ahead is not None
    assert ahead == behind
    affected = affected_periods(ahead, zone, QUARTER)
    if start == end:  # Samoa left out a whole day
        assert affected.left_out == (row["local_date"],)
        assert [day.intervals for day in affected.days] == [96, 96]
        return
    assert [(d.start_ms, d.end_ms, d.intervals) for d in affected.days] == [(start, end, int(row["quarter_hours"]))]
    assert len(affected.hours) == -(-int(row["quarter_hours"]) // 4)
    assert sum(hour.intervals for hour in affected.hours) == int(row["quarter_hours"])


@pytest.mark.parametrize(
    ("zone", "after", "expected"),
    [
        ("Europe/Vienna", "2026-01-01T00:00Z", ["the hour 02:00 does not come"]),
        (
            "Europe/Vienna",
            "2026-06-01T00:00Z",
            ["the hour 02:00 comes twice: 2026-10-25T02:00+02:00 and 2026-10-25T02:00+01:00"],
        ),
        ("Australia/Lord_Howe", "2026-06-01T00:00Z", ["a short hour: 2026-10-04T02:30+11:00 (30 min)"]),
        (
            "Australia/Lord_Howe",
            "2026-01-01T00:00Z",
            ["the hour 01:00 comes twice: 2026-04-05T01:00+11:00 and 2026-04-05T01:30+10:30 (30 min)"],
        ),
        ("America/Havana", "2026-01-01T00:00Z", ["the hour 00:00 does not come"]),
        (
            "Atlantic/Azores",
            "2026-06-01T00:00Z",
            ["the hour 00:00 comes twice: 2026-10-25T00:00+00:00 and 2026-10-25T00:00-01:00"],
        ),
        (
            "America/Santiago",
            "2026-01-01T00:00Z",
            ["the hour 23:00 comes twice: 2026-04-04T23:00-03:00 and 2026-04-04T23:00-04:00"],
        ),
        ("Pacific/Apia", "2011-12-01T00:00Z", ["the day 2011-12-30 does not come"]),
    ],
)
def test_words_name_the_odd_hours(zone: str, after: str, expected: list[str]) -> None:
    """Missing, doubled and short hours; changes at midnight; the day that Samoa left out."""
    assert hour_words(coming(ZoneInfo(zone), after), ZoneInfo(zone)) == expected


def test_words_tell_what_the_clocks_do() -> None:
    """In local time, with the date of the new time where it is another."""
    texts = [
        coming(ZoneInfo(z), "2026-01-01T00:00Z").change.words(ZoneInfo(z))
        for z in ("Europe/Vienna", "America/Santiago")
    ]
    assert texts == [
        "2026-03-29: the clocks go forward from 02:00 to 03:00 (2026-03-29T01:00:00Z)",
        "2026-04-05: the clocks go back from 00:00 to 2026-04-04 23:00 (2026-04-05T03:00:00Z)",
    ]


def test_week_and_month_around_a_change() -> None:
    """The Sunday of March ends its week and lies in its month; their lengths follow."""
    affected = coming(VIENNA, "2026-01-01T00:00Z")
    named = [
        (closing.period, label(closing.period, closing.start_ms, VIENNA), closing.intervals)
        for closing in affected.longer
    ]
    assert named == [(Period.WEEK, "2026-W13", 7 * 96 - 4), (Period.MONTH, "2026-03", 31 * 96 - 4)]


@pytest.mark.parametrize("name", ["Asia/Kolkata", "UTC"])
def test_a_zone_without_changes_has_none(name: str) -> None:
    """Neither ahead nor behind, and nothing is announced."""
    zone, now = ZoneInfo(name), ms("2026-03-28T00:00Z")
    assert next_change(zone, now) is None
    assert last_change(zone, now) is None
    assert clock_change_findings("mill", Calendar(zone, QUARTER, now), now, None) == []


# -- the stored figures afterwards -------------------------------------------------------------------------------------

SPRING = coming(VIENNA, "2026-01-01T00:00Z")
SHUT = Calendar(VIENNA, QUARTER, ms("2026-04-02T00:00Z"))
KINDS = {
    Period.INTERVAL: (SPRING.low_ms - DAY_MS, SPRING.high_ms + DAY_MS),
    Period.HOUR: (SPRING.low_ms - DAY_MS, SPRING.high_ms + DAY_MS),
    Period.DAY: (SPRING.longer[1].start_ms, SPRING.longer[1].end_ms),
    Period.WEEK: (SPRING.longer[0].start_ms, SPRING.longer[0].end_ms),
    Period.MONTH: (SPRING.longer[1].start_ms, SPRING.longer[1].end_ms),
}


def sound(from_ms: int = 0, until_ms: int = 2**62) -> dict[Period, dict[int, int | None]]:
    """Rows as they should be: each interval has 1,000 mWh and one more than the last; sums are sums."""
    low, high = SPRING.longer[1].start_ms - 7 * DAY_MS, SPRING.longer[1].end_ms + 2 * DAY_MS
    energy = {t: 1000 + n for n, t in enumerate(range(low, high, QUARTER)) if from_ms <= t < until_ms}
    rows: dict[Period, dict[int, int | None]] = {}
    for period, (first, last) in KINDS.items():
        rows[period] = {}
        for start in starts(period, first, last, VIENNA, QUARTER):
            end = bounds(period, start, VIENNA, QUARTER)[1]
            parts = [energy.get(t) for t in range(start, end, QUARTER)]
            known = [part for part in parts if part is not None]
            if known:
                rows[period][start] = sum(known) if len(known) == len(parts) else None
    return rows


def faults(rows: Mapping[Period, Mapping[int, int | None]], current: bool = True) -> list[tuple[Period, str]]:
    """What is wrong: kind of period and words."""
    return [(f.period, f.what) for f in faults_of(SPRING, Series("q01 1.8.0", rows, current), SHUT)]


def test_sound_figures_have_no_fault() -> None:
    """A register that was there all the time, one that began that day, one that ended that day, one without any row."""
    noon = SPRING.low_ms + 11 * HOUR_MS
    assert faults(sound()) == []
    assert faults(sound(from_ms=noon)) == []
    assert faults(sound(until_ms=noon), current=False) == []
    assert faults({period: {} for period in Period}) == []


def test_a_register_that_stops_although_it_is_read_is_reported() -> None:
    """Its rows end at noon while the plan still reads it: every later quarter hour and hour is missing."""
    results = faults(sound(until_ms=SPRING.low_ms + 11 * HOUR_MS))
    assert results.count((Period.INTERVAL, "it is over and has no row")) == 92 - 44
    assert results.count((Period.HOUR, "it is over and has no row")) == 12


def test_a_gap_a_stranger_and_a_wrong_sum_are_reported() -> None:
    """One quarter hour taken away, an hour that does not exist put in, a day that is not its sum, a month too small."""
    rows = sound()
    del rows[Period.INTERVAL][SPRING.low_ms + 4 * QUARTER]
    hour = starts(Period.HOUR, SPRING.low_ms, SPRING.high_ms, VIENNA, QUARTER)[1]
    assert [kind for kind, _ in faults(rows)] == [Period.INTERVAL, Period.HOUR, Period.DAY]
    assert faults(rows)[0] == (Period.INTERVAL, "it is over and has no row")
    rows = sound()
    rows[Period.HOUR][hour + 2 * QUARTER] = 5
    assert faults(rows) == [(Period.HOUR, "a row that begins where no such period begins")]
    rows = sound()
    whole = rows[Period.DAY][SPRING.low_ms]
    assert whole is not None
    rows[Period.DAY][SPRING.low_ms] = whole + 1
    assert [kind for kind, _ in faults(rows)] == [Period.DAY, Period.DAY, Period.WEEK, Period.MONTH]
    assert f"it has {whole + 1} mWh, its 92 parts (interval, 92 known) make {whole} mWh" in faults(rows)[0][1]
    rows = sound()
    rows[Period.MONTH][SPRING.longer[1].start_ms] = None
    assert [kind for kind, _ in faults(rows)] == [Period.MONTH]


def test_a_day_with_an_unknown_quarter_hour_must_be_unknown() -> None:
    """Missing is missing: a day that has a figure although a part has none is reported, one without a figure is right."""
    rows = sound()
    known = rows[Period.DAY][SPRING.low_ms]
    hour = bounds(Period.HOUR, SPRING.low_ms, VIENNA, QUARTER)[0]
    rows[Period.INTERVAL][SPRING.low_ms] = rows[Period.HOUR][hour] = rows[Period.DAY][SPRING.low_ms] = None
    rows[Period.WEEK][SPRING.longer[0].start_ms] = rows[Period.MONTH][SPRING.longer[1].start_ms] = None
    assert faults(rows) == []
    rows[Period.DAY][SPRING.low_ms] = known
    assert {kind for kind, _ in faults(rows)} == {Period.DAY, Period.WEEK, Period.MONTH}


def test_what_is_not_closed_yet_is_not_judged() -> None:
    """The month is still open two days later: its row may be missing."""
    rows = sound()
    rows[Period.MONTH].clear()
    calendar = replace(SHUT, closed_to_ms=SPRING.high_ms)
    assert faults_of(SPRING, Series("q01", rows), calendar) == []
    assert [f.period for f in faults_of(SPRING, Series("q01", rows), SHUT)] == [Period.MONTH]


# -- findings ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "reported"),
    [
        (SPRING.change.at_ms - ANNOUNCED_MS - 1, False),
        (SPRING.change.at_ms - ANNOUNCED_MS, True),
        (SPRING.change.at_ms + HOUR_MS, True),
        (SPRING.high_ms, False),
    ],
)
def test_a_change_is_announced_seven_days_before_until_its_day_is_over(now: int, reported: bool) -> None:
    """One finding of the site with the day, its quarter hours and the odd hour."""
    findings = clock_change_findings("mill", Calendar(VIENNA, QUARTER, now), now, None)
    assert [f.id for f in findings] == ([f"{ANNOUNCED}-mill"] if reported else [])
    if reported:
        assert "2026-03-29 has 92 intervals; the hour 02:00 does not come" in findings[0].text


def test_a_day_that_is_not_closed_in_time_is_reported() -> None:
    """An hour after its end and not before; gone once the stored figures are closed."""
    late, half = SPRING.high_ms + 61 * 60_000, Calendar(VIENNA, QUARTER, SPRING.high_ms - QUARTER)
    (finding,) = clock_change_findings("mill", half, late, None)
    assert finding.cause == WRONG
    assert "2026-03-29" in finding.text
    assert clock_change_findings("mill", half, late - 120_000, None) == []
    assert clock_change_findings("mill", half, late, None, close_after_ms=120_000) == []
    assert clock_change_findings("mill", replace(half, closed_to_ms=SPRING.high_ms), late, None) == []


def test_wrong_figures_are_one_finding_with_examples() -> None:
    """The number of all faults, a few of them in words, what to do."""
    rows = sound(until_ms=SPRING.low_ms + 11 * HOUR_MS)
    wrong = tuple(faults_of(SPRING, Series("q01 1.8.0", rows), SHUT))
    now = SPRING.high_ms + 3 * DAY_MS
    (finding,) = clock_change_findings("mill", SHUT, now, Checked(SPRING, SHUT.closed_to_ms, 1, wrong))
    assert finding.id == f"{WRONG}-mill"
    assert f"{len(wrong)} figures" in finding.text
    assert "q01 1.8.0, interval 2026-03-29T12:00+02:00: it is over and has no row" in finding.text
    assert f"and {len(wrong) - 5} more" in finding.text
    assert clock_change_findings("mill", SHUT, now, Checked(SPRING, SHUT.closed_to_ms, 1, ())) == []
