"""Readings of times long past: what follows from them is made in bounded pieces beside the live work, also after a kill.

a reading, or the correction of one, behind the horizon
                              ->  the journal, and the fact `late_work` of the same transaction says from where on
a piece = one transaction     ->  some intervals recalculated from the journal, summed, the fact moved on
a long history was imported   ->  registers one after the other, then `unsummed` some weeks at a time (`whole_history`)
the end of a register         ->  what stands there rests on the same anchor, or all up to what is closed was recalculated
weeks, months and years of boards come last: each needs all its intervals, and is read in pieces too
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from meterd.adapters.store.journal import Failure
from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.recompute import bounded, first_affected, reason_of, recomputed_figures, vanished
from meterd.core import engine
from meterd.core.energy.aggregation import Parent
from meterd.core.engine import Request, State
from meterd.core.errors import StoreError
from meterd.core.model.periods import DAY_MS, Period, floor
from meterd.core.model.results import Channel, FigureRow
from meterd.core.registers.stored_readings import StoredReadings

LATE_WORK = "late_work"
LATE = "late readings"  # why figures get a new version
AT_ONCE = 2_000  # intervals of all registers that a tick makes at once: under a second with forty points
LEAST = 8  # intervals that are always made at once: two hours of late readings are everyday's business
SHORT = (Period.HOUR, Period.DAY)  # balances that are made with their intervals; the longer ones come last
END = 2**62
PIECE_S = 0.2  # a piece should take no longer: live values go out between two of them
LEAST_ROWS, MOST_ROWS = 100, 20_000  # intervals of all registers in one piece


@dataclass(frozen=True, slots=True)
class Late:
    """A register to be followed again: from which interval on, and at least beyond which moment.

    `correction` is the number of the correction of a reading that asks for it, 0 for readings that came late.
    """

    channel: Channel
    low: int
    to_ms: int
    correction: int = 0

    @property
    def reason(self) -> str:
        """Why its figures get a new version."""
        return reason_of(self.correction) if self.correction else LATE


@dataclass(frozen=True, slots=True)
class Work:
    """All that waits: registers, and spans whose long balances must be summed again once those are done."""

    registers: dict[Channel, Late]
    spans: tuple[tuple[int, int], ...] = ()
    done: tuple[int, int] = (-END, 0)  # the end and the kind of the last period that was summed
    unsummed: tuple[int, int] = (0, 0)  # intervals of a long history of which nothing longer was made yet

    def __bool__(self) -> bool:
        return bool(self.registers) or self.only_sums

    def summed(self, part: tuple[int, int]) -> "Work":
        """The work after a part of the unsummed intervals was summed."""
        return replace(self, unsummed=(part[1], self.unsummed[1]))

    @property
    def only_sums(self) -> bool:
        """Whether nothing waits but sums."""
        return not self.registers and (bool(self.spans) or self.unsummed[0] < self.unsummed[1])


def read(text: str | None) -> Work:
    """What the fact says."""
    if not text:
        return Work({})
    result = json.loads(text)
    lates = [Late((point, register), *rest) for point, register, *rest in result["registers"]]
    spans = tuple((low, high) for low, high in result["spans"])
    return Work(
        {late_register.channel: late_register for late_register in lates},
        spans,
        (result["done"][0], result["done"][1]),
        tuple(result.get("unsummed", (0, 0))),
    )


def written(work: Work) -> str:
    """The words of the fact, empty when nothing waits."""
    if not work:
        return ""
    registers = [[*late.channel, late.low, late.to_ms, late.correction] for late in work.registers.values()]
    texts = {"registers": registers, "spans": work.spans, "done": work.done}
    if work.unsummed[0] < work.unsummed[1]:
        texts["unsummed"] = work.unsummed
    return json.dumps(texts, separators=(",", ":"))


def horizon(state: State, base_ms: int) -> int:
    """What is earlier is made in pieces."""
    return base_ms - state.interval_ms * max(LEAST, AT_ONCE // max(1, len(state.trackers)))


def noted(
    work: Work, store: ReadStore, state: State, late: Iterable[tuple[Channel, int, int]], correction: int = 0
) -> Work:
    """The work with further registers: each with the moments of its first and its last reading that is late or corrected."""
    registers = dict(work.registers)
    for channel, first_ms, last_ms in late:
        known = registers.get(channel)
        before = END if known is None else known.low
        low = min(before, _first_affected(store, state, channel, first_ms, before))
        # behind what was made so far of an earlier one, nothing is compared with what stood there before it
        reach = last_ms if known is None else max(last_ms, known.to_ms, known.low)
        registers[channel] = Late(channel, low, reach, correction or (0 if known is None else known.correction))
    return replace(work, registers=registers)


def _first_affected(store: ReadStore, state: State, channel: Channel, since_ms: int, before_ms: int) -> int:
    first = first_affected(store, state, channel, since_ms, before_ms=before_ms)
    if first is not None:
        return first
    oldest = store.first_ms(channel)
    return floor(since_ms if oldest is None else min(oldest, since_ms), state.interval_ms)


def over_gap(store: StoredReadings, state: State, late: Late) -> Late:
    """Go on behind a gap in which everything is missing and nothing was ever made: years without a reading are no work."""
    before, after = store.readings_around(late.channel, late.low)
    if after is None:
        return replace(late, low=END)
    if before is None or after - before > state.site.limits.gap_estimate_s * 1000:
        return replace(late, low=max(late.low, floor(after, state.interval_ms)))
    return late


@dataclass(frozen=True, slots=True)
class Piece:
    """What one piece made: rows, what is left of the registers, and which must be followed to what is closed."""

    rows: list[FigureRow]
    left: dict[Channel, Late]
    last: list[Late]


def piece(store: ReadStore, state: State, work: Work, rows_most: int, quiet: Sequence[Channel]) -> Piece | None:
    """Make at most about so many intervals; None when nothing can be done now.

    Of registers that are not quiet, readings still come in: only what lies before the newest of them is made, so that a year
    that arrives in order is made once and not again and again.
    """
    assert state.closed_to is not None, "late is what is earlier than something closed"
    lates = {channel: over_gap(store, state, late_register) for channel, late_register in work.registers.items()}
    step, ends = state.interval_ms, {}
    for channel, late_register in lates.items():
        end = state.closed_to if channel in quiet else min(state.closed_to, floor(late_register.to_ms, step))
        if end > late_register.low or late_register.low >= state.closed_to:
            ends[channel] = end
    if not ends:
        return None
    low = min(lates[channel].low for channel in ends)
    high = low + step * max(1, rows_most // len(ends))
    result = Piece([], lates, [])
    for channel, end in ends.items():
        if lates[channel].low < high or lates[channel].low >= state.closed_to:
            try:
                _advance(store, state, lates[channel], high=min(high, end), into=result)
            except Failure:
                raise
            except Exception as exc:  # an edge of the house style: one register must not stop the others
                engine.set_aside(state, channel, exc)
                del result.left[channel]
    return result


def _advance(store: ReadStore, state: State, late: Late, *, high: int, into: Piece) -> None:
    assert state.closed_to is not None, "late is what is earlier than something closed"
    if high >= state.closed_to or late.low >= state.closed_to:
        into.last.append(late)
        del into.left[late.channel]
        return
    rows, events = recomputed_figures(store, state, late.channel, late.low, high)
    if late.correction:
        rows = vanished(store, late.channel, late.low, rows, high) + rows
    state.events.extend((late.channel, event) for event in events)
    standing = store.anchors(late.channel, late.low, high)
    for count, row in enumerate(rows):
        if row.anchor is not None and row.anchor.at_ms > late.to_ms and standing.get(row.start_ms) == row.anchor:
            into.rows.extend(rows[:count])
            del into.left[late.channel]
            return
    into.rows.extend(rows)
    into.left[late.channel] = replace(late, low=high)


def to_the_end(store: ReadStore, state: State, late: Late, figures_from: int) -> list[FigureRow]:
    """A register whose last piece reaches what is closed: it is followed live from what that gives."""
    closed_to = state.closed_to
    assert closed_to is not None, "late is what is earlier than something closed"
    low, channel = min(late.low, closed_to), late.channel
    request: Request | None = Request(channel, low)
    while request is not None:
        first, anchor = engine.plan_rerun(state, request, lambda at_ms: store.anchor(channel, min(at_ms, low - 1)))
        since = -END if anchor is None else anchor.at_ms
        plan = (low if first is None else max(low, first), anchor)
        rows, again = engine.rerun(state, channel, plan, store.history(channel, since))
        again = again and bounded(again, figures_from)
        if again is not None and again == request:
            raise StoreError(f"{channel[0]} must be followed from readings that were deleted; import them again")
        request = again
    rows = [row for row in rows if row.start_ms >= low]
    return vanished(store, channel, low, rows, closed_to) + rows if late.correction else rows


def with_span(work: Work, span: tuple[int, int] | None) -> Work:
    """The work with a span of changed intervals; spans that are near each other become one."""
    if span is None:
        return work
    spans = sorted([*work.spans, span])
    joined = [spans[0]]
    for low, high in spans[1:]:
        if low - joined[-1][1] < 31 * DAY_MS:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return replace(work, spans=tuple(joined), done=(-END, 0))


def fitted(rows_most: int, took_s: float, rows: int) -> int:
    """How many intervals the next piece should have, after one of so many that took so long."""
    if took_s > PIECE_S:
        return max(LEAST_ROWS, int(rows_most * PIECE_S / took_s))
    return min(MOST_ROWS, rows_most * 2) if took_s < PIECE_S / 2 and rows > rows_most // 2 else rows_most


def place_of(parent: Parent) -> tuple[int, int]:
    """Where a period stands in the order in which they are summed."""
    return parent.end_ms, tuple(Period).index(parent.period)
