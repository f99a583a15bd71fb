"""Closed figures of one register once more from the journal, beside the tracker that follows it live."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.core import engine
from meterd.core.energy.stored_figures import StoredIntervals
from meterd.core.engine import Request, State
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.facts import Facts, FactStore
from meterd.core.model.periods import Period, bounds, floor, text
from meterd.core.model.results import Anchor, Channel, FigureRow
from meterd.core.registers.corrections import CORRECTING, FIGURES_FROM, FOREVER_MS
from meterd.core.registers.figure_columns import FigureColumns
from meterd.core.registers.register_line import Ints
from meterd.core.registers.tracker import Event

Item = tuple[int, str, str, int, int]  # number of a correction (0: the plan changed), register, from, until
MORE = 10_000  # readings behind a figure that are looked at first: a day of one every ten seconds, and some


def items_of(store: Facts) -> list[Item]:
    """What is still to be recalculated."""
    return [tuple(item) for item in json.loads(store.fact(CORRECTING) or "[]")]


def keep_items(store: FactStore, items: Sequence[Item]) -> None:
    """Store what is still to be recalculated. Belongs into a transaction of the store."""
    store.set_fact(CORRECTING, json.dumps(items))


@dataclass(frozen=True, slots=True)
class Piece:
    """The intervals in [low, end) of a correction that reaches to `high`; what is before `begin` is only made once more."""

    low: int
    begin: int
    end: int
    high: int


def piece_of(store: ReadStore, state: State, item: Item, figures_from: int, rows_most: int) -> Piece:
    """The next piece: whole local days, so that each is summed once. Empty when nothing is left.

    Only whole intervals that are closed and have their readings. Where the plan has changed, what the register did before
    may be understood otherwise, so it begins with the interval of the reading before.
    """
    number, point, register, low, high = item
    assert state.closed_to is not None, "nothing is recalculated before something was closed"
    step, first = state.interval_ms, store.first_ms((point, register))
    high = min(-floor(-high, step), state.closed_to)
    begin = max(low, figures_from, state.closed_to if first is None else first)
    low = begin
    if not number and begin < high:
        before = first_affected(store, state, (point, register), begin)
        low = begin if before is None else min(before, begin)
    begin = floor(begin, step)
    end, _ = bounds(Period.DAY, begin + rows_most * step, state.zone, step)
    if end <= begin:
        _, end = bounds(Period.DAY, begin, state.zone, step)
    return Piece(floor(low, step), begin, min(end, high), high)


def reason_of(number: int) -> str:
    """Why figures get a new version."""
    return f"correction {number}" if number else "plan changed"


def refuse_final(store: Facts, from_ms: int) -> None:
    """ConfigError if figures of that time are final because their readings have been deleted."""
    final = int(store.fact(FIGURES_FROM) or -(2**62))
    if from_ms < final:
        message = f"figures before {text(final)} are final: their readings have left the journal"
        raise ConfigError(f"{message}; begin the correction there or later")


def bounded(request: Request, figures_from: int) -> Request:
    """No register is followed again from readings that `meterd retain` has deleted: their figures stay as they are."""
    if request.from_ms is None or request.from_ms >= figures_from:
        return request
    return replace(request, from_ms=figures_from)


def first_affected(
    store: StoredIntervals, state: State, channel: Channel, since_ms: int, *, before_ms: int = FOREVER_MS
) -> int | None:
    """The first interval that changes when a register did something else from a moment on; None from its very first reading.

    Only figures before `before_ms` are asked: the others are about to be recalculated.
    """
    return engine.plan_rerun(
        state, Request(channel, since_ms), lambda at_ms: store.anchor(channel, min(at_ms, before_ms - 1))
    )[0]


def vanished(
    store: StoredIntervals, channel: Channel, low: int, rows: Sequence[FigureRow], until: int
) -> list[FigureRow]:
    """Figures from that of a reading on that stand before the first one recalculated: nothing is left that they rest on.

    That is so where the first reading of all was left out. They become missing.
    """
    first = rows[0].start_ms if rows else until
    gone = store.interval_starts(channel, low, first)
    return [FigureRow(channel, Period.INTERVAL, start, None, 0, None) for start in gone]


class Readings(Facts, Protocol):
    """Whatever holds the readings of a site, and the anchors of its interval figures: a store, or an archive."""

    def anchor(self, channel: Channel, at_ms: int) -> tuple[int, Anchor] | None:
        """The newest interval that starts at or before the moment and has an anchor: its start and the anchor."""

    def history(self, channel: Channel, from_ms: int, until_ms: int = 2**62, *, most: int = -1) -> tuple[Ints, Ints]:
        """Times and shown milli-units of a register in [from, until), at most so many, the earliest."""


def recomputed_figures(
    store: Readings, state: State, channel: Channel, low: int, high: int
) -> tuple[list[FigureRow], list[Event]]:
    """As `recomputed_columns`, a row for each interval."""
    columns, events = recomputed_columns(store, state, channel, low, high)
    return [] if columns is None else columns.rows(), events


def recomputed_columns(
    store: Readings, state: State, channel: Channel, low: int, high: int
) -> tuple[FigureColumns | None, list[Event]]:
    """Figures of the intervals in [low, high), all of them closed, as the corrections of the state have them; and what the
    register did in that time. None where there are no figures.

    As many readings behind them are looked at as it takes to be sure of them. StoreError where too many were deleted.
    """
    request, more = Request(channel, low), MORE
    final = int(store.fact(FIGURES_FROM) or -(2**62))

    def anchor_before(at_ms: int) -> tuple[int, Anchor] | None:
        return store.anchor(channel, min(at_ms, low - 1))  # what stands from there on is about to be recalculated

    while True:
        first, anchor = engine.plan_rerun(state, request, anchor_before)
        since = -(2**62) if anchor is None else anchor.at_ms
        times, values = store.history(channel, since, high)
        later, further = store.history(channel, high, most=more)
        history = np.concatenate([times, later]), np.concatenate([values, further])
        result = engine.recompute(state, channel, (low if first is None else max(low, first), anchor), history, high)
        if isinstance(result, Request):
            if result.from_ms is None or request.from_ms is None or max(result.from_ms, final) >= request.from_ms:
                raise StoreError(f"{channel[0]} must be followed from readings that were deleted; import them again")
            request = Request(channel, max(result.from_ms, final))
        elif result.sure or len(later) < more:
            columns = result.columns
            if columns is not None:
                columns = columns.part(int(np.searchsorted(columns.start_ms, low)), len(columns))
            return columns, [event for event in result.events if low <= event.at_ms < high]
        else:
            more *= 8
