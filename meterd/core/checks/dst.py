"""Changes of the clocks: which periods close around one, and whether the store holds them as it should afterwards.

Any zone of the IANA rules: whole and half hours, changes at midnight, a day that is left out. Pure: rules and figures in,
words and findings out. Times are ms UTC, energies whole mWh.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

from meterd.core.model.finding import Finding
from meterd.core.model.periods import (
    DAY_MS,
    HOUR_MS,
    Period,
    bounds,
    change_between,
    day_of,
    label,
    local,
    offset_ms,
    starts,
    text,
)

SEARCH_MS = 800 * DAY_MS  # two years and a bit: a zone without a change in that time has none
_STEP_MS = 6 * HOUR_MS  # no zone has changed its clocks twice within six hours
ANNOUNCED_MS = 7 * DAY_MS  # a change is reported so long before
OVERDUE_MS = HOUR_MS  # a day that is not closed so long after its time is reported; a restart takes less
NAMED = 5  # faults in one finding

ANNOUNCED, WRONG = "clock-change", "clock-change-wrong"


@dataclass(frozen=True, slots=True)
class Change:
    """The first instant with another offset, and the offsets before and from it."""

    at_ms: int
    before_ms: int
    after_ms: int

    def words(self, zone: ZoneInfo) -> str:
        """What the clocks do, in local time."""
        from_ = local(self.at_ms, zone) + timedelta(milliseconds=self.before_ms - self.after_ms)
        to = local(self.at_ms, zone)
        how = "forward" if self.after_ms > self.before_ms else "back"
        until = f"{to:%H:%M}" if to.date() == from_.date() else f"{to:%Y-%m-%d %H:%M}"
        return f"{from_:%Y-%m-%d}: the clocks go {how} from {from_:%H:%M} to {until} ({text(self.at_ms)})"


@dataclass(frozen=True, slots=True)
class Closing:
    """A period that a change lies in, with its parts by the calendar: quarter hours (intervals) and the next smaller kind."""

    period: Period
    start_ms: int
    end_ms: int
    intervals: int


@dataclass(frozen=True, slots=True)
class AffectedPeriods:
    """Everything that closes around one change: its days (one, or two at midnight), their hours, weeks and months.

    `left_out` are local dates that do not come at all.
    """

    change: Change
    days: tuple[Closing, ...]
    hours: tuple[Closing, ...]
    longer: tuple[Closing, ...]
    left_out: tuple[str, ...] = ()

    @property
    def low_ms(self) -> int:
        """Begin of its first day."""
        return self.days[0].start_ms

    @property
    def high_ms(self) -> int:
        """End of its last day."""
        return self.days[-1].end_ms


def next_change(zone: ZoneInfo, after_ms: int) -> Change | None:
    """The first change later than a moment; None if the rules have none within `SEARCH_MS`."""
    low = after_ms
    while low < after_ms + SEARCH_MS:
        high = low + _STEP_MS
        if offset_ms(low, zone) != offset_ms(high, zone):
            return _change(low, high, zone)
        low = high
    return None


def last_change(zone: ZoneInfo, before_ms: int) -> Change | None:
    """The last change at or before a moment; None if the rules have none within `SEARCH_MS`."""
    high = before_ms
    while high > before_ms - SEARCH_MS:
        low = high - _STEP_MS
        if offset_ms(low, zone) != offset_ms(high, zone):
            return _change(low, high, zone)
        high = low
    return None


def _change(low: int, high: int, zone: ZoneInfo) -> Change:
    at = change_between(low, high, zone)
    return Change(at, offset_ms(at - 1, zone), offset_ms(at, zone))


def affected_periods(change: Change, zone: ZoneInfo, interval_ms: int) -> AffectedPeriods:
    """The periods that a change lies in. At a midnight the day that is not of 24 hours; both if both are."""
    first, last = sorted((day_of(change.at_ms - 1, zone), day_of(change.at_ms, zone)))
    low = bounds(Period.DAY, change.at_ms - 1, zone, interval_ms)[0]
    high = bounds(Period.DAY, change.at_ms, zone, interval_ms)[1]
    days = _closings(Period.DAY, (low, high), zone, interval_ms)
    odd = tuple(day for day in days if day.end_ms - day.start_ms != DAY_MS) or days
    span = odd[0].start_ms, odd[-1].end_ms
    weeks, months = (_holding(period, span, zone, interval_ms) for period in (Period.WEEK, Period.MONTH))
    between = (first + timedelta(days=n) for n in range(1, (last - first).days))
    return AffectedPeriods(
        change,
        odd,
        _closings(Period.HOUR, span, zone, interval_ms),
        weeks + months,
        tuple(d.isoformat() for d in between),
    )


def _closings(period: Period, span: tuple[int, int], zone: ZoneInfo, interval_ms: int) -> tuple[Closing, ...]:
    """The periods that begin in a span."""
    results = starts(period, *span, zone, interval_ms)
    ends = [bounds(period, start, zone, interval_ms)[1] for start in results]
    return tuple(
        Closing(period, start, end, len(range(-(-start // interval_ms), -(-end // interval_ms))))
        for start, end in zip(results, ends, strict=True)
    )


def _holding(period: Period, span: tuple[int, int], zone: ZoneInfo, interval_ms: int) -> tuple[Closing, ...]:
    """The periods that a span lies in."""
    low = bounds(period, span[0], zone, interval_ms)[0]
    return _closings(period, (low, span[1]), zone, interval_ms)


def hour_words(affected: AffectedPeriods, zone: ZoneInfo) -> list[str]:
    """What is odd about the hours of those days: missing, twice, shorter than 60 minutes; days that do not come."""
    texts = [f"the day {name} does not come" for name in affected.left_out]
    for day in affected.days:
        hours = [hour for hour in affected.hours if day.start_ms <= hour.start_ms < day.end_ms]
        by_clock: dict[int, list[Closing]] = {}
        for hour in hours:
            by_clock.setdefault(local(hour.start_ms, zone).hour, []).append(hour)
        texts += [f"the hour {clock:02d}:00 does not come" for clock in range(24) if clock not in by_clock]
        for clock, same in by_clock.items():
            named = " and ".join(_hour_label(hour, zone) for hour in same)
            if len(same) > 1:
                texts.append(f"the hour {clock:02d}:00 comes twice: {named}")
            elif same[0].end_ms - same[0].start_ms != HOUR_MS:
                texts.append(f"a short hour: {named}")
    return texts


def _hour_label(hour: Closing, zone: ZoneInfo) -> str:
    minutes = (hour.end_ms - hour.start_ms) // 60_000
    return label(Period.HOUR, hour.start_ms, zone) + (f" ({minutes} min)" if minutes != 60 else "")


# -- afterwards: what is stored ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Series:
    """All stored rows of one register or one board's feed: start -> mWh, None where it is known to be missing.

    Intervals and hours of the days of the change and of a day before and after, days of its weeks and months, and the
    weeks and months. `current` says that it is still read: its rows must go on up to what is closed.
    """

    name: str
    rows: Mapping[Period, Mapping[int, int | None]]
    current: bool = True


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it should be."""

    name: str
    period: Period
    start_ms: int
    what: str

    def words(self, zone: ZoneInfo) -> str:
        """A line for people."""
        return f"{self.name}, {self.period} {label(self.period, self.start_ms, zone)}: {self.what}"


