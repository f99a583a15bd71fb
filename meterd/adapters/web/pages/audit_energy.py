"""Why one energy of a register is what it is: its readings or its parts, recalculated and compared with the store."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.web.backend import Reads
from meterd.adapters.web.common import Values, former
from meterd.core.energy.audit import (
    Boundary,
    ReadingSequence,
    RecomputedInterval,
    StoredFigure,
    SupportingReading,
    ValueOrigin,
    input_of,
    recompute_interval,
    summed,
)
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import DAY_MS, HOUR_MS, MADE_OF, Period
from meterd.core.model.periods import starts as starts_of
from meterd.core.model.plan import Instrument, Site
from meterd.core.model.reading import REGISTERS, Reading
from meterd.core.model.results import Anchor, Channel
from meterd.core.registers.corrections import FIGURES_FROM, Correction, Edits, correction_segments, edited, edits
from meterd.core.registers.register_line import Flag

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
    """The value of the register at one end of the interval, and how it was found (`explain.ValueOrigin`)."""

    at_ms: int
    origin: str
    found = former("origin", str)
    counted_mwh: int | None
    before: MarkLine | None
    after: MarkLine | None


class ReadingLine(Values):
    """A stored reading: value as shown in milli-units, when it was true, when it came; `used` if it was believed.

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
    """Where the register is read and what is done with the value before it is stored."""

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

    `word` compares the stored figures with what is recalculated: "agrees", "differs", or "unknown" where it cannot be
    recalculated: `reason` is then "open" (nothing stored yet), "final" (readings deleted) or "silent" (no reading at
    all).
    """

    point: str
    title: str
    register_code: str
    register_name: str
    unit: str
    period: str
    start_ms: int
    end_ms: int
    stored: bool
    kept = former("stored", bool)
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
class _Recomputed:
    """What was recalculated: None with a reason where it could not be."""

    result: StoredFigure | None
    reason: str = ""
    interval: IntervalWhy | None = None
    parts: tuple[PartLine, ...] = ()


def why_figure(reads: Reads, site: Site, channel: Channel, *, kind: Period, span: tuple[int, int]) -> FigureWhy:
    """One figure of a register that the plan reads; `span` is the whole period."""
    versions = reads.versions(channel, kind, span[0])
    stored_figure = StoredFigure(versions[-1].energy, versions[-1].flags) if versions else None
    corrections = [
        correction for correction in reads.corrections.all() if (correction.point, correction.register) == channel
    ]
    again = (
        _interval(reads, site, channel, span=span, known=(stored_figure, corrections))
        if kind is Period.INTERVAL
        else None
    )
    if again is None:
        again = _longer(reads, site, channel, kind=kind, span=span)
    known = stored_figure is not None and again.result is not None
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
        stored=stored_figure is not None,
        energy_mwh=None if stored_figure is None else stored_figure.energy,
        flags=[] if stored_figure is None else flag_words(stored_figure.flags),
        word="unknown" if not known else "agrees" if stored_figure == again.result else "differs",
        reason="open" if stored_figure is None else again.reason,
        again_mwh=None if again.result is None else again.result.energy,
        again_flags=[] if again.result is None else flag_words(again.result.flags),
        gap_exact_s=site.limits.gap_exact_s,
        interval=again.interval,
        part_period="" if kind is Period.INTERVAL else str(MADE_OF[kind]),
        parts=list(again.parts),
        instruments=[
            _instrument(instrument)
            for instrument in site.instruments_of(channel[0])
            if _meets(instrument.from_ms, instrument.until_ms, span)
        ],
        source=SourceLine(
            source=row.source, address=row.address, field=row.field, unit=row.unit, scale=row.scale, per_ct=row.per_ct
        ),
        corrections=[_correction(correction) for correction in corrections if _touches(correction, again, span)],
        versions=[
            VersionLine(
                version=version.version,
                energy_mwh=version.energy,
                flags=flag_words(version.flags),
                written_ms=version.written_ms,
                reason=version.reason,
            )
            for version in versions
        ],
    )


def flag_words(flags: int) -> list[str]:
    """The names of the flags that are set."""
    return [str(flag.name).lower() for flag in (Flag.START, Flag.END, Flag.BOUND) if flags & flag]


def _meets(from_ms: int, until_ms: int | None, span: tuple[int, int]) -> bool:
    return from_ms < span[1] and (until_ms is None or until_ms > span[0])


def _touches(correction: Correction, again: "_Recomputed", span: tuple[int, int]) -> bool:
    """Whether a correction is inside the period, or of a reading next to it on which the period rests."""
    near = {line.at_ms for line in again.interval.readings} if again.interval is not None else set()
    return _meets(correction.from_ms, correction.until_ms, span) or (
        bool(correction.reads) and correction.from_ms in near
    )


def _instrument(instrument: Instrument) -> InstrumentLine:
    ratio = instrument.ct_primary_a is not None and instrument.ct_secondary_a is not None
    return InstrumentLine(
        serial=instrument.serial,
        from_ms=instrument.from_ms,
        until_ms=instrument.until_ms,
        meter_class=instrument.meter_class,
        ct_class=instrument.ct_class,
        ct_ratio=f"{instrument.ct_primary_a:g}/{instrument.ct_secondary_a:g}" if ratio else None,
        pulse_wh=None if instrument.pulse_wh is None else float(instrument.pulse_wh),
    )


def _correction(correction: Correction) -> CorrectionLine:
    return CorrectionLine(
        number=correction.id,
        from_ms=correction.from_ms,
        until_ms=correction.until_ms,
        factor=correction.factor,
        reads=correction.reads,
        reason=correction.reason,
        person=correction.person,
        withdrawn_ms=correction.withdrawn_ms,
    )


# -- a longer period ---------------------------------------------------------------------------------------------------


def _longer(reads: Reads, site: Site, channel: Channel, *, kind: Period, span: tuple[int, int]) -> _Recomputed:
    part = MADE_OF[kind]
    begins = np.array(starts_of(part, *span, ZoneInfo(site.zone), site.interval_s * 1000), dtype=np.int64)
    columns = reads.columns([channel], part, begins)
    return _Recomputed(summed(columns), parts=tuple(_part(columns, begins.tolist(), i) for i in range(len(begins))))


def _part(columns: Columns, begins: Sequence[int], i: int) -> PartLine:
    energy = int(columns.energy[i, 0]) if columns.present[i, 0] else None
    return PartLine(start_ms=begins[i], energy_mwh=energy, flags=flag_words(int(columns.flags[i, 0])))


# -- an interval -------------------------------------------------------------------------------------------------------


def _interval(
    reads: Reads,
    site: Site,
    channel: Channel,
    *,
    span: tuple[int, int],
    known: tuple[StoredFigure | None, Sequence[Correction]],
) -> _Recomputed:
    """The interval recalculated from as few readings as it takes: more are read only while they could still change it."""
    if span[0] < int(reads.fact(FIGURES_FROM) or -(2**62)):
        return _Recomputed(None, "final")
    stored_figure, corrections = known
    factors, single = correction_segments(corrections), edits(corrections)
    anchor = _anchor(reads, channel, span)
    for behind in BEHIND:
        readings, ended = _readings(reads, channel, span, anchor=anchor, behind=behind)
        recomputed_interval = recompute_interval(
            site, channel, span, sequence=_reading_sequence(anchor, readings, single), segments=factors
        )
        if recomputed_interval.earlier is not None:
            anchor = _anchor(reads, channel, (recomputed_interval.earlier - 1, span[1]))
            readings, ended = _readings(reads, channel, span, anchor=anchor, behind=behind)
            recomputed_interval = recompute_interval(
                site, channel, span, sequence=_reading_sequence(anchor, readings, single), segments=factors
            )
        if ended or recomputed_interval.sure or recomputed_interval.result == stored_figure:
            break
    if not readings:
        return _Recomputed(None, "silent")
    return _Recomputed(
        recomputed_interval.result, interval=_interval_lines(recomputed_interval, readings, span, single)
    )


def _anchor(reads: Reads, channel: Channel, span: tuple[int, int]) -> Anchor | None:
    """The newest anchor before an interval, unless so many readings follow it that another beginning is nearer."""
    results = reads.anchor(channel, span[0])
    while results is not None and results[1].at_ms > span[0]:
        results = reads.anchor(channel, results[0] - 1)
    if results is None or len(reads.readings_between(channel, results[1].at_ms, span[1], most=MOST)) == MOST:
        return None
    return results[1]


def _readings(
    reads: Reads, channel: Channel, span: tuple[int, int], *, anchor: Anchor | None, behind: int
) -> tuple[list[Reading], bool]:
    """Readings from the anchor (else from shortly before the interval) to `behind` after it; whether there are no more."""
    since = -(2**62) if anchor is None else anchor.at_ms
    if anchor is None:
        ways = (span[0] - back for back in WINDOWS)
        since = next((low for low in ways if reads.readings_between(channel, low, span[0] + 1, most=1)), since)
    after = reads.readings_between(channel, span[1] + 1, 2**62, most=behind)
    return [*reads.readings_between(channel, since, span[1] + 1, most=MOST), *after], len(after) < behind


def _reading_sequence(anchor: Anchor | None, readings: Sequence[Reading], single: Edits) -> ReadingSequence:
    table = np.array([(reading.at_ms, int(reading.value)) for reading in readings], dtype=np.int64).reshape(-1, 2)
    return ReadingSequence(anchor, *edited(table[:, 0].copy(), table[:, 1].copy(), single))


def _interval_lines(
    recomputed_interval: RecomputedInterval, readings: Sequence[Reading], span: tuple[int, int], single: Edits
) -> IntervalWhy:
    inside = [reading for reading in readings if span[0] <= reading.at_ms <= span[1]]
    return IntervalWhy(
        start=_boundary(recomputed_interval.start),
        end=_boundary(recomputed_interval.end),
        gain_mwh=recomputed_interval.gain,
        broken=recomputed_interval.broken
        and ValueOrigin.BREAK not in (recomputed_interval.start.origin, recomputed_interval.end.origin),
        events=[EventLine(kind=event.kind, at_ms=event.at_ms) for event in recomputed_interval.events],
        readings=[
            ReadingLine(
                at_ms=reading.at_ms,
                shown_milli=int(reading.value),
                received_ms=reading.received_ms,
                device_time=reading.device_time,
                old=reading.old,
                used=reading.at_ms in recomputed_interval.used,
                corrected=reading.at_ms in single,
                taken_milli=single.get(reading.at_ms),
            )
            for reading in _near(recomputed_interval, readings)
        ],
        between=len(inside),
        refused=sum(reading.at_ms not in recomputed_interval.used for reading in inside),
    )


def _near(recomputed_interval: RecomputedInterval, readings: Sequence[Reading]) -> list[Reading]:
    """The readings next to both ends, and those on which the ends rest."""
    times = np.array([reading.at_ms for reading in readings], dtype=np.int64)
    rests = {
        mark.at_ms
        for end in (recomputed_interval.start, recomputed_interval.end)
        for mark in (end.before, end.after)
        if mark is not None
    }
    places: set[int] = set()
    for end in (recomputed_interval.start, recomputed_interval.end):
        low, high = int(np.searchsorted(times, end.at_ms, "left")), int(np.searchsorted(times, end.at_ms, "right"))
        places.update(range(max(low - AROUND, 0), min(high + AROUND, len(readings))))
    return [reading for i, reading in enumerate(readings) if i in places or reading.at_ms in rests]


def _boundary(boundary: Boundary) -> BoundaryLine:
    return BoundaryLine(
        at_ms=boundary.at_ms,
        origin=str(boundary.origin),
        counted_mwh=boundary.counted,
        before=_mark_line(boundary.before),
        after=_mark_line(boundary.after),
    )


def _mark_line(supporting_reading: SupportingReading | None) -> MarkLine | None:
    return (
        None
        if supporting_reading is None
        else MarkLine(
            at_ms=supporting_reading.at_ms, shown_milli=supporting_reading.shown, counted_mwh=supporting_reading.counted
        )
    )
