"""The only file that knows the order: readings -> registers -> interval energies -> books; and the live picture.

The shell owns one `State`. It commits readings to the journal first, then calls `take`; for each request that comes back it
fetches history and calls `rerun`; `close` yields the figures of intervals that are over. No clock, no file: the moment is
an argument.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np

from meterd.balance import balance
from meterd.books import BoardBook, board_books
from meterd.correction import (
    Correction,
    Edits,
    Stretch,
    corrected,
    edited,
    edited_pairs,
    edits,
    gain_between,
    stretches,
)
from meterd.errors import described
from meterd.figure import BalanceRow, Channel, FigureRow
from meterd.finding import Finding
from meterd.interval import Period, floor
from meterd.knots import Anchor, Ints, figures
from meterd.meter_clock import Clocks
from meterd.reading import EXPORT, IMPORT, REGISTERS, Quality, Reading
from meterd.register import Event, Rule, Tracker, rules_of
from meterd.rollup import mean_power_w
from meterd.site import Role, Site
from meterd.snapshot import BoardNow, Now, PowerNow, PvNow, Snapshot
from meterd.surplus import site_powers, surplus_now

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
    books: dict[str, BoardBook]
    closed_to: int | None = None  # every interval before this moment is closed
    corrections: dict[Channel, tuple[Stretch, ...]] = field(default_factory=dict)  # of the registers that have any
    edits: dict[Channel, Edits] = field(default_factory=dict)  # single readings that are corrected
    instant: dict[Channel, Now] = field(default_factory=dict)
    counters: dict[Channel, Now] = field(default_factory=dict)
    events: list[tuple[Channel, Event]] = field(default_factory=list)
    unknown: int = 0  # readings of registers that the plan does not have
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
    state = State(site, zone, site.interval_s * 1000, rules, trackers, board_books(site, clocks), closed_to)
    correct(state, corrections)
    return state


def correct(state: State, corrections: Iterable[Correction]) -> None:
    """Take over all corrections of the site in the place of those known; figures follow with `rerun`."""
    groups: dict[Channel, list[Correction]] = {}
    for one in corrections:
        groups.setdefault((one.point, one.register), []).append(one)
    state.corrections = {channel: found for channel, some in groups.items() if (found := stretches(some))}
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
    """Open again what was closed ahead of the moment, after a clock that was ahead; returns what must be followed again."""
    until = floor(now_ms - state.site.limits.close_after_s * 1000, state.interval_ms)
    if state.closed_to is None or state.closed_to <= until:
        return []
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
    """Only the present values of readings: for the live picture while nothing can be kept."""
    for reading in readings:
        if not REGISTERS[reading.register].cumulative:
            _take_instant(state, (reading.point, reading.register), [reading])


def _take_instant(state: State, channel: Channel, group: list[Reading]) -> None:
    if channel[1] not in REGISTERS or REGISTERS[channel[1]].cumulative:
        state.unknown += len(group) if channel not in state.failed else 0
        return
    newest = max(group, key=lambda r: (r.at_ms, not r.old))
    known = state.instant.get(channel)
    if known is None or (newest.at_ms, not newest.old) >= (known.at_ms, not known.old):
        state.instant[channel] = Now(float(newest.value), newest.at_ms, newest.old)


def _follow(tracker: Tracker, group: list[Reading], closed_to: int | None, edits: Edits) -> int | None:
    """Follow readings of one register; the moment from which it must be followed again, if any.

    That is so for a reading earlier than one already followed, and where a new knot changes what is closed.
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
    """First interval to make again and the anchor to begin at; (None, None) = from the beginning of the journal.

    `anchor_at(moment)` gives start and anchor of the newest kept interval that starts at or before the moment. A reading
    changes every boundary after the accepted reading before it, so the first interval is the one that holds that reading.
    """
    if request.from_ms is None:
        found = anchor_at(2**62)
        return (found[0], found[1]) if found else (None, None)
    moment = floor(request.from_ms, state.interval_ms)
    found = anchor_at(moment)
    while found and found[1].at_ms >= request.from_ms:
        found = anchor_at(found[0] - 1)
    if found is None:
        return None, None
    first = floor(found[1].at_ms, state.interval_ms)
    before = anchor_at(first)
    if before is None or before[0] != first:
        return None, None
    return first, before[1]


