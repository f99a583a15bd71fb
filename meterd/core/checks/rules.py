"""What a person should look at now: stale points, balances out of their band, what registers did. Pure; findings out."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from meterd.core.checks.register_vs_power import Disagreement, Kind
from meterd.core.checks.staleness import ArrivalMonitor, Stale, Staleness
from meterd.core.energy.aggregation import Contradiction
from meterd.core.forecast.outside import OLDEST_MS
from meterd.core.model.demand import DemandWarning
from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import remedy
from meterd.core.model.periods import text
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS, kind_of
from meterd.core.model.results import BalanceRow, Channel, points_of
from meterd.core.model.schedule import JobRecord, JobState
from meterd.core.model.snapshot import Now, Snapshot
from meterd.core.registers.tracker import Event

# words for what the tracker decides, with the figures before and after as shown
_EVENTS = {
    "reset": "the {register} register fell from {before} to {shown} {unit} and counts on from there",
    "level-change": "the {register} register went from {before} to {shown} {unit} with no possible power; the energy across is"
    " unknown",
    "ambiguous": "the {register} register went from {before} to {shown} {unit} after a gap in which it may have turned more"
    " than once",
    "frozen": "the {register} register stood at {before} and then caught up to {shown} {unit}; the shape in between is estimated",
    "exchange-unknown": "the instrument was exchanged without closing and opening reading; the energy across is unknown",
    "suspect": "the {register} register showed {shown} where {before} {unit} stood; that value is not used",
}
_SILENT_EVENTS = ("rollover", "hurried", "exchange")  # as they should be
FAULT, UNSTORED = "fault", "unkept"  # of this program: a step that went wrong; a reading that cannot be stored
DAMAGED = "store-damaged"
ZONE_RULES = "zone-rules"  # the rules of the time zone are not those of the last run
JOB_FAILED = "job-failed"
DELETED = "readings-deleted"  # old readings went by themselves, because the disk had no room
LONGEST_SAMPLE = 60  # characters of a refused payload in a finding: enough to recognise it
_TIME_REFUSED = "time refused: "  # what stands before a reason of a time; it says so itself where it begins with "time"
_REPORT = "this is a fault of the program, not of the site: report it with this text; nothing that was read is lost"


def event_finding(site: Site, channel: Channel, event: Event) -> Finding | None:
    """The finding of something a tracker decided, or None for what is as it should be."""
    if event.kind in _SILENT_EVENTS:
        return None
    message = _EVENTS[event.kind]
    point, register = channel
    shown, before = (f"{value / 1_000_000:.3f}" for value in (event.shown, event.before))
    sentence = message.format(
        register=REGISTERS[register].name, shown=shown, before=before, unit=_counted(site, channel)
    )
    return Finding(
        event.kind, point, event.at_ms, f"{point}: {sentence} (at {text(event.at_ms)})", remedy(event.kind), (point,)
    )


def _counted(site: Site, channel: Channel) -> str:
    """What a register counts as it is shown, a thousand at a time."""
    if any(row.unit == "imp" for row in site.inputs_of(channel[0]) if row.register == channel[1]):
        return "thousand pulses"
    return f"k{REGISTERS[channel[1]].unit}"


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
                remedy("silent"), tuple(late),
            )
        ]  # fmt: skip
    return [_stale(name, ages.get(name, 0), now_ms) for name in late]


def _stale(point: str, at_ms: int, now_ms: int) -> Finding:
    sentence = f"last value {text(at_ms)}, {(now_ms - at_ms) // 60_000} min ago" if at_ms else "no value yet"
    return Finding(
        "stale", point, at_ms or now_ms, f"{point}: {sentence}", remedy("stale"), (point,)
    )  # fmt: skip


def staleness_findings(results: Iterable[Staleness]) -> list[Finding]:
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
            causes[staleness.kind][0],
            staleness.point,
            staleness.since_ms,
            f"{staleness.point}: {staleness.words}",
            causes[staleness.kind][1],
            (staleness.point,),
        )
        for staleness in results
    ]


def stalled_register_hints(
    rows: Iterable[BalanceRow], arrival_monitor: ArrivalMonitor, findings: Sequence[Finding]
) -> list[Finding]:
    """The findings again; a residual outside its band has beside it which registers stood still meanwhile (no verdict)."""
    starts = {row.board: row.start_ms for row in rows if row.verdict == "outside"}
    titles = {board: arrival_monitor.stalled_points(board, start) for board, start in starts.items()}
    return [
        replace(f, evidence=(*f.evidence, f"registers that stood still meanwhile: {', '.join(titles[f.subject])}"))
        if f.cause == "outside-band" and titles.get(f.subject)
        else f
        for f in findings
    ]


def balance_findings(rows: Iterable[BalanceRow], begun_ms: int = 0) -> list[Finding]:
    """Findings of the last closed balances: outside the band, or not computable and why.

    An interval that had begun before the daemon listened lacks its first readings on a site that is sound: the next one tells.
    """
    heard = (row for row in rows if row.verdict == "outside" or row.start_ms >= begun_ms)
    return [finding for row in heard if (finding := _balance(row)) is not None]


def _balance(row: BalanceRow) -> Finding | None:
    if row.verdict == "outside":
        assert row.residual is not None, "a verdict needs a residual"
        assert row.band is not None, "a verdict needs a band"
        also = f"; not covered: {', '.join(row.uncovered)}" if row.uncovered else ""
        return Finding(
            "outside-band", row.board, row.start_ms,
            f"board {row.board}: feed side minus outgoing side is {row.residual / 1e6:+.3f} kWh from {text(row.start_ms)}"
            f" to {text(row.end_ms)}, the instruments explain {row.band / 1e6:.3f} kWh{also}",
            remedy("outside-band"),
        )  # fmt: skip
    if row.verdict == "not computable" and not row.estimated:  # the gap behind an estimate has a finding of its own
        return Finding(
            "not-computable", row.board, row.start_ms,
            f"board {row.board}: the balance from {text(row.start_ms)} is not computable, missing"
            f" {', '.join(row.missing) or 'a feed or feeder'}",
            remedy("not-computable"), points_of(row.missing),
        )  # fmt: skip
    return None


def contradiction_findings(contradiction: Contradiction | None, site: str) -> list[Finding]:
    """A consumption below zero in the last closed interval: meters that contradict each other."""
    if contradiction is None:
        return []
    return [
        Finding(
            "consumption-negative",
            site,
            contradiction.start_ms,
            f"{site}: the meters of connection and PV leave a consumption of"
            f" {contradiction.consumption / 1e6:+.3f} kWh from {text(contradiction.start_ms)} to {text(contradiction.end_ms)},"
            f" the instruments explain {contradiction.band / 1e6:.3f} kWh",
            remedy("consumption-negative"),
            contradiction.points,
        )
    ]


def refused_finding(point: str, register: str, count: int, *, reason: str, sample: str, now_ms: int) -> Finding:
    """Values of an input that are not believed."""
    return Finding(
        f"refused-{kind_of(register).name}", point, now_ms,
        f"{point}: {count} value{'' if count == 1 else 's'} of {kind_of(register).name} refused, {_last_refused(reason, sample)}",
        remedy("refused"), (point,),
    )  # fmt: skip


def _last_refused(reason: str, sample: str) -> str:
    """Why, and the beginning of what came: a whole payload in a sentence hides the reason.

    >>> _last_refused("time refused: time is 9 s ahead", '{"t":1}')
    'the last because time is 9 s ahead; it was: "{"t":1}"'
    """
    plain = reason.removeprefix(_TIME_REFUSED) if reason.startswith(f"{_TIME_REFUSED}time ") else reason
    shown = sample if len(sample) <= LONGEST_SAMPLE else f"{sample[:LONGEST_SAMPLE]}..."
    return f'the last because {plain}; it was: "{shown}"'


def outside_refused_finding(site: str, count: int, *, reason: str, sample: str, now_ms: int) -> Finding:
    """Messages with a forecast from outside that are not believed."""
    return Finding(
        "forecast-refused", site, now_ms,
        f"{site}: {count} forecast{'' if count == 1 else 's'} from outside refused, {_last_refused(reason, sample)}",
        remedy("forecast-refused"),
    )  # fmt: skip


def outside_silent_finding(site: Site, last_ms: int | None, *, now_ms: int, begun_ms: int) -> Finding | None:
    """A plan with a topic for a forecast from outside on which none has come for as long as one counts (`OLDEST_MS`).

    `last_ms`: when the last one came, in whatever run; None: never. After a start a retained one has time to come.
    """
    topic, waited_ms = site.forecast.topic, now_ms - begun_ms
    silent_ms = waited_ms if last_ms is None else now_ms - last_ms
    if not topic or silent_ms <= OLDEST_MS or waited_ms < site.limits.first_value_s * 1000:
        return None
    name, cause = site.name, "forecast-silent"
    if last_ms is None:
        never = f"{name}: no forecast from outside has come on {topic} yet"
        return Finding(cause, name, begun_ms, never, remedy(cause))
    silent = f"{name}: no forecast from outside has come on {topic} since {text(last_ms)}"
    return Finding(cause, name, last_ms, silent, remedy(cause))


def fault_finding(subject: str, message: str, now_ms: int) -> Finding:
    """A step of the program that went wrong; the others went on."""
    return Finding(FAULT, subject, now_ms, f"{subject}: a step went wrong and was left out: {message}", _REPORT)


def low_disk_finding(site: str, free_and_wanted: tuple[int, int], what: str, now_ms: int) -> Finding:
    """A disk with less room for the store than the plan wants, both in bytes; `what` is done about it."""
    left, wanted = (f"{size / 1e6:.0f} MB" for size in free_and_wanted)
    message = f"{site}: the store has room for {left} more, {wanted} are wanted; the log keeps to warnings; {what}"
    return Finding("disk-low", site, now_ms, message, remedy("disk-low"))


def deleted_finding(site: str, count: int, before_ms: int, now_ms: int) -> Finding:
    """Old readings that went by the rule of the plan."""
    message = f"{site}: {count} readings before {text(before_ms)} were verified and deleted to make room"
    to_do = (
        "figures, balances and the newest reading of every register stay; give the store more room if readings matter"
    )
    return Finding(DELETED, site, now_ms, message, to_do)


def job_failed_finding(site: str, job: str, record: JobRecord) -> Finding | None:
    """A job of the calendar that is not done; None for one that is, that runs for the first time, or was once interrupted."""
    tries = record.tries - (record.state is JobState.RUNNING)
    if tries < (1 if record.state in (JobState.FAILED, JobState.RUNNING) else 2):
        return None
    message = f"{site}: the job {job} for {record.slot} is not done, tries so far {tries}: {record.words}"
    return Finding(JOB_FAILED, job, record.ended_ms, message, remedy(JOB_FAILED))


def unstored_finding(point: str, count: int, message: str, now_ms: int) -> Finding:
    """Readings that the journal cannot hold, whatever is tried."""
    text = f"{point}: {count} readings cannot be kept, the last because {message}"
    return Finding(UNSTORED, point, now_ms, text, remedy(UNSTORED), (point,))


def set_aside_findings(failed: Mapping[Channel, str], now_ms: int) -> list[Finding]:
    """Registers that could not be followed and are left out until the next start."""
    return [
        Finding(
            f"not-followed-{REGISTERS[register].name}", point, now_ms,
            f"{point}: its {REGISTERS[register].name} register cannot be followed and is left out: {message}",
            f"its readings are kept; {_REPORT}", (point,),
        )
        for (point, register), message in failed.items()
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


def agreement_findings(disagreements: Mapping[str, Disagreement]) -> list[Finding]:
    """One finding for each point whose register and power disagree grossly and for long."""
    findings = []
    for point, disagreement in disagreements.items():
        message, to_do = _DISAGREE[disagreement.kind]
        sentence = message.format(
            register=disagreement.register_wh / 1000, power=disagreement.power_wh / 1000, factor=disagreement.factor
        )
        text_ = f"{point}: {sentence} (since {text(disagreement.since_ms)})"
        findings.append(Finding("power-disagrees", point, disagreement.since_ms, text_, to_do, (point,)))
    return findings


def demand_findings(snapshot: Snapshot) -> list[Finding]:
    """A running interval that is likely to pass the contracted power, or certain to."""
    contracted_w, site = snapshot.site.limits.contracted_w, snapshot.site.name
    expected, warning = snapshot.demand_outlook, snapshot.demand_warning
    if contracted_w is None or expected is None or warning not in (DemandWarning.LIKELY, DemandWarning.CERTAIN):
        return []
    start_ms = snapshot.now_ms - snapshot.now_ms % (snapshot.site.interval_s * 1000)
    allowed = snapshot.demand_allowed
    left = (
        ""
        if allowed is None or allowed.power_w is None
        else f"; the allowed average for the rest of the interval is {allowed.power_w / 1000:.1f} kW"
    )
    contract, mean, least = contracted_w / 1000, expected.middle_w / 1000, expected.low_w / 1000
    text_ = (
        f"{site}: the running interval is likely to pass the contract of {contract:.1f} kW: a mean of {mean:.1f} kW"
        f" (at least {least:.1f} kW) is expected{left}"
    )
    if warning is DemandWarning.CERTAIN:
        text_ = (
            f"{site}: the running interval passes the contract of {contract:.1f} kW unless load is taken off now: a mean of"
            f" {mean:.1f} kW (at least {least:.1f} kW) is expected{left}"
        )
    return [Finding("demand-limit", site, start_ms, text_, remedy("demand-limit"))]
