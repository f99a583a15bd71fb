"""What is due by the calendar follows from the records and the moment: once for each slot, whatever clocks and outages do."""

import random
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from meterd.core.model.periods import DAY_MS, HOUR_MS, from_ms, offset_ms, to_ms
from meterd.core.model.schedule import (
    FIRST_PAUSE_MS,
    LONGEST_PAUSE_MS,
    JobRecord,
    JobRule,
    JobState,
    Rhythm,
    begun,
    clock_time,
    due,
    failed,
    first_seen,
    from_text,
    interrupted,
    month_of,
    newest_slot,
    next_run_ms,
    next_slot,
    pause_ms,
    succeeded,
    to_text,
    with_remarks,
)

VIENNA = ZoneInfo("Europe/Vienna")
NIGHT = JobRule("backup", Rhythm.DAY, 2, 30)
FIRST = JobRule("report", Rhythm.MONTH, 6, 0)
MINUTE = 60_000


def ms(*moment: int) -> int:
    """A moment in UTC."""
    return to_ms(datetime(*moment, tzinfo=UTC))  # type: ignore[arg-type,misc]


def run(rule: JobRule, record: JobRecord, now_ms: int, zone: ZoneInfo = VIENNA) -> tuple[JobRecord, str | None]:
    """A look at a moment: what is due is done at once."""
    slot = due(rule, record, now_ms, zone)
    if slot is None:
        return record, None
    return succeeded(begun(record, slot.label, now_ms), now_ms, "done"), slot.label


# -- slots -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "now", "label", "at"),
    [
        (NIGHT, (2026, 1, 10, 12), "2026-01-10", (2026, 1, 10, 1, 30)),
        (NIGHT, (2026, 1, 10, 1, 29), "2026-01-09", (2026, 1, 9, 1, 30)),
        (NIGHT, (2026, 1, 10, 1, 30), "2026-01-10", (2026, 1, 10, 1, 30)),
        # 02:30 does not come on 29 March: an hour later by the clock, at the same distance from midnight
        (NIGHT, (2026, 3, 29, 12), "2026-03-29", (2026, 3, 29, 1, 30)),
        (NIGHT, (2026, 3, 29, 1, 29), "2026-03-28", (2026, 3, 28, 1, 30)),
        # 02:30 comes twice on 25 October: the first one counts
        (NIGHT, (2026, 10, 25, 0, 30), "2026-10-25", (2026, 10, 25, 0, 30)),
        (NIGHT, (2026, 10, 25, 1, 45), "2026-10-25", (2026, 10, 25, 0, 30)),
        (NIGHT, (2028, 2, 29, 12), "2028-02-29", (2028, 2, 29, 1, 30)),
        (FIRST, (2028, 3, 1, 4, 59), "2028-02-01", (2028, 2, 1, 5)),
        (FIRST, (2028, 3, 1, 5), "2028-03-01", (2028, 3, 1, 5)),
        (FIRST, (2026, 1, 1, 0), "2025-12-01", (2025, 12, 1, 5)),
        (FIRST, (2026, 4, 1, 4), "2026-04-01", (2026, 4, 1, 4)),  # summer time
    ],
)
def test_the_newest_slot(rule: JobRule, now: tuple[int, ...], label: str, at: tuple[int, ...]) -> None:
    """Over both changes of the clocks, a leap day, the ends of months and years."""
    slot = newest_slot(rule, ms(*now), VIENNA)
    assert (slot.label, from_ms(slot.at_ms)) == (label, from_ms(ms(*at)))


@pytest.mark.parametrize("zone", ["Europe/Vienna", "Europe/London", "Australia/Lord_Howe", "Pacific/Apia", "UTC"])
@pytest.mark.parametrize("rule", [NIGHT, FIRST, JobRule("x", Rhythm.DAY, 1, 30), JobRule("x", Rhythm.DAY, 0, 0)])
def test_each_slot_ends_where_the_next_begins(zone: str, rule: JobRule) -> None:
    """Over three years, hour by hour where the clocks change (Samoa left out 30 December 2011), else at every hour of the
    day in five days: no slot twice, none lost, labels rise.
    """
    place, at_ms = ZoneInfo(zone), ms(2010, 12, 1)
    seen: list[str] = []
    while at_ms < ms(2013, 12, 1):
        newest, following = newest_slot(rule, at_ms, place), next_slot(rule, at_ms, place)
        assert newest.at_ms <= at_ms < following.at_ms
        assert newest_slot(rule, following.at_ms, place).at_ms == following.at_ms
        if not seen or seen[-1] != newest.label:
            seen.append(newest.label)
        changes = offset_ms(at_ms - 2 * DAY_MS, place) != offset_ms(at_ms + 2 * DAY_MS, place)
        at_ms += HOUR_MS if changes else 5 * HOUR_MS
    assert seen == sorted(set(seen))
    assert len(seen) >= (3 * 365 if rule.rhythm is Rhythm.DAY else 36)