_CHECKED: tuple[tuple[Period, tuple[Period, ...]], ...] = (  # each kind with what it must be the sum of
    (Period.INTERVAL, ()),
    (Period.HOUR, (Period.INTERVAL,)),
    (Period.DAY, (Period.INTERVAL, Period.HOUR)),
    (Period.WEEK, (Period.DAY,)),
    (Period.MONTH, (Period.DAY,)),
)


@dataclass(frozen=True, slots=True)
class Calendar:
    """The zone, the grid, and up to when periods are closed."""

    zone: ZoneInfo
    interval_ms: int
    closed_to_ms: int


def faults_of(affected: AffectedPeriods, series: Series, calendar: Calendar) -> list[Fault]:
    """What is wrong in one series: rows that are missing, that do not belong there, or that are not the sum of their parts.

    A series that begins or ends within the days is judged from its first row, or to its last one.
    """
    lived = _lived(affected, series, calendar.closed_to_ms)
    if lived is None:
        return []
    faults: list[Fault] = []
    for period, parts in _CHECKED:
        for span in _spans(affected, period):
            expected = [
                (start, end)
                for start in starts(period, *span, calendar.zone, calendar.interval_ms)
                if (end := bounds(period, start, calendar.zone, calendar.interval_ms)[1]) <= calendar.closed_to_ms
            ]
            faults += _rows_at_fault(series, period, span, expected=expected, lived=lived)
            for part in parts:
                faults += _sums_at_fault(series, (period, part), expected, calendar)
    return faults


def _spans(affected: AffectedPeriods, period: Period) -> Iterator[tuple[int, int]]:
    """Where the rows of a kind are checked."""
    longer = [closing for closing in affected.longer if closing.period is period]
    if not longer:
        yield affected.low_ms, affected.high_ms
    yield from ((closing.start_ms, closing.end_ms) for closing in longer)


def _lived(affected: AffectedPeriods, series: Series, closed_to_ms: int) -> tuple[int, int] | None:
    """From when until when there must be rows; None if the series has none there."""
    known = series.rows.get(Period.INTERVAL, {})
    inside = [start for start in known if affected.low_ms <= start < affected.high_ms]
    if not inside and not (series.current and known and min(known) < affected.low_ms):
        return None
    low = affected.low_ms if min(known) < affected.low_ms else min(inside)
    goes_on = max(known) >= affected.high_ms or series.current
    return low, min(closed_to_ms, affected.high_ms if goes_on else max(inside, default=low) + 1)


