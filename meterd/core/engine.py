"""The only file that knows the order: readings -> registers -> interval energies -> stored figures, and the snapshot.

The shell owns one `State`. It commits readings to the journal first, then calls `take`; for each request that comes back it
fetches history and calls `rerun`; `close` yields the figures of intervals that are over. No clock, no file: the moment is
an argument.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.aggregation import BoardAggregation, board_aggregations
from meterd.core.errors import described
from meterd.core.model.periods import floor
from meterd.core.model.plan import Site
from meterd.core.model.reading import CAN_TAKE, REGISTERS, Reading, kind_of
from meterd.core.model.results import Anchor, Channel, FigureRow
from meterd.core.model.rounds import Trace, follow, period_ms, reach_ms
from meterd.core.model.snapshot import Now
from meterd.core.registers.clock_offsets import Clocks
from meterd.core.registers.corrections import (
    Correction,
    CorrectionSegment,
    Edits,
    corrected,
    correction_segments,
    edited,
    edited_pairs,
    edits,
)
from meterd.core.registers.ct_factor import Ratios, present_ratios, ratio_at
from meterd.core.registers.figure_columns import FigureColumns, interval_columns
from meterd.core.registers.register_line import Ints, figures
from meterd.core.registers.tracker import Event, Rule, Tracker, rules_of

_IN_ROUNDS = frozenset({"16.7.0", "131.7.0", "31.7.0", "51.7.0", "71.7.0"})  # what is added up over meters
_AT_ONCE = 50  # from this many readings of one register the column path is faster than single steps


@dataclass(frozen=True, slots=True)
class Request:
    """A register that must be followed again from before a moment (None = from its newest anchor)."""

    channel: Channel
    from_ms: int | None


@dataclass(slots=True)
class State:
    """What the loop knows between two ticks. Owned by one thread; nothing in it is needed to survive a restart."""

    site: Site
    zone: ZoneInfo
    interval_ms: int
    rules: dict[Channel, tuple[Rule, ...]]
    trackers: dict[Channel, Tracker]
    aggregations: dict[str, BoardAggregation]
    closed_to: int | None = None  # every interval before this moment is closed
    corrections: dict[Channel, tuple[CorrectionSegment, ...]] = field(
        default_factory=dict
    )  # of the registers that have any
    edits: dict[Channel, Edits] = field(default_factory=dict)  # single readings that are corrected
    instant: dict[Channel, Now] = field(default_factory=dict)
    counters: dict[Channel, Now] = field(default_factory=dict)
    events: list[tuple[Channel, Event]] = field(default_factory=list)
    unknown: int = 0  # readings of registers that the plan does not have
    ratios: dict[Channel, Ratios] = field(default_factory=dict)  # of present values of the secondary side
    reach_ms: int = 0  # how far back the samples of rounds are remembered
    # what could not be worked out, and why: registers are set aside until the next start, boards are tried again
    failed: dict[Channel, str] = field(default_factory=dict)
    failed_boards: dict[str, str] = field(default_factory=dict)


def begin(
    site: Site,
    zone: ZoneInfo,
    closed_to: int | None,
    corrections: Iterable[Correction] = (),
    *,
    clocks: Clocks | None = None,
) -> State:
    """The state of a daemon that has just read its plan; registers are then caught up by `rerun`."""
    rules: dict[Channel, tuple[Rule, ...]] = {}
    for row in site.inputs:
        if REGISTERS[row.register].cumulative:
            rules[row.point, row.register] = rules_of(
                site, site.point(row.point), row.register, per_ct=row.per_ct, pulses=row.unit == "imp"
            )
    trackers = {channel: Tracker(rule) for channel, rule in rules.items()}
    state = State(site, zone, site.interval_s * 1000, rules, trackers, board_aggregations(site, clocks), closed_to)
    state.reach_ms, state.ratios = reach_ms(site.limits), present_ratios(site)
    correct(state, corrections)
    return state


def correct(state: State, corrections: Iterable[Correction]) -> None:
    """Take over all corrections of the site in the place of those known; figures follow with `rerun`."""
    groups: dict[Channel, list[Correction]] = {}
    for correction in corrections:
        groups.setdefault((correction.point, correction.register), []).append(correction)
    state.corrections = {channel: results for channel, some in groups.items() if (results := correction_segments(some))}
    state.edits = {channel: single for channel, some in groups.items() if (single := edits(some))}


def restart_requests(state: State, from_ms: int | None = None) -> list[Request]:
    """Every register from its newest anchor, or from before a moment: how a daemon catches up with its journal."""
    return [Request(channel, from_ms) for channel in state.trackers]


def set_aside(state: State, channel: Channel, exc: Exception) -> None:
    """Follow a register no longer, so that the others go on: its readings stay in the journal, its figures are missing."""
    state.failed[channel] = described(exc)
    state.trackers.pop(channel, None)
    state.counters.pop(channel, None)


def reopen(state: State, now_ms: int) -> list[Request]:
    """Open again what was closed ahead of the moment, after a clock that was ahead; returns what must be followed again.

    What is over and was closed a little early is not ahead: the first closing does not wait for boundary readings.
    """
    if state.closed_to is None or state.closed_to <= floor(now_ms, state.interval_ms):
        return []
    until = floor(now_ms - state.site.limits.close_after_s * 1000, state.interval_ms)
    state.closed_to = until
    return [Request(channel, until) for channel in state.trackers]


def take(state: State, readings: Sequence[Reading]) -> list[Request]:
    """Follow new readings, already kept in the journal, in any order; returns what must be followed again from history."""
    groups: dict[Channel, list[Reading]] = {}
    for reading in readings:
        groups.setdefault((reading.point, reading.register), []).append(reading)
    requests = []
    for channel, group in groups.items():
        tracker = state.trackers.get(channel)
        if tracker is None:
            _take_instant(state, channel, group)
            continue
        try:
            again = _follow(tracker, group, state.closed_to, state.edits.get(channel, {}))
            _note(state, channel, tracker)
        except Exception as exc:  # an edge of the house style: one register must not stop the others
            set_aside(state, channel, exc)
            continue
        if again is not None:
            requests.append(Request(channel, again))
    return requests


def take_live(state: State, readings: Iterable[Reading]) -> None:
    """Only the present values of readings: for the snapshot while nothing can be stored."""
    for reading in readings:
        if not kind_of(reading.register).cumulative:
            _take_instant(state, (reading.point, reading.register), [reading])


def recall(state: State, channel: Channel, shown: Iterable[tuple[int, float]]) -> None:
    """The newest value of the journal is the present one until another comes: after a start.

    The samples before it tell how often the meter sends, so that a start changes nothing of how long it is believed.
    """
    reach = state.reach_ms if channel[1] in _IN_ROUNDS else 0
    samples: Trace = ()
    for at_ms, value in shown:
        samples = follow(samples, at_ms, value * ratio_at(state.ratios, channel, at_ms), reach)
    if samples:
        at_ms, newest = samples[-1]
        state.instant[channel] = Now(newest, at_ms, samples=samples, every_ms=period_ms(samples))


def _take_instant(state: State, channel: Channel, group: list[Reading]) -> None:
    if channel[1] != CAN_TAKE and (channel[1] not in REGISTERS or REGISTERS[channel[1]].cumulative):
        state.unknown += len(group) if channel not in state.failed else 0
        return
    # of values of one time the largest, as the journal says after a restart: in any order of arrival the same
    newest = max(group, key=lambda r: (r.at_ms, not r.old, float(r.value)))
    known = state.instant.get(channel)
    samples: Trace = () if known is None else known.trace
    reach = state.reach_ms if channel[1] in _IN_ROUNDS else 0
    for reading in group:
        if not reading.old:
            samples = follow(samples, reading.at_ms, _of_circuit(state, channel, reading), reach)
    value, at_ms, old = _of_circuit(state, channel, newest), newest.at_ms, newest.old
    if known is not None and (at_ms, not old, value) < (known.at_ms, not known.old, known.value):
        value, at_ms, old = known.value, known.at_ms, known.old
    state.instant[channel] = Now(value, at_ms, old, samples, period_ms(samples))


def _of_circuit(state: State, channel: Channel, reading: Reading) -> float:
    return float(reading.value) * ratio_at(state.ratios, channel, reading.at_ms)


def _follow(tracker: Tracker, group: list[Reading], closed_to: int | None, edits: Edits) -> int | None:
    """Follow readings of one register; the moment from which it must be followed again, if any.

    That is so for a reading earlier than one already followed, and where a new breakpoint changes what is closed.
    """
    # a retained value without its own time says nothing about when it was true
    ordered = edited_pairs(((r.at_ms, int(r.value)) for r in group if r.device_time or not r.old), edits)
    if not ordered:
        return None
    if ordered[0][0] <= tracker.seen_to:
        return ordered[0][0]  # all of them are in the journal and come back with the history
    before = tracker.at
    if len(ordered) > _AT_ONCE:
        table = np.array(ordered, dtype=np.int64)
        tracker.run(table[:, 0], table[:, 1])
    else:
        for t, raw in ordered:
            tracker.step(t, raw)
    if tracker.rerun_from is not None:
        return tracker.rerun_from
    changed_from = ordered[0][0] if before is None else before + 1
    if tracker.redrawn_from is not None:
        changed_from = min(changed_from, tracker.redrawn_from)
        tracker.redrawn_from = None
    moved = tracker.at is not None and tracker.at != before
    return changed_from if moved and closed_to is not None and changed_from <= closed_to else None


def _note(state: State, channel: Channel, tracker: Tracker) -> None:
    """Take over what the tracker decided and its newest value."""
    state.events.extend((channel, event) for event in tracker.events)
    tracker.events.clear()
    if tracker.at is not None and tracker.raw is not None:
        state.counters[channel] = Now(tracker.rule.mwh(tracker.raw) / 1000, tracker.at)


def plan_rerun(
    state: State, request: Request, anchor_at: Callable[[int], tuple[int, Anchor] | None]
) -> tuple[int | None, Anchor | None]:
    """First interval to recalculate and the anchor to begin at; (None, None) = from the beginning of the journal.

    `anchor_at(moment)` gives start and anchor of the newest kept interval that starts at or before the moment. A reading
    changes every boundary after the accepted reading before it, so the first interval is the one that holds that reading,
    or the first of a row of equal ones: where the register is found to have stood still, the line is redrawn from there.
    """
    if request.from_ms is None:
        results = anchor_at(2**62)
        return (results[0], results[1]) if results else (None, None)
    moment = floor(request.from_ms, state.interval_ms)
    results = anchor_at(moment)
    while results and results[1].at_ms >= request.from_ms:
        results = anchor_at(results[0] - 1)
    if results is None:
        return None, None
    longest_ms = max(rule.freeze_max_ms for rule in state.rules[request.channel])
    stood = request.from_ms - results[1].plateau_ms <= longest_ms
    first = floor(results[1].plateau_ms if stood else results[1].at_ms, state.interval_ms)
    before = anchor_at(first)
    if before is None or before[0] != first:
        return None, None
    return first, before[1]


def rerun(
    state: State, channel: Channel, plan: tuple[int | None, Anchor | None], history: tuple[Ints, Ints]
) -> tuple[list[FigureRow], Request | None]:
    """Follow a register again. Returns its figures from the first interval up to what is closed, or an earlier request."""
    columns, again = rerun_columns(state, channel, plan, history)
    return [] if columns is None else columns.rows(), again


def rerun_columns(
    state: State, channel: Channel, plan: tuple[int | None, Anchor | None], history: tuple[Ints, Ints]
) -> tuple[FigureColumns | None, Request | None]:
    """As `rerun`, in columns: for histories of years. None where there are no figures."""
    first, anchor = plan
    tracker = Tracker(state.rules[channel], anchor)
    tracker.run(*edited(*history, state.edits.get(channel, {})))
    if tracker.rerun_from is not None and anchor is not None:
        return None, Request(channel, tracker.rerun_from)
    state.trackers[channel] = tracker
    state.counters.pop(channel, None)  # the newest reading may be one that was left out
    _note(state, channel, tracker)
    if state.closed_to is None or not len(tracker.breakpoints):
        return None, None
    begin_ms = floor(tracker.breakpoints.t[0], state.interval_ms) if first is None else first
    columns = _figure_columns(state, channel, tracker, first=begin_ms, until=state.closed_to)
    tracker.breakpoints.trim(state.closed_to)
    return columns, None


@dataclass(frozen=True, slots=True)
class Recomputed:
    """Figures of a register up to a moment, None without any; `sure` if no later reading than those given could change them."""

    columns: FigureColumns | None
    sure: bool
    events: tuple[Event, ...] = ()  # what the register did, also behind that moment


def recompute(
    state: State,
    channel: Channel,
    plan: tuple[int | None, Anchor | None],
    history: tuple[Ints, Ints],
    until: int,
) -> Recomputed | Request:
    """Closed figures of a register up to a moment once more, beside the tracker that follows it; or an earlier request."""
    first, anchor = plan
    tracker = Tracker(state.rules[channel], anchor)
    tracker.run(*edited(*history, state.edits.get(channel, {})))
    if tracker.rerun_from is not None and anchor is not None:
        return Request(channel, tracker.rerun_from)
    if not len(tracker.breakpoints):
        return Recomputed(None, sure=False)
    begin_ms = floor(tracker.breakpoints.t[0], state.interval_ms) if first is None else first
    columns = _figure_columns(state, channel, tracker, first=begin_ms, until=until)
    return Recomputed(columns, tracker.is_final(until), tuple(tracker.events))


def _figure_columns(
    state: State, channel: Channel, tracker: Tracker, *, first: int, until: int
) -> FigureColumns | None:
    if until <= first:
        return None
    limits = state.site.limits
    result = figures(
        tracker.breakpoints,
        first,
        until,
        interval_ms=state.interval_ms,
        gap_exact_ms=limits.gap_exact_s * 1000,
        gap_estimate_ms=limits.gap_estimate_s * 1000,
    )
    if parts := state.corrections.get(channel):
        gap_ms = limits.gap_exact_s * 1000
        result = corrected(
            result, tracker.breakpoints, tracker.rules, parts, interval_ms=state.interval_ms, gap_ms=gap_ms
        )
    return interval_columns(channel, result, tracker.breakpoints)


def _figure_rows(state: State, channel: Channel, tracker: Tracker, *, first: int, until: int) -> list[FigureRow]:
    columns = _figure_columns(state, channel, tracker, first=first, until=until)
    return [] if columns is None else columns.rows()


def close(state: State, now_ms: int) -> list[FigureRow]:
    """Figures of the intervals that are over and not yet closed: they close now, known or missing.

    A clock that runs back closes nothing again. The first call only sets where closing begins.
    """
    until = floor(now_ms - state.site.limits.close_after_s * 1000, state.interval_ms)
    if state.closed_to is None:
        state.closed_to = until = floor(now_ms, state.interval_ms)
        rows = []
        for channel, tracker in list(state.trackers.items()):
            if len(tracker.breakpoints):
                rows += _close_one(state, channel, floor(tracker.breakpoints.t[0], state.interval_ms), until)
        return rows
    if until <= state.closed_to:
        return []
    rows = []
    for channel in list(state.trackers):
        rows += _close_one(state, channel, state.closed_to, until)
    state.closed_to = until
    return rows


def _close_one(state: State, channel: Channel, first: int, until: int) -> list[FigureRow]:
    tracker = state.trackers[channel]
    try:
        rows = _figure_rows(state, channel, tracker, first=first, until=until)
        tracker.breakpoints.trim(until)
    except Exception as exc:  # as in `take`
        set_aside(state, channel, exc)
        return []
    return rows


# -- the snapshot ------------------------------------------------------------------------------------------------------