def rerun(
    state: State, channel: Channel, plan: tuple[int | None, Anchor | None], history: tuple[Ints, Ints]
) -> tuple[list[FigureRow], Request | None]:
    """Follow a register again. Returns its figures from the first interval up to what is closed, or an earlier request."""
    first, anchor = plan
    tracker = Tracker(state.rules[channel], anchor)
    tracker.run(*edited(*history, state.edits.get(channel, {})))
    if tracker.rerun_from is not None and anchor is not None:
        return [], Request(channel, tracker.rerun_from)
    state.trackers[channel] = tracker
    state.counters.pop(channel, None)  # the newest reading may be one that was left out
    _note(state, channel, tracker)
    if state.closed_to is None or not len(tracker.knots):
        return [], None
    begin_ms = floor(tracker.knots.t[0], state.interval_ms) if first is None else first
    rows = _figure_rows(state, channel, tracker, begin_ms, state.closed_to)
    tracker.knots.trim(state.closed_to)
    return rows, None


@dataclass(frozen=True, slots=True)
class Remade:
    """Figures of a register up to a moment; `sure` if no later reading than those given could change them."""

    rows: list[FigureRow]
    sure: bool


def remake(
    state: State,
    channel: Channel,
    plan: tuple[int | None, Anchor | None],
    history: tuple[Ints, Ints],
    until: int,
) -> Remade | Request:
    """Closed figures of a register up to a moment once more, beside the tracker that follows it; or an earlier request."""
    first, anchor = plan
    tracker = Tracker(state.rules[channel], anchor)
    tracker.run(*edited(*history, state.edits.get(channel, {})))
    if tracker.rerun_from is not None and anchor is not None:
        return Request(channel, tracker.rerun_from)
    if not len(tracker.knots):
        return Remade([], sure=False)
    begin_ms = floor(tracker.knots.t[0], state.interval_ms) if first is None else first
    return Remade(_figure_rows(state, channel, tracker, begin_ms, until), tracker.settled(until))


def _figure_rows(state: State, channel: Channel, tracker: Tracker, first: int, until: int) -> list[FigureRow]:
    if until <= first:
        return []
    limits = state.site.limits
    result = figures(
        tracker.knots,
        first,
        until,
        interval_ms=state.interval_ms,
        gap_exact_ms=limits.gap_exact_s * 1000,
        gap_estimate_ms=limits.gap_estimate_s * 1000,
    )
    if parts := state.corrections.get(channel):
        gap_ms = limits.gap_exact_s * 1000
        result = corrected(result, tracker.knots, tracker.rules, parts, interval_ms=state.interval_ms, gap_ms=gap_ms)
    columns = (result.start_ms, result.energy, result.present, result.flags, result.anchor)
    return [
        FigureRow(
            channel,
            Period.INTERVAL,
            start,
            energy if present else None,
            flags,
            tracker.knots.anchor(anchor) if anchor >= 0 else None,
        )
        for start, energy, present, flags, anchor in zip(*(column.tolist() for column in columns), strict=True)
    ]


def close(state: State, now_ms: int) -> list[FigureRow]:
    """Figures of the intervals that are over and not yet closed: they close now, known or missing.

    A clock that runs back closes nothing again. The first call only sets where closing begins.
    """
    until = floor(now_ms - state.site.limits.close_after_s * 1000, state.interval_ms)
    if state.closed_to is None:
        state.closed_to = until = floor(now_ms, state.interval_ms)
        rows = []
        for channel, tracker in list(state.trackers.items()):
            if len(tracker.knots):
                rows += _close_one(state, channel, floor(tracker.knots.t[0], state.interval_ms), until)
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
        rows = _figure_rows(state, channel, tracker, first, until)
        tracker.knots.trim(until)
    except Exception as exc:  # as in `take`
        set_aside(state, channel, exc)
        return []
    return rows


# -- the live picture --------------------------------------------------------------------------------------------------


def snapshot(
    state: State,
    now_ms: int,
    *,
    closed: Mapping[str, BalanceRow],
    pv_day: PvNow | None,
    findings: Iterable[Finding],
) -> Snapshot:
    """Everything that may be shown at this moment."""
    site = state.site
    draw, production, load, self_use = site_powers(site, state.instant, now_ms)
    demand, projection = _demand(state, now_ms, draw)
    allowed = None if site.limits.contracted_w is None else _allowed(state, now_ms, demand, site.limits.contracted_w)
    return Snapshot(
        site=site,
        now_ms=now_ms,
        instant=dict(state.instant),
        counters=dict(state.counters),
        closed={name: board_now(row) for name, row in closed.items()},
        running={name: _try_running(state, book, now_ms) for name, book in state.books.items()},
        pv_day=pv_day,
        surplus=surplus_now(site, state.instant, now_ms),
        draw=draw,
        production=production,
        load=load,
        self_use=self_use,
        demand=demand,
        demand_projection=projection,
        findings=tuple(findings),
        demand_allowed=allowed,
    )


def board_now(row: BalanceRow) -> BoardNow:
    """A kept balance as the live picture shows it."""
    return BoardNow(
        row.board,
        row.start_ms,
        row.end_ms,
        row.feed,
        row.outgoing,
        row.residual,
        row.band,
        row.verdict,
        row.missing,
        row.uncovered,
        row.covered,
        row.of,
        row.estimated,
    )


