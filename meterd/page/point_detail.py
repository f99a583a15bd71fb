"""One point in full: what the plan says of it, what it sends now, what its registers counted, what happened to it."""

from fractions import Fraction

from meterd.correction import STRUCK, Correction
from meterd.finding import FindingState
from meterd.page import Reads, Viewer
from meterd.page.asking import Office
from meterd.page.findings import Entry, about, entry
from meterd.page.point_energies import Chart, DayLine, Recent, chart, days, factor_of, recent
from meterd.page.view import Values
from meterd.point_check import (
    LONGEST_GAP_MS,
    Comparison,
    Flow,
    Summed,
    Word,
    accuracy_at,
    compare,
    has_source_below,
    imbalance,
    opposed,
    sign,
    summed_power,
)
from meterd.reading import POWER, REGISTERS
from meterd.site import Instrument, Point, Role, Site
from meterd.snapshot import Now, Snapshot

COMPARED = 8  # intervals: two hours of quarter hours show whether a difference lasts
MOST_PAST = 20  # closed findings; all of them are on the sheet of findings
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


class RegisterLine(Values):
    """The newest value of a register, in its base unit (a counter in Wh). `old`: kept by the broker from before the start."""

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

    registers: list[RegisterLine]
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


def detail(office: Office, viewer: Viewer, snapshot: Snapshot, point: Point) -> PointDetail:
    """Everything about one point."""
    site = office.desk.site
    sees = viewer.sees(point.name, site)
    with office.desk.reader() as reads:
        figures = _figures(reads, site, snapshot, point) if sees else None
        rows = [row for row in reads.finding_tables.all() if about(row, point.name)] if sees else []
        events = _events(reads, point)
    told = {one.id: one for one in snapshot.findings}
    lines = [entry(row, told) for row in rows]
    board = next((one for one in site.boards if one.name == point.board), None)
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
        feeds=[one.name for one in site.boards if one.fed_by == point.name],
        consumers=[one.name for one in site.consumers if one.point == point.name],
        topics=list(dict.fromkeys(row.address for row in site.inputs if row.point == point.name)),
        instruments=[_instrument(one) for one in reversed(site.instruments_of(point.name))],
        figures=figures,
        findings=[one for one in lines if one.state != FindingState.CLOSED],
        past=[one for one in lines if one.state == FindingState.CLOSED][:MOST_PAST],
        events=events,
    )


# -- what the plan and the books say -----------------------------------------------------------------------------------


def _instrument(one: Instrument) -> InstrumentLine:
    ratio = one.ct_primary_a is not None and one.ct_secondary_a is not None
    return InstrumentLine(
        serial=one.serial,
        from_ms=one.from_ms,
        until_ms=one.until_ms,
        meter_class=one.meter_class,
        ct_class=one.ct_class,
        ct_ratio=f"{one.ct_primary_a:g}/{one.ct_secondary_a:g}" if ratio else None,
        ct_set=one.ct_set,
        pulse_wh=None if one.pulse_wh is None else _decimal(one.pulse_wh),
        opening=[Shown(name=REGISTERS[obis].name, milli=milli) for obis, milli in one.opening],
        closing=[Shown(name=REGISTERS[obis].name, milli=milli) for obis, milli in one.closing],
        note=one.note,
    )


def _decimal(value: Fraction) -> str:
    return f"{float(value):g}"


def _events(reads: Reads, point: Point) -> list[Event]:
    """Newest first."""
    found = [
        Event(kind=one.kind, at_ms=one.at_ms, person=one.person, words=one.note)
        for one in reads.records.all(point.name)
    ]
    for one in reads.corrections.all():
        if one.point != point.name:
            continue
        change = f"{REGISTERS[one.register].name} {_change(one)}"
        words = f"{change}: {one.reason}"
        found.append(Event(kind="correction", at_ms=one.from_ms, person=one.person, words=words))
        if one.withdrawn_ms is not None:
            why = f"{change}: {one.withdrawn_reason}"
            found.append(Event(kind="withdrawn", at_ms=one.withdrawn_ms, person=one.withdrawn_by, words=why))
    return sorted(found, key=lambda event: -event.at_ms)


