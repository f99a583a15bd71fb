"""One point in full: what the plan says of it, what it sends now, what its registers counted, what happened to it."""

from fractions import Fraction

from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.common import Values
from meterd.adapters.web.pages.findings import Entry, about, entry
from meterd.adapters.web.pages.point_energies import Chart, DayLine, Recent, chart, days, factor_of, recent
from meterd.adapters.web.request_context import RequestContext
from meterd.core.checks.plausibility import (
    LONGEST_GAP_MS,
    Comparison,
    ComparisonVerdict,
    Flow,
    PowerSum,
    accuracy_at,
    compare,
    has_source_below,
    imbalance,
    opposed,
    sign,
    summed_power,
)
from meterd.core.model.finding import FindingState
from meterd.core.model.plan import Instrument, Point, Role, Site
from meterd.core.model.reading import POWER, REGISTERS
from meterd.core.model.snapshot import Now, Snapshot
from meterd.core.registers.corrections import STRUCK, Correction
from meterd.core.registers.ct_factor import of_the_circuit

COMPARED = 8  # intervals: two hours of quarter hours show whether a difference lasts
MOST_PAST = 20  # closed findings; all of them are on the page of findings
_PHASES = {
    "voltage": ("32.7.0", "52.7.0", "72.7.0"),
    "current": ("31.7.0", "51.7.0", "71.7.0"),
    "power": ("36.7.0", "56.7.0", "76.7.0"),
}


class Shown(Values):
    """What a register showed when an instrument was fitted or taken out: thousandths of the unit on its face."""

    name: str
    milli: int


class InstrumentLine(Values):
    """A meter with its current transformers at this point; `until_ms` None = still there. Ratios and weights as text."""

    serial: str
    type: str
    from_ms: int
    until_ms: int | None
    meter_class: str | None
    ct_class: str | None
    ct_ratio: str | None
    ct_set: str | None
    pulse_wh: str | None
    opening: list[Shown]
    closing: list[Shown]
    note: str


class RegisterRow(Values):
    """The newest value of a register, in its base unit (a counter in Wh). `old`: retained by the broker from before the start."""

    obis: str
    name: str
    unit: str
    cumulative: bool
    value: float
    at_ms: int
    old: bool


class PhaseLine(Values):
    """One quantity of the three phases in its base unit; `imbalance` is the largest deviation from the mean, a ratio."""

    quantity: str
    unit: str
    values: list[float | None]
    imbalance: float | None
    at_ms: int | None


class CompareLine(Values):
    """Register against power summed over an interval, mWh. `word` is agrees, differs or unknown."""

    start_ms: int
    end_ms: int
    register_mwh: int | None
    power_mwh: int | None
    difference_mwh: int | None
    allowed_mwh: int | None
    covered: float
    word: str


class Event(Values):
    """Something people did here: an exchange, a new name, a correction."""

    kind: str
    at_ms: int
    person: str
    words: str


class Figures(Values):
    """What the point measures; left out (None in the detail) for who may not see figures of this room."""

    registers: list[RegisterRow]
    phases: list[PhaseLine]
    power_w: float | None
    power_at_ms: int | None
    compared: list[CompareLine]
    differs: bool
    sign: str
    along_mwh: int | None
    against_mwh: int | None
    whole: bool
    power_factor: float | None
    power_factor_by: str
    days: list[DayLine]
    chart: Chart | None


class PointDetail(Values):
    """The answer for one point."""

    point: str
    title: str
    aliases: list[str]
    board: str
    board_title: str
    role: str
    state: str
    place: str
    designation: str
    tenant: str
    rating_a: float | None
    below: str | None
    feeds: list[str]
    consumers: list[str]
    topics: list[str]
    instruments: list[InstrumentLine]
    figures: Figures | None
    findings: list[Entry]
    past: list[Entry]
    events: list[Event]


