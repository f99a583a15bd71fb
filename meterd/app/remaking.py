"""Closed figures of one register once more from the journal, beside the tracker that follows it live."""

from collections.abc import Sequence
from functools import partial

from meterd import pipeline
from meterd.correction import FIGURES_FROM
from meterd.errors import ConfigError, StoreError
from meterd.figure import Channel, FigureRow
from meterd.interval import DAY_MS, Period, text
from meterd.pipeline import Request, State
from meterd.store.sqlite import SqliteStore
from meterd.store.withdraw import interval_starts

SURE_MS = 31 * DAY_MS  # readings behind a figure that are looked at first: a register seldom stands still for longer


def refuse_final(store: SqliteStore, from_ms: int) -> None:
    """ConfigError if figures of that time are final because their readings have been deleted."""
    final = int(store.fact(FIGURES_FROM) or -(2**62))
    if from_ms < final:
        words = f"figures before {text(final)} are final: their readings have left the journal"
        raise ConfigError(f"{words}; begin the correction there or later")


def first_touched(store: SqliteStore, state: State, channel: Channel, since_ms: int) -> int:
    """The first interval that changes when a register did something else from a moment on: that of the reading before."""
    first, _ = pipeline.plan_rerun(state, Request(channel, since_ms), partial(store.anchor, channel))
    return since_ms if first is None else min(first, since_ms)


def vanished(store: SqliteStore, channel: Channel, low: int, rows: Sequence[FigureRow], until: int) -> list[FigureRow]:
    """Figures from that of a reading on that stand before the first one made again: nothing is left that they rest on.

    That is so where the first reading of all was left out. They become missing.
    """
    first = rows[0].start_ms if rows else until
    gone = interval_starts(store, channel, low, first)
    return [FigureRow(channel, Period.INTERVAL, start, None, 0, None) for start in gone]


def made_again(store: SqliteStore, state: State, channel: Channel, low: int, high: int) -> list[FigureRow]:
    """Figures of the intervals in [low, high), all of them closed, as the corrections of the state have them.

    As many readings behind them are looked at as it takes to be sure of them. StoreError where too many were deleted.
    """
    request, margin = Request(channel, low), SURE_MS
    final = int(store.fact(FIGURES_FROM) or -(2**62))
    while True:
        plan = pipeline.plan_rerun(state, request, partial(store.anchor, channel))
        since = -(2**62) if plan[1] is None else plan[1].at_ms
        found = pipeline.remake(state, channel, plan, store.history(channel, since, high + margin), high)
        if isinstance(found, Request):
            if found.from_ms is None or request.from_ms is None or max(found.from_ms, final) >= request.from_ms:
                raise StoreError(f"{channel[0]} must be followed from readings that were deleted; import them again")
            request = Request(channel, max(found.from_ms, final))
        elif found.sure or margin > SURE_MS:
            return [row for row in found.rows if row.start_ms >= low]
        else:
            margin = 2**61