def test_a_time_of_day_is_read() -> None:
    """Two digits each, and only times that there are."""
    assert clock_time("00:00") == (0, 0)
    assert clock_time("23:59") == (23, 59)
    for text in ("24:00", "1:30", "01:60", "0130", "", "ab:cd", "01:3", "-1:30", "01:30:00"):
        with pytest.raises(ValueError, match="time of day"):
            clock_time(text)


def test_the_month_of_a_report() -> None:
    """The one before."""
    assert [month_of(label) for label in ("2026-01-01", "2028-03-01", "2026-11-01")] == [
        "2025-12",
        "2028-02",
        "2026-10",
    ]


# -- due ---------------------------------------------------------------------------------------------------------------


def test_a_new_store_begins_with_the_next_slot() -> None:
    """No report of a month without data on the first day."""
    now = ms(2026, 5, 4, 12)
    for rule in (NIGHT, FIRST):
        record = first_seen(rule, now, VIENNA)
        assert due(rule, record, now, VIENNA) is None
        later = next_slot(rule, now, VIENNA)
        assert due(rule, record, later.at_ms, VIENNA) == later


def test_a_month_of_outage_is_made_up_for_once() -> None:
    """Of thirty nights the newest, and the report of the newest month."""
    record, _ = run(NIGHT, first_seen(NIGHT, ms(2026, 5, 1), VIENNA), ms(2026, 5, 2, 3))
    record, label = run(NIGHT, record, ms(2026, 6, 3, 15))
    assert label == "2026-06-03"
    assert run(NIGHT, record, ms(2026, 6, 3, 15, 1))[1] is None
    record, label = run(FIRST, first_seen(FIRST, ms(2026, 3, 15), VIENNA), ms(2026, 6, 3, 15))
    assert (label, month_of(label or "")) == ("2026-06-01", "2026-05")
    assert run(FIRST, record, ms(2026, 6, 3, 16))[1] is None


def test_a_clock_that_is_set_back_runs_nothing_twice() -> None:
    """By an hour, over midnight, by a week: also a slot that was never run lies before one that was."""
    record, label = run(NIGHT, first_seen(NIGHT, ms(2026, 5, 1), VIENNA), ms(2026, 5, 2, 0, 31))
    assert label == "2026-05-02"
    for back in (HOUR_MS, 3 * HOUR_MS, DAY_MS, 7 * DAY_MS):
        for minute in range(0, 24 * 60, 7):
            now = ms(2026, 5, 2, 0, 31) - back + minute * MINUTE
            assert now > ms(2026, 5, 3) or run(NIGHT, record, now)[1] is None or now < ms(2026, 5, 1)
    assert run(NIGHT, record, ms(2026, 5, 3, 0, 31))[1] == "2026-05-03"


def test_a_clock_that_was_a_year_ahead_blocks_nothing() -> None:
    """What was done under it is not believed for a year; what was done before it is not done again."""
    record, _ = run(NIGHT, first_seen(NIGHT, ms(2026, 5, 1), VIENNA), ms(2026, 5, 2, 3))
    record, label = run(NIGHT, record, ms(2027, 5, 2, 3))
    assert label == "2027-05-02"
    assert run(NIGHT, record, ms(2026, 5, 2, 4))[1] is None
    record, label = run(NIGHT, record, ms(2026, 5, 3, 3))
    assert label == "2026-05-03"
    assert run(NIGHT, record, ms(2026, 5, 3, 4))[1] is None


def test_none_runs_while_the_one_before_does() -> None:
    """However long it takes."""
    record = begun(first_seen(NIGHT, ms(2026, 5, 1), VIENNA), "2026-05-02", ms(2026, 5, 2, 1))
    assert due(NIGHT, record, ms(2026, 5, 9), VIENNA) is None


def test_a_failed_one_is_tried_again_with_a_growing_pause() -> None:
    """A minute, two, four, up to six hours; with success the count begins anew."""
    now, record = ms(2026, 5, 2, 1), first_seen(NIGHT, ms(2026, 5, 1), VIENNA)
    pauses = []
    for _ in range(14):
        slot = due(NIGHT, record, now, VIENNA)
        assert slot is not None
        record = failed(begun(record, slot.label, now), now, "no room")
        again = next_run_ms(NIGHT, record, now, VIENNA)
        assert again is not None
        following = next_slot(NIGHT, now, VIENNA).at_ms
        assert again in (now + pause_ms(record.tries), following)
        again = now + pause_ms(record.tries)
        assert due(NIGHT, record, again - 1, VIENNA) is None
        pauses.append(again - now)
        now = again
    assert pauses[:3] == [FIRST_PAUSE_MS, 2 * FIRST_PAUSE_MS, 4 * FIRST_PAUSE_MS]
    assert pauses[-1] == LONGEST_PAUSE_MS
    record, label = run(NIGHT, record, now)
    assert label is not None
    assert (record.tries, record.state) == (0, JobState.DONE)


