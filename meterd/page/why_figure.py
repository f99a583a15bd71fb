"""Why one energy of a point's register is what it is: its readings or its parts, made again and compared with the books."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.correction import FIGURES_FROM, Correction, Edits, edited, edits, stretches
from meterd.explain import Boundary, Derived, Found, Kept, Mark, Trail, derive, input_of, summed
from meterd.figure import Channel
from meterd.interval import DAY_MS, HOUR_MS, MADE_OF, Period
from meterd.interval import starts as starts_of
from meterd.knots import Anchor, Flag
from meterd.page import Reads
from meterd.page.view import Values
from meterd.reading import REGISTERS, Reading
from meterd.rollup import Columns
from meterd.site import Instrument, Site

BEHIND = (50, 1_000, 20_000)  # readings after an interval: few decide most, a register that stands needs a day of them
MOST = 40_000  # readings from the anchor to the end: eleven hours of one a second
WINDOWS = (
    2 * HOUR_MS,
    DAY_MS,
    31 * DAY_MS,
    400 * DAY_MS,
)  # where a reading to begin at is looked for without an anchor
AROUND = 2  # readings that are shown on each side of a boundary


class MarkLine(Values):
    """A reading on which a boundary rests: shown milli-units, and mWh counted with ratio and pulse weight."""

    at_ms: int
    shown_milli: int
    counted_mwh: int


class BoundaryLine(Values):
    """The value of the register at one end of the interval, and how it was found (`explain.Found`)."""

    at_ms: int
    found: str
    counted_mwh: int | None
    before: MarkLine | None
    after: MarkLine | None


class ReadingLine(Values):
    """A kept reading: value as shown in milli-units, when it was true, when it came; `used` if it was believed.

    `corrected` says that a person corrected it: `taken_milli` stands in its place, nothing if it is left out.
    """

    at_ms: int
    shown_milli: int
    received_ms: int
    device_time: bool
    old: bool
    used: bool
    corrected: bool
    taken_milli: int | None


class EventLine(Values):
    """Something that was decided about the register: rollover, reset, exchange, reading not believed."""

    kind: str
    at_ms: int


class IntervalWhy(Values):
    """What an interval rests on. `between` counts the readings inside it, `refused` those of them not believed."""

    start: BoundaryLine
    end: BoundaryLine
    gain_mwh: int
    broken: bool
    events: list[EventLine]
    readings: list[ReadingLine]
    between: int
    refused: int


class InstrumentLine(Values):
    """An instrument that was in force in the period."""

    serial: str
    from_ms: int
    until_ms: int | None
    meter_class: str | None
    ct_class: str | None
    ct_ratio: str | None
    pulse_wh: float | None


class SourceLine(Values):
    """Where the register is read and what is done with the value before it is kept."""

    source: str
    address: str
    field: str
    unit: str
    scale: float
    per_ct: bool


class CorrectionLine(Values):
    """A dated correction that touches the period; a withdrawn one does not count any more.

    With `reads` it is of the one reading at `from_ms`: what it should have shown, in Wh or varh, or "strike".
    """

    number: int
    from_ms: int
    until_ms: int | None
    factor: str
    reads: str
    reason: str
    person: str
    withdrawn_ms: int | None


class PartLine(Values):
    """One part of a longer period."""

    start_ms: int
    energy_mwh: int | None
    flags: list[str]


class VersionLine(Values):
    """One version of the figure with the reason for which it was written."""

    version: int
    energy_mwh: int | None
    flags: list[str]
    written_ms: int
    reason: str


class FigureWhy(Values):
    """The answer for one energy in mWh (mvarh for reactive registers).

    `word` compares the books with what is made again: "agrees", "differs", or "unknown" where it cannot be made again:
    `reason` is then "open" (nothing kept yet), "final" (readings deleted) or "silent" (no reading at all).
    """

    point: str
    title: str
    register_code: str
    register_name: str
    unit: str
    period: str
    start_ms: int
    end_ms: int
    kept: bool
    energy_mwh: int | None
    flags: list[str]
    word: str
    reason: str
    again_mwh: int | None
    again_flags: list[str]
    gap_exact_s: int
    interval: IntervalWhy | None
    part_period: str
    parts: list[PartLine]
    instruments: list[InstrumentLine]
    source: SourceLine
    corrections: list[CorrectionLine]
    versions: list[VersionLine]


@dataclass(frozen=True, slots=True)
class _Again:
    """What was made again: None with a reason where it could not be."""

    result: Kept | None
    reason: str = ""
    interval: IntervalWhy | None = None
    parts: tuple[PartLine, ...] = ()


def why_figure(reads: Reads, site: Site, channel: Channel, *, kind: Period, span: tuple[int, int]) -> FigureWhy:
    """One figure of a register that the plan reads; `span` is the whole period."""
    versions = reads.versions(channel, kind, span[0])
    kept = Kept(versions[-1].energy, versions[-1].flags) if versions else None
    corrections = [one for one in reads.corrections.all() if (one.point, one.register) == channel]
    again = _interval(reads, site, channel, span, (kept, corrections)) if kind is Period.INTERVAL else None
    if again is None:
        again = _longer(reads, site, channel, kind=kind, span=span)
    known = kept is not None and again.result is not None
    register, row = REGISTERS[channel[1]], input_of(site, channel)
    assert row is not None, "only registers of the plan are asked for"
    return FigureWhy(
        point=channel[0],
        title=site.point(channel[0]).title,
        register_code=register.obis,
        register_name=register.name,
        unit=register.unit,
        period=str(kind),
        start_ms=span[0],
        end_ms=span[1],
        kept=kept is not None,
        energy_mwh=None if kept is None else kept.energy,
        flags=[] if kept is None else flag_words(kept.flags),
        word="unknown" if not known else "agrees" if kept == again.result else "differs",
        reason="open" if kept is None else again.reason,
        again_mwh=None if again.result is None else again.result.energy,
        again_flags=[] if again.result is None else flag_words(again.result.flags),
        gap_exact_s=site.limits.gap_exact_s,
        interval=again.interval,
        part_period="" if kind is Period.INTERVAL else str(MADE_OF[kind]),
        parts=list(again.parts),
        instruments=[_instrument(one) for one in site.instruments_of(channel[0]) if _meets(one.from_ms, one.until_ms, span)],
        source=SourceLine(
            source=row.source, address=row.address, field=row.field, unit=row.unit, scale=row.scale, per_ct=row.per_ct
        ),
        corrections=[_correction(one) for one in corrections if _touches(one, again, span)],
        versions=[
            VersionLine(
                version=one.version, energy_mwh=one.energy, flags=flag_words(one.flags), written_ms=one.written_ms,
                reason=one.reason,
            )
            for one in versions
        ],
    )  # fmt: skip


def flag_words(flags: int) -> list[str]:
    """The names of the flags that are set."""
    return [str(flag.name).lower() for flag in (Flag.START, Flag.END, Flag.BOUND) if flags & flag]


def _meets(from_ms: int, until_ms: int | None, span: tuple[int, int]) -> bool:
    return from_ms < span[1] and (until_ms is None or until_ms > span[0])


def _touches(one: Correction, again: "_Again", span: tuple[int, int]) -> bool:
    """Whether a correction is inside the period, or of a reading next to it on which the period rests."""
    near = {line.at_ms for line in again.interval.readings} if again.interval is not None else set()
    return _meets(one.from_ms, one.until_ms, span) or (bool(one.reads) and one.from_ms in near)


def _instrument(one: Instrument) -> InstrumentLine:
    ratio = one.ct_primary_a is not None and one.ct_secondary_a is not None
    return InstrumentLine(
        serial=one.serial,
        from_ms=one.from_ms,
        until_ms=one.until_ms,
        meter_class=one.meter_class,
        ct_class=one.ct_class,
        ct_ratio=f"{one.ct_primary_a:g}/{one.ct_secondary_a:g}" if ratio else None,
        pulse_wh=None if one.pulse_wh is None else float(one.pulse_wh),
    )


def _correction(one: Correction) -> CorrectionLine:
    return CorrectionLine(
        number=one.id, from_ms=one.from_ms, until_ms=one.until_ms, factor=one.factor, reads=one.reads, reason=one.reason,
        person=one.person, withdrawn_ms=one.withdrawn_ms,
    )  # fmt: skip


# -- a longer period ---------------------------------------------------------------------------------------------------


def _longer(reads: Reads, site: Site, channel: Channel, *, kind: Period, span: tuple[int, int]) -> _Again:
    part = MADE_OF[kind]
    begins = np.array(starts_of(part, *span, ZoneInfo(site.zone), site.interval_s * 1000), dtype=np.int64)
    columns = reads.columns([channel], part, begins)
    return _Again(summed(columns), parts=tuple(_part(columns, begins.tolist(), i) for i in range(len(begins))))


def _part(columns: Columns, begins: Sequence[int], i: int) -> PartLine:
    energy = int(columns.energy[i, 0]) if columns.present[i, 0] else None
    return PartLine(start_ms=begins[i], energy_mwh=energy, flags=flag_words(int(columns.flags[i, 0])))


# -- an interval -------------------------------------------------------------------------------------------------------


def _interval(
    reads: Reads, site: Site, channel: Channel, span: tuple[int, int], known: tuple[Kept | None, Sequence[Correction]]
) -> _Again:
    """The interval made again from as few readings as it takes: more are read only while they could still change it."""
    if span[0] < int(reads.fact(FIGURES_FROM) or -(2**62)):
        return _Again(None, "final")
    kept, corrections = known
    factors, single = stretches(corrections), edits(corrections)
    anchor = _anchor(reads, channel, span)
    for behind in BEHIND:
        readings, ended = _readings(reads, channel, span, anchor, behind)
        found = derive(site, channel, span, trail=_trail(anchor, readings, single), stretches=factors)
        if found.earlier is not None:
            anchor = _anchor(reads, channel, (found.earlier - 1, span[1]))
            readings, ended = _readings(reads, channel, span, anchor, behind)
            found = derive(site, channel, span, trail=_trail(anchor, readings, single), stretches=factors)
        if ended or found.sure or found.result == kept:
            break
    if not readings:
        return _Again(None, "silent")
    return _Again(found.result, interval=_interval_lines(found, readings, span, single))


def _anchor(reads: Reads, channel: Channel, span: tuple[int, int]) -> Anchor | None:
    """The newest anchor before an interval, unless so many readings follow it that another beginning is nearer."""
    found = reads.anchor(channel, span[0])
    while found is not None and found[1].at_ms > span[0]:
        found = reads.anchor(channel, found[0] - 1)
    if found is None or len(reads.readings_between(channel, found[1].at_ms, span[1], most=MOST)) == MOST:
        return None
    return found[1]


def _readings(
    reads: Reads, channel: Channel, span: tuple[int, int], anchor: Anchor | None, behind: int
) -> tuple[list[Reading], bool]:
    """Readings from the anchor (else from shortly before the interval) to `behind` after it; whether there are no more."""
    since = -(2**62) if anchor is None else anchor.at_ms
    if anchor is None:
        ways = (span[0] - back for back in WINDOWS)
        since = next((low for low in ways if reads.readings_between(channel, low, span[0] + 1, most=1)), since)
    after = reads.readings_between(channel, span[1] + 1, 2**62, most=behind)
    return [*reads.readings_between(channel, since, span[1] + 1, most=MOST), *after], len(after) < behind


def _trail(anchor: Anchor | None, readings: Sequence[Reading], single: Edits) -> Trail:
    table = np.array([(one.at_ms, int(one.value)) for one in readings], dtype=np.int64).reshape(-1, 2)
    return Trail(anchor, *edited(table[:, 0].copy(), table[:, 1].copy(), single))


def _interval_lines(found: Derived, readings: Sequence[Reading], span: tuple[int, int], single: Edits) -> IntervalWhy:
    inside = [one for one in readings if span[0] <= one.at_ms <= span[1]]
    return IntervalWhy(
        start=_boundary(found.start),
        end=_boundary(found.end),
        gain_mwh=found.gain,
        broken=found.broken and Found.BREAK not in (found.start.found, found.end.found),
        events=[EventLine(kind=one.kind, at_ms=one.at_ms) for one in found.events],
        readings=[
            ReadingLine(
                at_ms=one.at_ms, shown_milli=int(one.value), received_ms=one.received_ms, device_time=one.device_time,
                old=one.old, used=one.at_ms in found.used, corrected=one.at_ms in single,
                taken_milli=single.get(one.at_ms),
            )
            for one in _near(found, readings)
        ],
        between=len(inside),
        refused=sum(one.at_ms not in found.used for one in inside),
    )  # fmt: skip


def _near(found: Derived, readings: Sequence[Reading]) -> list[Reading]:
    """The readings next to both ends, and those on which the ends rest."""
    times = np.array([one.at_ms for one in readings], dtype=np.int64)
    rests = {mark.at_ms for end in (found.start, found.end) for mark in (end.before, end.after) if mark is not None}
    places: set[int] = set()
    for end in (found.start, found.end):
        low, high = int(np.searchsorted(times, end.at_ms, "left")), int(np.searchsorted(times, end.at_ms, "right"))
        places.update(range(max(low - AROUND, 0), min(high + AROUND, len(readings))))
    return [one for i, one in enumerate(readings) if i in places or one.at_ms in rests]


def _boundary(one: Boundary) -> BoundaryLine:
    return BoundaryLine(
        at_ms=one.at_ms, found=str(one.found), counted_mwh=one.counted, before=_mark(one.before), after=_mark(one.after)
    )


def _mark(one: Mark | None) -> MarkLine | None:
    return None if one is None else MarkLine(at_ms=one.at_ms, shown_milli=one.shown, counted_mwh=one.counted)
