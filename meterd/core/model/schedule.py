"""What happens by the calendar of the site: the jobs of a plan, when each is due, and what is remembered of its runs.

Pure: a job is due by what was recorded of its last runs and by the moment. A slot is named by its local date, so a clock that
is set back finds it done, and a job that was missed for a month is due once, for its newest slot.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from meterd.core.model.periods import DAY_MS, day_of, to_ms

OFF = "off"
FIRST_PAUSE_MS = 60_000  # after a failure; doubled after each further one
LONGEST_PAUSE_MS = 6 * 3_600_000  # a nightly job is tried some four times before the next night
AHEAD_MS = DAY_MS  # a done slot further ahead than this is of a clock that was wrong, and is not believed
REMEMBERED = 16  # done slots: two weeks of nights


@dataclass(frozen=True, slots=True)
class Schedule:
    """Local times of the jobs, or `off`, and where their results go. Each default carries its reason.

    A job whose target is not named does not run: the plan decides which disk is filled and who gets mail.
    """

    backup: str = "01:30"  # at night, after the drift watch
    backup_folder: str = ""
    backup_days: int = 7  # a fault is noticed within a week ...
    backup_weeks: int = 5  # ... or with the month's report ...
    backup_months: int = 12  # ... or with that of the year
    report: str = "06:00"  # on the first: read in the morning
    report_to: tuple[str, ...] = ()  # empty = email_to of [notify]
    costs: str = "06:00"  # on the first
    documents_folder: str = ""
    archive: str = "03:30"  # on the first, when the month is closed
    archive_url: str = ""
    archive_username: str = ""
    archive_password_env: str = ""
    archive_password_file: str = ""
    retention: str = "04:30"  # on the first, after the archive
    retention_days: int = 0  # 0 = readings stay for ever
    verify: str = "03:17"  # after the backup, which compares its copy itself
    drift: str = "00:30"  # when the day before is closed
    clocks: str = "00:45"


NO_SCHEDULE = Schedule(backup=OFF, report=OFF, costs=OFF, archive=OFF, retention=OFF, verify=OFF, drift=OFF, clocks=OFF)


class Rhythm(StrEnum):
    """How often a job is due."""

    DAY = "day"
    MONTH = "month"  # on its first day


JOBS: Mapping[str, Rhythm] = {
    "drift": Rhythm.DAY,
    "clocks": Rhythm.DAY,
    "backup": Rhythm.DAY,
    "verify": Rhythm.DAY,
    "archive": Rhythm.MONTH,
    "retention": Rhythm.MONTH,
    "report": Rhythm.MONTH,
    "costs": Rhythm.MONTH,
}  # in the order in which they run when several are due
INSIDE = ("drift", "clocks")  # what only the running daemon can do


@dataclass(frozen=True, slots=True)
class JobRule:
    """A job with its local time; `off` says why it never runs, and is empty where it does."""

    name: str
    rhythm: Rhythm
    hour: int = 0
    minute: int = 0
    off: str = ""


@dataclass(frozen=True, slots=True)
class Slot:
    """One time at which a job is due: its local date and its moment."""

    label: str
    at_ms: int


class JobState(StrEnum):
    """How the newest run of a job stands."""

    NEW = "new"  # never run
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    INTERRUPTED = "interrupted"  # the program ended while it ran


@dataclass(frozen=True, slots=True)
class JobRecord:
    """What is remembered of a job: its newest run, and which slots are done."""

    state: JobState = JobState.NEW
    slot: str = ""
    tries: int = 0  # without success, in a row
    begun_ms: int = 0
    ended_ms: int = 0
    words: str = ""  # what it did, or why it failed
    done_ms: int = 0  # when it last succeeded
    done: tuple[str, ...] = ()


# -- when --------------------------------------------------------------------------------------------------------------


def clock_time(text: str) -> tuple[int, int]:
    """Hour and minute of `HH:MM`; ValueError for anything else.

    >>> clock_time("01:30")
    (1, 30)
    """
    hour, colon, minute = text.partition(":")
    if not (colon and len(hour) == len(minute) == 2 and hour.isdecimal() and minute.isdecimal()):
        raise ValueError(f"{text!r} is not a time of day")
    if int(hour) > 23 or int(minute) > 59:
        raise ValueError(f"{text!r} is not a time of day")
    return int(hour), int(minute)


def _at(rule: JobRule, day: date, zone: ZoneInfo) -> Slot:
    # a time that the clocks leave out is as much later as they are set forward; of one that comes twice it is the first
    moment = datetime(day.year, day.month, day.day, rule.hour, rule.minute, tzinfo=zone)
    return Slot(day.isoformat(), to_ms(moment.astimezone(UTC)))


def newest_slot(rule: JobRule, now_ms: int, zone: ZoneInfo) -> Slot:
    """The last time at or before the moment at which the job was due."""
    today = day_of(now_ms, zone)
    day = today if rule.rhythm is Rhythm.DAY else today.replace(day=1)
    while (slot := _at(rule, day, zone)).at_ms > now_ms:
        day = _before(rule, day)
    return slot


def next_slot(rule: JobRule, now_ms: int, zone: ZoneInfo) -> Slot:
    """The first time after the moment at which the job will be due."""
    day = day_of(now_ms, zone) if rule.rhythm is Rhythm.DAY else day_of(now_ms, zone).replace(day=1)
    while (slot := _at(rule, day, zone)).at_ms <= now_ms:
        day = day + timedelta(days=1) if rule.rhythm is Rhythm.DAY else (day + timedelta(days=32)).replace(day=1)
    return slot


def _before(rule: JobRule, day: date) -> date:
    last = day - timedelta(days=1)
    return last if rule.rhythm is Rhythm.DAY else last.replace(day=1)


def month_of(slot: str) -> str:
    """The closed month that a slot is about: the one before its date.

    >>> month_of("2026-03-01")
    '2026-02'
    """
    last = date.fromisoformat(slot).replace(day=1) - timedelta(days=1)
    return f"{last:%Y-%m}"


def pause_ms(tries: int) -> int:
    """How long a job that failed so many times in a row waits before it is tried again, in ms.

    >>> [pause_ms(tries) // 60_000 for tries in (1, 2, 3, 20)]
    [1, 2, 4, 360]
    """
    return min(LONGEST_PAUSE_MS, FIRST_PAUSE_MS << min(tries - 1, 20)) if tries > 0 else 0


def next_try_ms(record: JobRecord) -> int | None:
    """When a job that did not succeed is tried again; None for all others. An interrupted one at once, at first."""
    if record.state is JobState.INTERRUPTED and record.tries < 2:
        return record.begun_ms
    if record.state not in (JobState.FAILED, JobState.INTERRUPTED):
        return None
    return record.ended_ms + pause_ms(record.tries)


def due(rule: JobRule, record: JobRecord, now_ms: int, zone: ZoneInfo) -> Slot | None:
    """The slot that a job is to be run for now; None while it runs, waits after a failure, or has nothing to do.

    Only the newest slot counts: what was missed for a month is made up for once. A slot that is done, or lies before one
    that is, is never run again. A clock set back behind the last try does not lengthen the pause after it.
    """
    if rule.off or record.state is JobState.RUNNING:
        return None
    slot, horizon = newest_slot(rule, now_ms, zone), day_of(now_ms + AHEAD_MS, zone).isoformat()
    if any(slot.label <= label <= horizon for label in record.done):
        return None
    again_ms = next_try_ms(record)
    if again_ms is not None and record.ended_ms <= now_ms < again_ms:
        return None
    return slot


def next_run_ms(rule: JobRule, record: JobRecord, now_ms: int, zone: ZoneInfo) -> int | None:
    """When a job will be begun, as far as is known; the moment itself if it is due; None if it never is."""
    if rule.off:
        return None
    if due(rule, record, now_ms, zone) is not None:
        return now_ms
    later_ms = next_slot(rule, now_ms, zone).at_ms
    again_ms = next_try_ms(record)
    return later_ms if again_ms is None or again_ms <= now_ms else min(later_ms, again_ms)


# -- what is remembered ------------------------------------------------------------------------------------------------


def first_seen(rule: JobRule, now_ms: int, zone: ZoneInfo) -> JobRecord:
    """The record of a job that was never looked at before: it begins with its next slot, not with one of the past."""
    return JobRecord(done=(newest_slot(rule, now_ms, zone).label,))


def begun(record: JobRecord, slot: str, now_ms: int) -> JobRecord:
    """A run begins; the words of the one before stay until it ends."""
    return replace(record, state=JobState.RUNNING, slot=slot, tries=record.tries + 1, begun_ms=now_ms)


def succeeded(record: JobRecord, now_ms: int, text: str) -> JobRecord:
    """The run has done what it was to do."""
    done = (*(label for label in record.done if label != record.slot), record.slot)[-REMEMBERED:]
    return replace(record, state=JobState.DONE, tries=0, ended_ms=now_ms, done_ms=now_ms, words=text, done=done)


def with_remarks(rule: JobRule, record: JobRecord, text: str) -> str:
    """What the run did, how many slots were missed before its own, and with which try it succeeded where not the first.

    >>> night = JobRule("backup", Rhythm.DAY, 1, 30)
    >>> with_remarks(night, JobRecord(slot="2026-03-01", tries=2, done=("2026-02-25",)), "3 copies")
    '3 copies; missed before: 3; tries: 2'
    """
    parts = [text]
    if number := _missed(rule, record):
        parts.append(f"missed before: {number}")
    if record.tries > 1:
        parts.append(f"tries: {record.tries}")
    return "; ".join(parts)


def _missed(rule: JobRule, record: JobRecord) -> int:
    """How many slots lie between that of the run and the newest one before it that is done; 0 where none is."""
    earlier = [label for label in record.done if label < record.slot]
    if not earlier or record.slot in record.done:
        return 0
    day, count = _before(rule, date.fromisoformat(record.slot)), 0
    while day.isoformat() > max(earlier):
        day, count = _before(rule, day), count + 1
    return count


def failed(record: JobRecord, now_ms: int, text: str) -> JobRecord:
    """The run could not do it."""
    return replace(record, state=JobState.FAILED, ended_ms=now_ms, words=text)


def interrupted(record: JobRecord) -> JobRecord:
    """What a run is that nobody carries on: the program ended meanwhile. Every other record is as it was."""
    if record.state is not JobState.RUNNING:
        return record
    text = "the program ended while the job was running"
    return replace(record, state=JobState.INTERRUPTED, ended_ms=record.begun_ms, words=text)


def to_text(record: JobRecord) -> str:
    """The record as it is stored."""
    return json.dumps(asdict(record), ensure_ascii=False)


def from_text(stored: str) -> JobRecord:
    """The record of a stored text; ValueError for what is none. Fields that a later version adds are left out."""
    values = json.loads(stored)
    if not isinstance(values, dict):
        raise ValueError("the record of a job is not an object")
    known = {field.name: values[field.name] for field in fields(JobRecord) if field.name in values}
    try:
        known["state"], known["done"] = JobState(known["state"]), tuple(str(label) for label in known["done"])
        return JobRecord(**known)
    except (KeyError, TypeError) as exc:
        raise ValueError("the record of a job is incomplete") from exc