def _change(one: Correction) -> str:
    """In signs: a factor, or what one reading is taken for (∅ = left out)."""
    if not one.reads:
        return f"× {one.factor}"
    return "= ∅" if one.reads == STRUCK else f"= {one.reads} {REGISTERS[one.register].unit}"


# -- what it measures --------------------------------------------------------------------------------------------------


def _figures(reads: Reads, site: Site, snapshot: Snapshot, point: Point) -> Figures:
    now = recent(reads, site, point.name, snapshot.now_ms)
    compared = _compared(reads, site, point, now)
    power = snapshot.instant.get((point.name, POWER))
    fresh = power if power is not None and _fresh(power, snapshot) else None
    totals = now.totals
    flow = Flow(totals.along_mwh, totals.against_mwh, None if fresh is None else fresh.value, opposed(compared))
    has_pv = any(one.role is Role.PV for one in site.points)
    factor, by = factor_of(reads, now, point.name)
    return Figures(
        registers=_registers(snapshot, point.name),
        phases=_phases(snapshot, point.name),
        power_w=None if power is None else power.value,
        power_at_ms=None if power is None else power.at_ms,
        compared=[_compare_line(one) for one in compared],
        differs=any(one.word is Word.DIFFERS for one in compared),
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


def _registers(snapshot: Snapshot, point: str) -> list[RegisterLine]:
    found = []
    for obis, kind in REGISTERS.items():
        now = (snapshot.counters if kind.cumulative else snapshot.instant).get((point, obis))
        if now is not None:
            found.append(
                RegisterLine(
                    obis=obis,
                    name=kind.name,
                    unit=kind.unit,
                    cumulative=kind.cumulative,
                    value=now.value,
                    at_ms=now.at_ms,
                    old=now.old,
                )
            )
    return found


def _phases(snapshot: Snapshot, point: str) -> list[PhaseLine]:
    found = []
    for quantity, codes in _PHASES.items():
        known = [snapshot.instant.get((point, code)) for code in codes]
        if all(one is None for one in known):
            continue
        values = [one.value for one in known if one is not None]
        found.append(
            PhaseLine(
                quantity=quantity,
                unit=REGISTERS[codes[0]].unit,
                values=[None if one is None else one.value for one in known],
                imbalance=imbalance([abs(value) for value in values]),
                at_ms=min(one.at_ms for one in known if one is not None),
            )
        )
    return found


def _sums(reads: Reads, point: str, starts: list[int], step: int) -> list[Summed | None]:
    """Power summed over each interval, from the samples that were kept; those just outside serve the ends."""
    low, high = starts[0] - LONGEST_GAP_MS, starts[-1] + step + LONGEST_GAP_MS
    times, watts = reads.samples((point, POWER), low, high)
    return [summed_power(times, watts, start, start + step) for start in starts]


def _compared(reads: Reads, site: Site, point: Point, now: Recent) -> list[Comparison]:
    """The last closed intervals, oldest first; none where no power is read."""
    read = {row.register for row in site.inputs if row.point == point.name}
    starts, step = now.last_intervals(COMPARED)
    if POWER not in read or not starts:
        return []
    sums = _sums(reads, point.name, starts, step)
    energies = now.interval_energies(reads, starts)
    return [
        compare(energy, power, (start, start + step), accuracy_at(site, point, start))
        for start, energy, power in zip(starts, energies, sums, strict=True)
    ]


def _compare_line(one: Comparison) -> CompareLine:
    return CompareLine(
        start_ms=one.start_ms,
        end_ms=one.end_ms,
        register_mwh=one.register_mwh,
        power_mwh=one.power_mwh,
        difference_mwh=one.difference_mwh,
        allowed_mwh=one.allowed_mwh,
        covered=one.covered,
        word=one.word,
    )