def detail(context: RequestContext, viewer: Viewer, snapshot: Snapshot, point: Point) -> PointDetail:
    """Everything about one point."""
    site = context.backend.site
    sees = viewer.sees(point.name, site)
    with context.backend.reader() as reads:
        figures = _figures(reads, site, snapshot, point) if sees else None
        rows = [row for row in reads.finding_tables.all() if about(row, point.name)] if sees else []
        events = _events(reads, point)
    findings = {finding.id: finding for finding in snapshot.findings}
    lines = [entry(row, findings) for row in rows]
    board = next((board for board in site.boards if board.name == point.board), None)
    return PointDetail(
        point=point.name,
        title=point.title,
        aliases=list(point.aliases),
        board=point.board,
        board_title="" if board is None else board.title,
        role=point.role,
        state=point.state,
        place=point.place,
        designation=point.designation,
        tenant=point.tenant,
        rating_a=point.rating_a,
        below=point.below,
        feeds=[board.name for board in site.boards if board.fed_by == point.name],
        consumers=[consumer.name for consumer in site.consumers if consumer.point == point.name],
        topics=list(dict.fromkeys(row.address for row in site.inputs_of(point.name))),
        instruments=[_instrument(instrument) for instrument in reversed(site.instruments_of(point.name))],
        figures=figures,
        findings=[item for item in lines if item.state != FindingState.CLOSED],
        past=[item for item in lines if item.state == FindingState.CLOSED][:MOST_PAST],
        events=events,
    )


# -- what the plan and the stored figures say --------------------------------------------------------------------------


def _instrument(instrument: Instrument) -> InstrumentLine:
    ratio = instrument.ct_primary_a is not None and instrument.ct_secondary_a is not None
    return InstrumentLine(
        serial=instrument.serial,
        type=instrument.type,
        from_ms=instrument.from_ms,
        until_ms=instrument.until_ms,
        meter_class=instrument.meter_class,
        ct_class=instrument.ct_class,
        ct_ratio=f"{instrument.ct_primary_a:g}/{instrument.ct_secondary_a:g}" if ratio else None,
        ct_set=instrument.ct_set,
        pulse_wh=None if instrument.pulse_wh is None else _decimal(instrument.pulse_wh),
        opening=[Shown(name=REGISTERS[obis].name, milli=milli) for obis, milli in instrument.opening],
        closing=[Shown(name=REGISTERS[obis].name, milli=milli) for obis, milli in instrument.closing],
        note=instrument.note,
    )


def _decimal(value: Fraction) -> str:
    return f"{float(value):g}"


def _events(reads: Reads, point: Point) -> list[Event]:
    """Newest first."""
    events = [
        Event(kind=record_row.kind, at_ms=record_row.at_ms, person=record_row.person, words=record_row.note)
        for record_row in reads.records.all(point.name)
    ]
    for correction in reads.corrections.all():
        if correction.point != point.name:
            continue
        change = f"{REGISTERS[correction.register].name} {_change(correction)}"
        text = f"{change}: {correction.reason}"
        events.append(Event(kind="correction", at_ms=correction.from_ms, person=correction.person, words=text))
        if correction.withdrawn_ms is not None:
            why = f"{change}: {correction.withdrawn_reason}"
            events.append(
                Event(kind="withdrawn", at_ms=correction.withdrawn_ms, person=correction.withdrawn_by, words=why)
            )
    return sorted(events, key=lambda event: -event.at_ms)


def _change(correction: Correction) -> str:
    """In signs: a factor, or what one reading is taken for (∅ = left out)."""
    if not correction.reads:
        return f"× {correction.factor}"
    return "= ∅" if correction.reads == STRUCK else f"= {correction.reads} {REGISTERS[correction.register].unit}"


# -- what it measures --------------------------------------------------------------------------------------------------