def _try_running(state: State, book: BoardBook, now_ms: int) -> BoardNow:
    try:
        return _running(state, book, now_ms)
    except Exception as exc:  # an edge of the house style: one board in the step
        terms, start = book.terms, floor(now_ms, state.interval_ms)
        state.failed_boards[terms.board] = described(exc)
        return BoardNow(terms.board, start, start, None, None, None, None, "not computable", (), terms.uncovered)


def _running(state: State, book: BoardBook, now_ms: int) -> BoardNow:
    """The balance of the interval so far, up to the moment that every point has reached."""
    start = floor(now_ms, state.interval_ms)
    reached = [_reached(state, point, counted) for point, counted in _registers(book)]
    late = tuple(p for p, at in zip(book.plan.points, reached, strict=True) if at <= start)
    terms = book.terms
    if late or not reached:
        return BoardNow(
            terms.board,
            start,
            start,
            None,
            None,
            None,
            None,
            "not computable",
            late,
            terms.uncovered,
            terms.covered,
            terms.of,
        )
    end = min(reached)
    values = [_energy_between(state, point, counted, start, end) for point, counted in _registers(book)]
    net = np.array([[0 if v is None else v for v in values]], dtype=np.int64)
    present = np.array([[v is not None for v in values]])
    result = balance(terms.terms, np.array([start]), np.array([end]), net, present)
    known = bool(result.computable[0])
    return BoardNow(
        terms.board,
        start,
        end,
        int(result.feed[0]) if result.feed_present[0] else None,
        int(result.outgoing[0]) if result.outgoing_present[0] else None,
        int(result.residual[0]) if known else None,
        int(result.band[0]) if known else None,
        result.word(0),
        result.missing_points(0),
        terms.uncovered,
        terms.covered,
        terms.of,
    )


def _registers(book: BoardBook) -> Iterable[tuple[str, bool]]:
    return zip(book.plan.points, book.plan.has_export, strict=True)


def _reached(state: State, point: str, counts_export: bool) -> int:
    """The moment up to which the point's energy is known; 0 if not at all."""
    moments = []
    for register in (IMPORT, EXPORT) if counts_export else (IMPORT,):
        tracker = state.trackers.get((point, register))
        if tracker is None or tracker.at is None:
            return 0
        moments.append(tracker.at)
    return min(moments)


def _energy_between(state: State, point: str, counts_export: bool, start: int, end: int) -> int | None:
    total = 0
    for register, sign in ((IMPORT, 1), (EXPORT, -1)) if counts_export else ((IMPORT, 1),):
        knots = state.trackers[point, register].knots
        low, high = knots.total_at(start), knots.total_at(end)
        if low is None or high is None or knots.broken_since(start):
            return None
        parts = state.corrections.get((point, register), ())
        gain = gain_between(knots, state.trackers[point, register].rules, parts, start, end)
        total += sign * (high - low + gain)
    return total


def _demand(state: State, now_ms: int, draw: PowerNow) -> tuple[PowerNow, PowerNow]:
    """Mean import of the running interval so far, and at its end if the present draw goes on."""
    start = floor(now_ms, state.interval_ms)
    feeds = [p.name for p in state.site.points if p.role is Role.FEED and p.counts]
    end = min((_reached(state, p, False) for p in feeds), default=0)
    values = [_energy_between(state, p, False, start, end) for p in feeds] if end > start else [None]
    known = [v for v in values if v is not None]
    if len(known) < len(values):
        nothing = PowerNow(None, now_ms, Quality.INVALID, "the feeds have not all been read in this interval")
        return nothing, nothing
    energy = sum(known)
    demand = PowerNow(mean_power_w(energy, end - start), end, Quality.GOOD)
    if draw.power_w is None:
        return demand, PowerNow(None, now_ms, Quality.INVALID, draw.reason)
    rest = start + state.interval_ms - end
    expected_mwh = energy + round(max(draw.power_w, 0.0) * rest / 3600)
    return demand, PowerNow(mean_power_w(expected_mwh, state.interval_ms), end, Quality.GOOD)


def _allowed(state: State, now_ms: int, demand: PowerNow, contracted_w: int) -> PowerNow:
    """Mean import that the rest of the running interval may have, so that its mean stays at the contract; 0 = passed."""
    start = floor(now_ms, state.interval_ms)
    rest = start + state.interval_ms - demand.at_ms
    if demand.power_w is None or rest <= 0:
        return PowerNow(None, now_ms, Quality.INVALID, demand.reason or "the interval is over")
    left = contracted_w * state.interval_ms - demand.power_w * (demand.at_ms - start)
    return PowerNow(max(left, 0.0) / rest, demand.at_ms, Quality.GOOD)