def test_a_clock_set_back_does_not_lengthen_the_pause() -> None:
    """Else a failed job would wait for the day it failed on to come again."""
    record = failed(begun(first_seen(NIGHT, ms(2026, 5, 1), VIENNA), "2026-05-03", ms(2026, 5, 3)), ms(2026, 5, 3), "x")
    assert due(NIGHT, record, ms(2026, 5, 2, 3), VIENNA) is not None


def test_an_interrupted_one_runs_again_at_once_and_then_with_pauses() -> None:
    """One that takes the program with it does not do so every second."""
    now = ms(2026, 5, 2, 1)
    record = interrupted(begun(first_seen(NIGHT, ms(2026, 5, 1), VIENNA), "2026-05-02", now))
    assert record.state is JobState.INTERRUPTED
    assert due(NIGHT, record, now, VIENNA) is not None
    record = interrupted(begun(record, "2026-05-02", now))
    assert due(NIGHT, record, now + MINUTE, VIENNA) is None
    assert due(NIGHT, record, now + 2 * MINUTE, VIENNA) is not None
    done = succeeded(begun(record, "2026-05-02", now), now, "done")
    assert interrupted(done) == done


def test_what_is_off_is_never_due() -> None:
    """And has no next run."""
    rule = JobRule("backup", Rhythm.DAY, off="no backup_folder")
    assert due(rule, JobRecord(), ms(2026, 5, 2), VIENNA) is None
    assert next_run_ms(rule, JobRecord(), ms(2026, 5, 2), VIENNA) is None


@pytest.mark.parametrize(
    ("rule", "done", "slot", "missed"),
    [
        (NIGHT, ("2026-05-01",), "2026-05-02", ""),
        (NIGHT, ("2026-04-27", "2026-04-28"), "2026-05-02", "; missed before: 3"),
        (FIRST, ("2026-01-01",), "2026-03-01", "; missed before: 1"),
        (NIGHT, ("2026-04-28", "2026-05-02"), "2026-05-02", ""),  # once more, by order of a person
        (NIGHT, (), "2026-05-02", ""),
    ],
)
def test_what_was_missed_is_said(rule: JobRule, done: tuple[str, ...], slot: str, missed: str) -> None:
    """Slots between the run and the newest one before it that is done."""
    record = begun(JobRecord(done=done), slot, ms(2026, 5, 2))
    assert with_remarks(rule, record, "done") == "done" + missed
    again = begun(interrupted(record), slot, ms(2026, 5, 2))
    assert with_remarks(rule, again, "done") == f"done{missed}; tries: 2"


@pytest.mark.parametrize("rule", [NIGHT, FIRST])
def test_a_rough_life(rule: JobRule) -> None:
    """Three years with outages, failures, kills and clocks set back: each slot done at most once, in order, and the newest
    one soon after the program is there again.
    """
    for seed in range(6):
        draw = random.Random(seed)
        now, record = ms(2026, 1, 15), first_seen(rule, ms(2026, 1, 15), VIENNA)
        done: list[str] = []
        while now < ms(2029, 1, 15):
            now += draw.choice([MINUTE, HOUR_MS, 6 * HOUR_MS])
            chance = draw.random()
            if chance < 0.002:
                now += draw.randrange(40 * DAY_MS)  # an outage
                record = interrupted(from_text(to_text(record)))
            elif chance < 0.01:
                now -= HOUR_MS  # the clock was an hour ahead
            slot = due(rule, record, now, VIENNA)
            if slot is None:
                continue
            record = from_text(to_text(begun(record, slot.label, now)))
            assert due(rule, record, now, VIENNA) is None
            chance = draw.random()
            if chance < 0.1:
                record = failed(record, now, "no room")
            elif chance < 0.2:
                record = interrupted(from_text(to_text(record)))  # killed
            else:
                record = succeeded(record, now, "done")
                done.append(slot.label)
        assert done == sorted(set(done))
        assert len(done) > (600 if rule.rhythm is Rhythm.DAY else 20)


def test_records_survive_storing() -> None:
    """With unknown fields of a later version; what is no record is refused."""
    record = succeeded(begun(JobRecord(), "2026-05-02", 5), 7, "3 Dateien nach Übersee")
    assert from_text(to_text(record)) == record
    assert from_text(to_text(record)[:-1] + ', "later": 1}') == record
    for text in ("", "[]", "{}", '{"state": "gone", "done": []}', '{"state": "done", "done": 3}'):
        with pytest.raises(ValueError):
            from_text(text)


def test_a_day_is_found_from_every_minute() -> None:
    """The minutes around a change of the clocks: the slot in force never goes back."""
    at, last = datetime(2026, 10, 24, 20, tzinfo=UTC), ""
    for _ in range(12 * 60):
        label = newest_slot(NIGHT, to_ms(at), VIENNA).label
        assert label >= last
        last, at = label, at + timedelta(minutes=1)