def _figures(reads: Reads, site: Site, snapshot: Snapshot, point: Point) -> Figures:
    now = recent(reads, site, point.name, snapshot.now_ms)
    compared = _compared(reads, site, point, now)
    power = snapshot.instant.get((point.name, POWER))
    fresh = power if power is not None and _fresh(power, snapshot) else None
    totals = now.totals
    flow = Flow(totals.along_mwh, totals.against_mwh, None if fresh is None else fresh.value, opposed(compared))
    has_pv = any(point.role is Role.PV for point in site.points)
    factor, by = factor_of(reads, now, point.name)
    return Figures(
        registers=_registers(snapshot, point.name),
        phases=_phases(snapshot, point.name),
        power_w=None if power is None else power.value,
        power_at_ms=None if power is None else power.at_ms,
        compared=[_compare_line(comparison) for comparison in compared],
        differs=any(comparison.word is ComparisonVerdict.DIFFERS for comparison in compared),
        sign=sign(point.role, flow, source_below=has_source_below(site, point), site_has_pv=has_pv),
        along_mwh=totals.along_mwh,
        against_mwh=totals.against_mwh,
        whole=totals.whole,
        power_factor=factor,
        power_factor_by=by,
        days=days(now),
        chart=chart(now),
    )


def _fresh(now: Now, snapshot: Snapshot) -> bool:
    return not now.old and snapshot.now_ms - now.at_ms <= snapshot.site.limits.power_max_age_s * 1000


def _registers(snapshot: Snapshot, point: str) -> list[RegisterRow]:
    register_rows = []
    for obis, kind in REGISTERS.items():
        now = (snapshot.counters if kind.cumulative else snapshot.instant).get((point, obis))
        if now is not None:
            register_rows.append(
                RegisterRow(
                    obis=obis,
                    name=kind.name,
                    unit=kind.unit,
                    cumulative=kind.cumulative,
                    value=now.value,
                    at_ms=now.at_ms,
                    old=now.old,
                )
            )
    return register_rows


def _phases(snapshot: Snapshot, point: str) -> list[PhaseLine]:
    phase_lines = []
    for quantity, codes in _PHASES.items():
        known = [snapshot.instant.get((point, code)) for code in codes]
        if all(latest is None for latest in known):
            continue
        values = [latest.value for latest in known if latest is not None]
        phase_lines.append(
            PhaseLine(
                quantity=quantity,
                unit=REGISTERS[codes[0]].unit,
                values=[None if latest is None else latest.value for latest in known],
                imbalance=imbalance([abs(value) for value in values]),
                at_ms=min(latest.at_ms for latest in known if latest is not None),
            )
        )
    return phase_lines


def _sums(reads: Reads, site: Site, point: str, *, starts: list[int], step: int) -> list[PowerSum | None]:
    """Power summed over each interval, from the samples that were stored; those just outside serve the ends."""
    low, high = starts[0] - LONGEST_GAP_MS, starts[-1] + step + LONGEST_GAP_MS
    times, shown = reads.samples((point, POWER), low, high)
    watts = of_the_circuit(site, (point, POWER), times, shown)
    return [summed_power(times, watts, start, start + step) for start in starts]


def _compared(reads: Reads, site: Site, point: Point, now: Recent) -> list[Comparison]:
    """The last closed intervals, oldest first; none where no power is read."""
    read = {row.register for row in site.inputs_of(point.name)}
    starts, step = now.last_intervals(COMPARED)
    if POWER not in read or not starts:
        return []
    sums = _sums(reads, site, point.name, starts=starts, step=step)
    energies = now.interval_energies(reads, starts)
    return [
        compare(energy, power, (start, start + step), accuracy_at(site, point, start))
        for start, energy, power in zip(starts, energies, sums, strict=True)
    ]


def _compare_line(comparison: Comparison) -> CompareLine:
    return CompareLine(
        start_ms=comparison.start_ms,
        end_ms=comparison.end_ms,
        register_mwh=comparison.register_mwh,
        power_mwh=comparison.power_mwh,
        difference_mwh=comparison.difference_mwh,
        allowed_mwh=comparison.allowed_mwh,
        covered=comparison.covered,
        word=comparison.word,
    )
