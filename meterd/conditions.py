"""What a person should look at now: stale points, balances out of their band, what registers did. Pure; findings out."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from meterd.agreement import Disagreement, Kind
from meterd.figure import BalanceRow, Channel
from meterd.finding import Finding
from meterd.interval import text
from meterd.reading import REGISTERS
from meterd.register import Event
from meterd.site import Site
from meterd.snapshot import Now, Snapshot
from meterd.staleness import Hearing, Stale, Staleness

# words for what the tracker decides: sentence with the figures before and after in kWh as shown, and what to do
_EVENTS = {
    "reset": (
        "the {register} register fell from {before} to {shown} and counts on from there",
        "see whether the meter was reset or exchanged; enter an exchange in instruments.csv with closing and opening reading",
    ),
    "level-change": (
        "the {register} register went from {before} to {shown} with no possible power; the energy across is unknown",
        "was the meter exchanged? enter it in instruments.csv with closing and opening reading",
    ),
    "ambiguous": (
        "the {register} register went from {before} to {shown} after a gap in which it may have turned more than once",
        "compare with the reading on the meter; the energy booked is the least possible",
    ),
    "frozen": (
        "the {register} register stood at {before} and then caught up to {shown}; the shape in between is estimated",
        "if it happens again look at the meter's data connection",
    ),
    "exchange-unknown": (
        "the instrument was exchanged without closing and opening reading; the energy across is unknown",
        "enter closing_wh and opening_wh in instruments.csv",
    ),
    "suspect": (
        "the {register} register showed {shown} where {before} stood; that value is not used",
        "a single one is noise of the data connection; many point to a wrong word order, scale or wiring",
    ),
}
_SILENT_EVENTS = ("rollover", "hurried", "exchange")  # as they should be
FAULT, UNKEPT = "fault", "unkept"  # of this program: a step that went wrong; a reading that cannot be kept
DAMAGED = "store-damaged"
ZONE_RULES = "zone-rules"  # the rules of the time zone are not those of the last run
DELETED = "readings-deleted"  # old readings went by themselves, because the disk had no room
EVENT_CAUSES = frozenset(
    {*_EVENTS, FAULT, UNKEPT, DAMAGED, ZONE_RULES, DELETED}
)  # these happened; every other finding lasts as long as its condition
_REPORT = "this is a fault of the program, not of the site: report it with this text; nothing that was read is lost"


def event_finding(channel: Channel, event: Event) -> Finding | None:
    """The finding of something a tracker decided, or None for what is as it should be."""
    if event.kind in _SILENT_EVENTS:
        return None
    words, remedy = _EVENTS[event.kind]
    point, register = channel
    shown, before = (f"{value / 1_000_000:.3f} k" for value in (event.shown, event.before))
    said = words.format(register=REGISTERS[register].name, shown=shown, before=before)
    return Finding(event.kind, point, event.at_ms, f"{point}: {said} (at {text(event.at_ms)})", remedy, (point,))


def stale_points(
    site: Site, newest: Mapping[Channel, Now], now_ms: int, begun_ms: int = 0, *, heard: Mapping[str, int] | None = None
) -> list[Finding]:
    """One finding for each live point of which nothing has come for `stale_after_s`: stale by arrival.

    `heard` is when something came last; a point that is not in it counts from its newest value, one without any value from
    when the daemon began to listen. When everything is silent there is one cause, not one per point.
    """
    ages: dict[str, int] = {}
    read = {row.point for row in site.inputs}
    for (point, _), now in newest.items():
        ages[point] = max(ages.get(point, 0), 0 if now.old else now.at_ms)
    ages |= heard or {}
    live = [p.name for p in site.points if p.counts and p.name in read]
    limit = site.limits.stale_after_s * 1000
    late = [name for name in live if now_ms - (ages.get(name, 0) or begun_ms) > limit]
    if len(late) == len(live) > 1:
        since = max(ages.values(), default=0)
        last = f"the last value is of {text(since)}" if since else "none has been read yet"
        return [
            Finding(
                "silent", site.name, since or now_ms, f"no point of the site delivers values; {last}",
                "look at the broker and the network before the meters", tuple(late),
            )
        ]  # fmt: skip
    return [_stale(name, ages.get(name, 0), now_ms) for name in late]


def _stale(point: str, at_ms: int, now_ms: int) -> Finding:
    said = f"last value {text(at_ms)}, {(now_ms - at_ms) // 60_000} min ago" if at_ms else "no value yet"
    return Finding(
        "stale", point, at_ms or now_ms, f"{point}: {said}", "look at the meter and its data connection", (point,)
    )  # fmt: skip


def staleness_findings(found: Iterable[Staleness]) -> list[Finding]:
    """Points that deliver, but not the present: by meter time (`meter-clock`) or by a value that never changes."""
    causes = {
        Stale.METER_TIME: (
            "meter-clock",
            "set the clock of the meter or of its gateway; its energies are booked by that clock: until it is set, meter_clock_s"
            " or clock_band_s of the limits widens the band",
        ),
        Stale.VALUE: ("frozen-value", "compare with the display of the meter; restart what reads it"),
    }
    return [
        Finding(
            causes[one.kind][0], one.point, one.since_ms, f"{one.point}: {one.words}", causes[one.kind][1], (one.point,)
        )
        for one in found
    ]


def standing_hints(rows: Iterable[BalanceRow], hearing: Hearing, findings: Sequence[Finding]) -> list[Finding]:
    """The findings again; a residual outside its band has beside it which registers stood still meanwhile (no verdict)."""
    starts = {row.board: row.start_ms for row in rows if row.verdict == "outside"}
    titles = {board: hearing.standing(board, start) for board, start in starts.items()}
    return [
        replace(f, evidence=(*f.evidence, f"registers that stood still meanwhile: {', '.join(titles[f.subject])}"))
        if f.cause == "outside-band" and titles.get(f.subject)
        else f
        for f in findings
    ]


def balance_findings(rows: Iterable[BalanceRow]) -> list[Finding]:
    """Findings of the last closed balances: outside the band, or not computable and why."""
    return [found for row in rows if (found := _balance(row)) is not None]


def _balance(row: BalanceRow) -> Finding | None:
    if row.verdict == "outside":
        assert row.residual is not None, "a verdict needs a residual"
        assert row.band is not None, "a verdict needs a band"
        also = f"; not covered: {', '.join(row.uncovered)}" if row.uncovered else ""
        return Finding(
            "outside-band", row.board, row.start_ms,
            f"board {row.board}: feed side minus outgoing side is {row.residual / 1e6:+.3f} kWh from {text(row.start_ms)}"
            f" to {text(row.end_ms)}, the instruments explain {row.band / 1e6:.3f} kWh{also}",
            "one balance detects and never names: compare the points of the board with their usual shape",
        )  # fmt: skip
    if row.verdict == "not computable":
        return Finding(
            "not-computable", row.board, row.start_ms,
            f"board {row.board}: the balance from {text(row.start_ms)} is not computable, missing"
            f" {', '.join(row.missing) or 'a feed or feeder'}",
            "see the findings of the missing points", row.missing,
        )  # fmt: skip
    return None


def refused_finding(point: str, register: str, count: int, reason: str, sample: str, now_ms: int) -> Finding:
    """Values of an input that are not believed."""
    return Finding(
        f"refused-{REGISTERS[register].name}", point, now_ms,
        f"{point}: {count} values of {REGISTERS[register].name} refused, the last because {reason}; it was: {sample}",
        "correct the field, unit or scale in inputs.csv, or the device", (point,),
    )  # fmt: skip


def fault_finding(subject: str, words: str, now_ms: int) -> Finding:
    """A step of the program that went wrong; the others went on."""
    return Finding(FAULT, subject, now_ms, f"{subject}: a step went wrong and was left out: {words}", _REPORT)


def low_disk_finding(site: str, room: tuple[int, int], what: str, now_ms: int) -> Finding:
    """A disk with less room for the store than the plan wants, both in bytes; `what` is done about it."""
    left, wanted = (f"{size / 1e6:.0f} MB" for size in room)
    words = f"{site}: the store has room for {left} more, {wanted} are wanted; the log keeps to warnings; {what}"
    remedy = "make room on the disk, or archive old readings with meterd retain"
    return Finding("disk-low", site, now_ms, words, remedy)


def deleted_finding(site: str, count: int, before_ms: int, now_ms: int) -> Finding:
    """Old readings that went by the rule of the plan."""
    words = f"{site}: {count} readings before {text(before_ms)} were verified and deleted to make room"
    remedy = (
        "figures, balances and the newest reading of every register stay; give the store more room if readings matter"
    )
    return Finding(DELETED, site, now_ms, words, remedy)


def unkept_finding(point: str, count: int, words: str, now_ms: int) -> Finding:
    """Readings that the journal cannot hold, whatever is tried."""
    text = f"{point}: {count} readings cannot be kept, the last because {words}"
    return Finding(UNKEPT, point, now_ms, text, "look at what the meter sends", (point,))


def set_aside_findings(failed: Mapping[Channel, str], now_ms: int) -> list[Finding]:
    """Registers that could not be followed and are left out until the next start."""
    return [
        Finding(
            f"not-followed-{REGISTERS[register].name}", point, now_ms,
            f"{point}: its {REGISTERS[register].name} register cannot be followed and is left out: {words}",
            f"its readings are kept; {_REPORT}", (point,),
        )
        for (point, register), words in failed.items()
    ]  # fmt: skip


_DISAGREE = {
    Kind.STANDS: (
        "the register stands still while the power says {power:.1f} kWh: its resolution is lost, or it is frozen",
        "read the register on the meter itself; the power alone is no energy",
    ),
    Kind.SIGN: (
        "the register rose by {register:.1f} kWh while the power says {power:.1f} kWh: one of them has the wrong sign",
        "see whether import and export are exchanged in inputs.csv, or current transformers reversed",
    ),
    Kind.FACTOR: (
        "the register rose by {register:.3f} kWh while the power says {power:.3f} kWh, factor {factor:.4g}",
        "a factor of 10, 100 or 1000 is a wrong unit or scale, of 2 a pulse counted twice; compare with the meter's display",
    ),
}


def agreement_findings(found: Mapping[str, Disagreement]) -> list[Finding]:
    """One finding for each point whose register and power disagree grossly and for long."""
    findings = []
    for point, one in found.items():
        words, remedy = _DISAGREE[one.kind]
        said = words.format(register=one.register_wh / 1000, power=one.power_wh / 1000, factor=one.factor)
        text_ = f"{point}: {said} (since {text(one.since_ms)})"
        findings.append(Finding("power-disagrees", point, one.since_ms, text_, remedy, (point,)))
    return findings


def demand_findings(snapshot: Snapshot) -> list[Finding]:
    """A running interval that will pass the contracted power if the present draw goes on."""
    contracted_w, site = snapshot.site.limits.contracted_w, snapshot.site.name
    expected, allowed = snapshot.demand_projection, snapshot.demand_allowed
    if contracted_w is None or expected.power_w is None or expected.power_w <= contracted_w:
        return []
    left = "" if allowed is None or allowed.power_w is None else f"; the rest may have {allowed.power_w / 1000:.1f} kW"
    return [
        Finding(
            "demand-limit", site, snapshot.now_ms - snapshot.now_ms % (snapshot.site.interval_s * 1000),
            f"{site}: the running interval comes to a mean of {expected.power_w / 1000:.1f} kW if the draw stays, the"
            f" contract has {contracted_w / 1000:.1f} kW{left}",
            "take load off until the interval is over; flexible loads with a share are turned down by themselves",
        )
    ]  # fmt: skip