def _rows_at_fault(
    series: Series,
    period: Period,
    span: tuple[int, int],
    *,
    expected: Sequence[tuple[int, int]],
    lived: tuple[int, int],
) -> Iterator[Fault]:
    known = series.rows.get(period, {})
    wanted = {start for start, _ in expected}
    for start, end in expected:
        if start not in known and start < lived[1] and end > lived[0]:
            yield Fault(series.name, period, start, "it is over and has no row")
    last = max((end for _, end in expected), default=span[0])
    for start in sorted(known):
        if span[0] <= start < last and start not in wanted:
            yield Fault(series.name, period, start, "a row that begins where no such period begins")


def _sums_at_fault(
    series: Series, kinds: tuple[Period, Period], expected: Iterable[tuple[int, int]], calendar: Calendar
) -> Iterator[Fault]:
    whole, part = kinds
    known, parts = series.rows.get(whole, {}), series.rows.get(part, {})
    for start, end in expected:
        if start not in known:
            continue
        energies = [parts.get(item) for item in starts(part, start, end, calendar.zone, calendar.interval_ms)]
        there = [energy for energy in energies if energy is not None]
        total = sum(there) if len(there) == len(energies) else None
        if known[start] != total:
            yield Fault(
                series.name, whole, start,
                f"it has {_mwh(known[start])}, its {len(energies)} parts ({part}, {len(there)} known) make {_mwh(total)}",
            )  # fmt: skip


def _mwh(energy: int | None) -> str:
    return "no figure" if energy is None else f"{energy} mWh"


# -- findings ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Checked:
    """What a verification of one change gave."""

    around: AffectedPeriods
    closed_to_ms: int  # up to when periods were closed when it was made
    series: int
    faults: tuple[Fault, ...]


def clock_change_findings(
    site: str, calendar: Calendar, now_ms: int, checked: Checked | None, *, close_after_ms: int = 0
) -> list[Finding]:
    """An announcement from seven days before a change until its day is over; a fault of the last one as long as it stands."""
    zone, interval_ms = calendar.zone, calendar.interval_ms
    findings = _announcement(site, calendar, now_ms)
    last = last_change(zone, now_ms)
    if last is not None and now_ms < last.at_ms + ANNOUNCED_MS:
        days = affected_periods(last, zone, interval_ms)
        late = now_ms - days.high_ms - close_after_ms
        if late > OVERDUE_MS and days.low_ms <= calendar.closed_to_ms < days.high_ms:
            findings.append(
                Finding(
                    WRONG, site, last.at_ms,
                    f"{site}: the day of the clock change ({_day_names(days, zone)}) ended at {text(days.high_ms)} and periods"
                    f" are closed only to {text(calendar.closed_to_ms)}",
                    "see the findings of the store and of the program; restart the daemon if there are none",
                )
            )  # fmt: skip
    if checked is not None and checked.faults:
        findings.append(_fault_finding(site, zone, checked))
    return findings


def _announcement(site: str, calendar: Calendar, now_ms: int) -> list[Finding]:
    zone = calendar.zone
    coming = next_change(zone, now_ms - 2 * DAY_MS)
    if coming is None or coming.at_ms - ANNOUNCED_MS > now_ms:
        return []
    days = affected_periods(coming, zone, calendar.interval_ms)
    if now_ms >= days.high_ms:
        return []
    counts = ", ".join(f"{label(day.period, day.start_ms, zone)} has {day.intervals} intervals" for day in days.days)
    sentence = f"{site}: {coming.words(zone)}; {counts}; {'; '.join(hour_words(days, zone))}"
    remedy = (
        "nothing to do here; see that meters and gateways that keep local time follow, `meterd clock-change` checks it"
    )
    return [Finding(ANNOUNCED, site, coming.at_ms, sentence, remedy)]


def _fault_finding(site: str, zone: ZoneInfo, checked: Checked) -> Finding:
    faults, days = checked.faults, _day_names(checked.around, zone)
    more = f" and {len(faults) - NAMED} more" if len(faults) > NAMED else ""
    sentence = "; ".join(fault.words(zone) for fault in faults[:NAMED])
    return Finding(
        WRONG, site, checked.around.change.at_ms,
        f"{site}: around the clock change of {days} {len(faults)} figures are not as they should be: {sentence}{more}",
        "`meterd clock-change` lists all of them; restart the daemon so that it sums again, and report it with the list",
    )  # fmt: skip


def _day_names(affected: AffectedPeriods, zone: ZoneInfo) -> str:
    return " and ".join(label(day.period, day.start_ms, zone) for day in affected.days)
